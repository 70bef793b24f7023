"""The events of a run from tables of frames are those told frame by frame, whatever is damaged; and given in pieces."""

from __future__ import annotations

import random
from collections import Counter

import numpy as np
import pytest
from damage_ways import WAYS, damaged
from offtake.journal.bulk import window
from offtake.journal.bulk.times import timed_tables
from offtake.journal.events import Story, run_story
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from scalar_events import scalar_story


@pytest.mark.parametrize("seed", range(40))
def test_events_are_those_of_the_frames(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = random.Random(seed)
    monkeypatch.setattr(window, "WINDOW_BLOCKS", rng.choice((1, 3, 16, 8192)))
    found = salvage(BytesSource(damaged(seed, *rng.sample(WAYS, rng.choice((0, 1, 2))))))
    for info in found.runs():
        assert run_story(found.frame_tables(info.run), info.run) == scalar_story(found.frames(info.run), info.run)


def test_taken_in_pieces_they_come_once() -> None:
    told: Counter[str] = Counter()
    for seed in range(5):
        rng = random.Random(seed)
        found = salvage(BytesSource(damaged(seed, *rng.sample(WAYS, 2))))
        for info in found.runs():
            whole, end_us = run_story(found.frame_tables(info.run), info.run)
            story, pieces = Story(info.run), []
            for table, times_us in timed_tables(found.frame_tables(info.run)):
                # Row by row, so that pieces end anywhere.
                for row in range(len(table)):
                    story.add(table.taken(np.array([row])), times_us[row : row + 1])
                    until_us = int(times_us[row]) - rng.randrange(2_000_000)
                    taken = story.taken(until_us)
                    assert all(event.tick_us < until_us for event in taken)
                    pieces += taken
            pieces += story.taken(2**63 - 1)
            assert story.events() == ()
            assert Counter(pieces) == Counter(whole)
            assert story.end_tick_us == end_us
            told.update(event.kind for event in whole)
    assert min(told[kind] for kind in ("run_start", "loss", "damage", "event")) > 0
