"""Measurements out of tables are those out of frames: the same batches, with the same times and values."""

from __future__ import annotations

import random
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from damage_ways import WAYS, damaged
from frame_tables import frame_tables
from offtake.journal import measured
from offtake.journal.bulk import window
from offtake.journal.frames import Frame
from offtake.journal.layouts import Layouts
from offtake.journal.measured import Series, read_batches
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from offtake.native import OFF
from scalar_measured import scalar_batches

Way = Callable[[bytearray, random.Random], None]


def of_message(batches: list[Series]) -> list[tuple[object, ...]]:
    """Everything in batches, those of each message in order."""
    told = []
    for batch in sorted(batches, key=lambda one: one.code):
        columns = [
            (
                one.name,
                one.kind,
                one.unit,
                one.choices,
                one.present.tolist(),
                np.where(one.present, one.values, None).tolist(),
            )
            for one in batch.columns
        ]
        told.append((batch.code, batch.name, batch.layout, batch.run, batch.frames, batch.tick_us.tolist(), columns))
    return told


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)
@pytest.mark.parametrize("seed", range(3))
def test_of_damaged_journals(way: Way, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = random.Random(seed)
    monkeypatch.setenv(OFF, rng.choice(("", "1")))
    monkeypatch.setattr(window, "WINDOW_BLOCKS", rng.choice((1, 3, 8192)))
    for name, most in (("ROWS_AT_ONCE", (7, 50)), ("BYTES_AT_ONCE", (60, 500)), ("CELLS_AT_ONCE", (2, 40))):
        monkeypatch.setattr(measured, name, rng.choice((*most, getattr(measured, name))))
    found = salvage(BytesSource(damaged(seed, way, rng.choice(WAYS))))
    layouts = found.survey().layouts
    for info in found.runs():
        batches = list(read_batches(found.frame_tables(info.run), info.run, layouts))
        expected = list(scalar_batches(found.frames(info.run), info.run, layouts))
        assert of_message(batches) == of_message(expected)


def twins(rng: random.Random) -> list[Frame]:
    """Frames of a few messages of which blocks hold some again, with and without a tick."""
    found: list[Frame] = []
    before: list[Frame] = []
    tick = rng.randrange(2**32)
    for number in range(1, 60):
        again = (
            [one._replace(block_number=number) for one in before if rng.random() < 0.6] if rng.random() < 0.4 else []
        )
        fresh = []
        for _ in range(rng.randrange(4)):
            tick += rng.choice((0, 1, 5000))
            code, payload = rng.choice(((9, b"\1\0\0"), (9, b""), (8, rng.randbytes(4)), (5, b"abcd"), (2, b"$")))
            sure = rng.random() < 0.9
            fresh.append(
                Frame(number, 512 * number, 9, 1, number, code, 0, payload, 1, tick % 2**32 if sure else None, 1, None,
                      sure, False)
            )  # fmt: skip
        before = [*again, *fresh]
        found += [one._replace(position=number, offset=512 * number + 17 + n) for n, one in enumerate(before)]
    return found


@pytest.mark.parametrize("seed", range(20))
def test_of_blocks_that_were_written_twice(seed: int) -> None:
    rng = random.Random(seed)
    frames = twins(rng)
    # All frames of a block are in one table.
    bounds = sorted(
        {
            0,
            len(frames),
            *(
                n
                for n in range(1, len(frames))
                if frames[n].block_number != frames[n - 1].block_number and rng.random() < 0.3
            ),
        }
    )
    tables = [table for a, b in pairwise(bounds) for table in frame_tables(frames[a:b])]
    batches = list(read_batches(tables, 1, Layouts()))
    assert of_message(batches) == of_message(list(scalar_batches(frames, 1, Layouts())))
