"""What names one journal and is another recording never takes its place, nor is it taken for a copy."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest
from journal_maker import Maker
from offtake.cli import main
from offtake.collect.find import Candidate, reach_of
from offtake.collect.manifest import entry_of, entry_text
from offtake.collect.same import RUNGS, Ladder, others_among
from offtake.generated.records import BLOCK_SIZE
from offtake.jobs.collect import Settings, collect
from offtake.journal.bulk.window import scan_blocks
from offtake.journal.source import BytesSource
from season import counts, dataset_files, journal, put

HERE = Settings(workers=1)
OURS = journal(0xB1, "boat", (20, 6)).data
# The same logger's card, cloned when it had been prepared: the same id, header and run numbers, but another day's line.
OTHERS = journal(0xB1, "boat", (9, 30)).data
FORKED = journal(0xB1, "boat", (20, 25)).data


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "journals"
    made.mkdir()
    return made


def names_of(told: object) -> list[str]:
    return [Path(one.path).name for one in told]  # type: ignore[attr-defined]


def hurt(data: bytes, *blocks: int) -> bytes:
    spoilt = bytearray(data)
    for block in blocks:
        spoilt[block * BLOCK_SIZE + 100] ^= 0x55
    return bytes(spoilt)


# Collected


def test_another_recording_of_the_same_id_is_set_aside_and_never_lost(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(folder, "a.jnl", OURS)
    put(folder, "b.jnl", OTHERS)  # which reaches further
    put(folder, "c.jnl", OURS)
    put(folder, "d.jnl", FORKED)
    command = ["collect", str(folder), "-o", str(tmp_path / "season")]
    for _ in range(2):
        assert main([*command, "--json"]) == 1
        told = json.loads(capsys.readouterr().out)
        reason = f"another recording has the same journal id ({folder / 'a.jnl'})"
        assert told["set_aside"] == [{"path": str(folder / name), "text": reason} for name in ("b.jnl", "d.jnl")]
        assert [(one["path"], one["preferred"]) for one in told["copies"]] == [
            (str(folder / "c.jnl"), str(folder / "a.jnl"))
        ]
        assert told["rows"]["fixes"] == 26
    assert (told["taken"], told["unchanged"]) == (0, 1)
    assert main(command) == 1
    out = capsys.readouterr().out
    assert "taken 0, unchanged 1, moved 0, copies 1, set aside 2" in out
    assert "c.jnl" in out.split("copies\n")[1]
    # One day it is the only one of its dataset.
    assert collect(folder, tmp_path / "other", HERE).rows["fixes"] == 26


def test_the_one_taken_before_is_kept_though_another_comes_first_by_path(folder: Path, tmp_path: Path) -> None:
    put(folder, "b.jnl", OURS)
    collect(folder, tmp_path / "season", HERE)
    before = dataset_files(tmp_path / "season")
    put(folder, "a.jnl", OTHERS)
    for settings in (HERE, Settings(workers=1, again=True)):
        assert names_of(collect(folder, tmp_path / "season", settings).set_aside) == ["a.jnl"]
        assert dataset_files(tmp_path / "season") == before


def test_one_whose_file_is_gone_is_not_replaced_by_another(folder: Path, tmp_path: Path) -> None:
    path = put(folder, "a.jnl", OURS, age_s=9)
    collect(folder, tmp_path / "season", HERE)
    before = dataset_files(tmp_path / "season")
    put(folder, "a.jnl", OTHERS)
    result = collect(folder, tmp_path / "season", HERE)
    assert [told.text for told in result.set_aside] == [
        "another recording has the same journal id (collected from this file before)"
    ]
    assert dataset_files(tmp_path / "season") == before
    path.rename(folder / "z.jnl")
    assert names_of(collect(folder, tmp_path / "season", HERE).set_aside) == ["z.jnl"]
    put(folder, "a.jnl", OURS)
    assert counts(collect(folder, tmp_path / "season", HERE)) == (1, 0, 0, 0)


def test_copies_that_are_damaged_here_and_there_are_copies(folder: Path, tmp_path: Path) -> None:
    put(folder, "a.jnl", hurt(OURS, 3, 4))
    put(folder, "b.jnl", hurt(OURS, 7, len(OURS) // BLOCK_SIZE - 1))
    put(folder, "c.jnl", OURS)
    result = collect(folder, tmp_path / "season", HERE)
    assert (names_of(result.copies), result.set_aside) == (["a.jnl", "b.jnl"], ())


def test_of_a_journal_whose_part_and_file_are_gone_the_rest_stays(folder: Path, tmp_path: Path) -> None:
    path = put(folder, "a.jnl", OURS)
    put(folder, "z.jnl", journal(0xB9, "ship", (3,)).data)
    collect(folder, tmp_path / "season", HERE)
    path.unlink()
    before = dataset_files(tmp_path / "season")
    lost = next(name for name in before if name.endswith("b1.parquet"))
    (tmp_path / "season" / lost).unlink()
    for _ in range(2):
        result = collect(folder, tmp_path / "season", HERE)
        assert (result.journals, result.gone) == (2, (str(path),))
        assert [told.text for told in result.notes] == [
            f"of journal 000000b1 the dataset lacks {lost}; no file here has as much"
        ]
    # It comes back under another label: nothing of the old one stays.
    put(folder, "a.jnl", journal(0xB1, "tug", (20, 6)).data)
    result = collect(folder, tmp_path / "season", HERE)
    assert (result.taken, result.notes, result.gone) == (1, (), ())
    assert {name.split("/")[0] for name in dataset_files(tmp_path / "season")} == {"logger=tug", "logger=ship"}


# Told apart


def others(folder: Path, made: dict[str, bytes]) -> list[str]:
    copies = []
    for name, data in made.items():
        path = put(folder, name, data)
        copies.append((Candidate(str(path), len(data), 0), reach_of(str(path))))
    found = others_among(copies, {one.path for one, _ in copies}, None)
    return sorted(Path(copy[0].path).name for copy, _ in found)


def test_it_does_not_matter_in_which_order_they_are_found(folder: Path) -> None:
    made = {"a.jnl": journal(0xB1, "boat", (20,)).data, "b.jnl": FORKED, "c.jnl": OURS, "d.jnl": FORKED}
    for order in permutations(made):
        # The first by path is the beginning of both; what comes next decides.
        assert others(folder, {name: made[name] for name in order}) == ["c.jnl"]


def laps(*flights: tuple[int, int]) -> Maker:
    """A journal of 60 blocks, which has wrapped when these flights, each of a seed and so many blocks, are over."""
    made = Maker(60, 0xC1)
    for seed, blocks in flights:
        made.flight(random.Random(seed), blocks)
    return made


def test_laps_of_a_wrapped_journal(folder: Path) -> None:
    old, new = laps((1, 70)).whole(), laps((1, 70), (2, 20)).whole()
    assert others(folder, {"a.jnl": old, "b.jnl": new}) == []
    assert others(folder, {"b.jnl": old, "a.jnl": new}) == []
    # Another's blocks from number 71 on: they differ in 71 to 90, which both have.
    assert others(folder, {"a.jnl": new, "b.jnl": laps((1, 70), (3, 60)).whole()}) == ["b.jnl"]
    # Nothing in common, so nothing against it.
    assert others(folder, {"a.jnl": old, "b.jnl": laps((4, 70), (5, 130)).whole()}) == []


def test_one_changed_block_is_enough_and_no_damage_is(folder: Path) -> None:
    dice = random.Random(7)
    whole = laps((1, 50)).used()
    other = laps((1, 49), (2, 1)).used()
    for _ in range(10):
        at = dice.sample(range(1, 49), 12)
        worn, parted = hurt(whole, *at[:6]), bytearray(hurt(other, *at[6:]))
        assert others(folder, {"a.jnl": worn, "b.jnl": hurt(whole, *at[6:])}) == []
        lost = dice.choice(range(1, 49)) * BLOCK_SIZE
        assert others(folder, {"a.jnl": worn, "b.jnl": whole[:lost] + whole[lost + BLOCK_SIZE :]}) == []
        assert others(folder, {"a.jnl": worn, "b.jnl": bytes(parted)}) == ["b.jnl"]
        del parted[lost : lost + BLOCK_SIZE]
        assert others(folder, {"a.jnl": bytes(parted), "b.jnl": worn}) == ["b.jnl"]


def test_a_ladder_is_short_and_has_the_newest_and_comes_back_from_the_manifest(folder: Path, tmp_path: Path) -> None:
    for newest, blocks in ((1, 1), (64, 64), (65, 65), (2**31 + 5, 5_000), (700, 10**9)):
        ladder = Ladder(newest, blocks)
        span = min(newest, blocks)
        step = ladder._step
        assert span / step <= RUNGS + 1
        assert step == 1 or span / step > RUNGS / 2
    rungs = Ladder(len(OURS) // BLOCK_SIZE - 1, len(OURS) // BLOCK_SIZE)
    for table in scan_blocks(BytesSource(OURS), 0xB1, 0, len(OURS) // BLOCK_SIZE):
        rungs.add(table)
    put(folder, "a.jnl", OURS)
    collect(folder, tmp_path / "season", HERE)
    kept = next(line for line in _lines(tmp_path / "season") if line["line"] == "begin")["journal"]
    assert [tuple(pair) for pair in kept["seals"]] == list(rungs.rungs())
    assert len(kept["seals"]) > 5
    entry = entry_of(json.dumps(kept).encode())
    assert entry is not None
    assert entry_of(entry_text(entry)) == entry
    for bad in (-1, 2**32, 0.5, "x"):
        assert entry_of(json.dumps({**kept, "seals": [[1, bad]]}).encode()) is None


def _lines(season: Path) -> Iterator[dict[str, Any]]:
    for line in (season / "_offtake/manifest.jsonl").read_text().splitlines():
        yield json.loads(line)
