"""Batches of measurements frame by frame, as they were before tables: the oracle of :mod:`offtake.journal.measured`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
from frame_tables import payloads_of
from offtake.journal import measured
from offtake.journal.columns import columns_of, width
from offtake.journal.frames import Frame
from offtake.journal.layouts import Layouts
from offtake.journal.measured import Series
from offtake.journal.twins import Twins
from scalar_frames import timed_frames


def scalar_batches(frames: Iterable[Frame], run: int, layouts: Layouts) -> Iterator[Series]:
    """Yield the measurements in ``frames``, all those of run number ``run`` in order, in batches of one message each.

    Messages without a layout (see :meth:`Layouts.of`) are passed over, and so are the logger's own. A frame that the
    log holds twice, because the card refused a block that it had in truth taken, comes once. Memory does not grow with
    the log: no batch has more than :data:`ROWS_AT_ONCE` rows or :data:`CELLS_AT_ONCE` values.
    """
    pending: dict[int, _Pending] = {}
    rows_max: dict[int, int] = {}
    twins = Twins()
    rows = size = 0
    for tick_us, frame in timed_frames(frames):
        if frame.code not in rows_max:
            rows_max[frame.code] = _rows_max(run, frame.code, layouts)
        if not rows_max[frame.code] or twins.repeats(frame):
            continue
        one = pending.setdefault(frame.code, _Pending())
        one.add(tick_us, frame.payload)
        rows += 1
        size += len(frame.payload)
        if len(one.ticks) >= rows_max[frame.code]:
            del pending[frame.code]
            rows -= len(one.ticks)
            size -= one.size_bytes
            yield one.series(run, frame.code, layouts)
        if rows >= measured.ROWS_AT_ONCE or size >= measured.BYTES_AT_ONCE:
            code = max(pending, key=lambda one: pending[one].size)
            full = pending.pop(code)
            rows -= len(full.ticks)
            size -= full.size_bytes
            yield full.series(run, code, layouts)
    for code, rest in sorted(pending.items()):
        yield rest.series(run, code, layouts)


def _rows_max(run: int, code: int, layouts: Layouts) -> int:
    """How many rows a batch of message ``code`` may have; 0 where it is no measurement."""
    found = layouts.of(run, code) if layouts.is_measurement(run, code) else None
    return 0 if found is None else max(1, measured.CELLS_AT_ONCE // max(1, width(found.message)))


@dataclass
class _Pending:
    ticks: list[int] = field(default_factory=list)
    payloads: list[bytes] = field(default_factory=list)
    size_bytes: int = 0

    @property
    def size(self) -> tuple[int, int]:
        return self.size_bytes + len(self.ticks), len(self.ticks)

    def add(self, tick_us: int, payload: bytes) -> None:
        self.ticks.append(tick_us)
        self.payloads.append(payload)
        self.size_bytes += len(payload)

    def series(self, run: int, code: int, layouts: Layouts) -> Series:
        found = layouts.of(run, code)
        assert found is not None
        ticks = np.array(self.ticks, dtype=np.int64)
        columns = columns_of(found.message, payloads_of(self.payloads))
        return Series(run, code, found.name, found.origin, ticks, columns, len(ticks))
