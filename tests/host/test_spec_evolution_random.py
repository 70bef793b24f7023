"""Random definitions and random changes: what the rules let through is what an oracle of its own calls legal."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from kit_definitions import ROOT
from offtake.errors import SpecError
from offtake.spec.evolution import broken_rules
from offtake.spec.load import Loaded, load_with_sources
from offtake.spec.lock import publish, render_lock
from random_specs import CRUEL, KIND, World, changed, legal, world
from spec_worlds import classes, read_both_ways

TIMES = 40 if os.environ.get("OFFTAKE_LONG") else 1
SEEDS = st.integers(0, 2**32 - 1)


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The kit's other files, without its messages and its lock."""
    folder = tmp_path_factory.mktemp("bare") / "shared_spec"
    return Path(shutil.copytree(ROOT, folder, ignore=shutil.ignore_patterns("messages.toml", "published.lock")))


def _load(bare: Path, made: World, lock: str | None = None) -> Loaded:
    texts = {"messages.toml": made.text(), **({"published.lock": lock} if lock else {})}
    return load_with_sources(bare, texts)


def _released(loaded: Loaded) -> str:
    return render_lock(publish(loaded.spec, loaded.lock))


def _broken(loaded: Loaded) -> set[str]:
    return {finding.rule for finding in broken_rules(loaded.spec, loaded.lock, loaded.sources)}


@settings(max_examples=40 * TIMES, deadline=None, derandomize=True)
@given(seed=SEEDS)
def test_growth_at_the_end_always_passes(bare: Path, seed: int) -> None:
    random = Random(seed)
    made = world(random)
    first = {message.name: len(message.fields) for message in made.messages}
    lock = _released(_load(bare, made))
    for _ in range(2):
        grown = changed(made, random, KIND)
        assert legal(made, grown)
        loaded = _load(bare, grown, lock)
        assert _broken(loaded) == set()
        for message in (one for one in loaded.spec.messages if one.name in first):
            assert [one.optional for one in message.fields] == [
                place >= first[message.name] for place in range(len(message.fields))
            ]
        made, lock = grown, _released(loaded)
    assert _released(_load(bare, made, lock)) == lock


@settings(max_examples=80 * TIMES, deadline=None, derandomize=True)
@given(seed=SEEDS)
def test_other_changes_pass_only_where_old_logs_keep_their_meaning(bare: Path, seed: int) -> None:
    random = Random(seed)
    made = world(random)
    lock = _released(_load(bare, made))
    other = changed(made, random, (*KIND, *CRUEL, *CRUEL))
    try:
        broken = _broken(_load(bare, other, lock))
    except SpecError:
        broken = {"the loader"}
    assert bool(broken) != legal(made, other), broken


@settings(max_examples=6 * TIMES, deadline=None, derandomize=True)
@given(seed=SEEDS)
def test_frames_of_every_release_are_read_by_the_last_and_the_first(bare: Path, seed: int) -> None:
    random = Random(seed)
    made = world(random)
    loaded = _load(bare, made)
    modules = [classes(loaded.spec)]
    for _ in range(2):
        lock = _released(loaded)
        made = changed(made, random, KIND)
        loaded = _load(bare, made, lock)
        modules.append(classes(loaded.spec))
    for old, new in ((0, 1), (1, 2), (0, 2)):
        read_both_ways(modules[old], modules[new])
