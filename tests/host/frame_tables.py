"""Frames made by hand, as the tables that readers take."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice

import numpy as np
from offtake.journal.bulk.frames import FrameTable, table_of
from offtake.journal.columns import Payloads
from offtake.journal.frames import Frame

ROWS = 4096


def frame_table(frames: Iterable[Frame]) -> FrameTable:
    """One table of them all; its ``data`` holds nothing but their payloads."""
    every = list(frames)
    payloads = payloads_of([frame.payload for frame in every])
    table = table_of(every, payloads.data, every[0].journal_id if every else 0, [0] * len(every))
    return replace(table, payload_at=payloads.places)


def payloads_of(payloads: Sequence[bytes]) -> Payloads:
    """Payloads one after the other."""
    sizes = np.array([len(payload) for payload in payloads], dtype=np.int64)
    return Payloads(b"".join(payloads), np.cumsum(sizes) - sizes, sizes)


def frame_tables(frames: Iterable[Frame], rows: int = ROWS) -> Iterator[FrameTable]:
    """Tables of so many rows each."""
    iterator = iter(frames)
    while part := list(islice(iterator, rows)):
        yield frame_table(part)
