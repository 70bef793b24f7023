"""A run's measurements, with what follows from them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from offtake.export.measured_plan import MeasuredPlan, plan_measured
from offtake.generated.records import Pressure, PressureConstants
from offtake.journal.clock import Clock
from offtake.journal.columns import NO_PAYLOADS, columns_of
from offtake.journal.measured import Series, read_batches
from offtake.journal.runs import RunInfo
from offtake.journal.salvage import Salvage
from offtake.sensors.derive import derive, pressure_constants


def measured_batches(
    found: Salvage, run: int, numbers: tuple[int, int] | None = None, clock: Clock | None = None
) -> Iterator[Series]:
    """Yield the measurements of ``run`` as :func:`offtake.journal.measured.read_batches` does, with derived columns; of
    the blocks from number ``numbers[0]`` to ``numbers[1]`` alone, if given, where ``clock`` knows the time before."""
    surveyed = found.survey()
    if not _measured_codes(found, run):
        return
    constants = _constants(found, run)[0]
    for batch in read_batches(found.frame_tables(run, numbers), run, surveyed.layouts, clock):
        yield derive(batch, constants, surveyed.start(run))


def measured_plan(found: Salvage, runs: Sequence[RunInfo]) -> MeasuredPlan:
    """The tables that the measurements of ``runs`` make."""
    codes = {info.run: _measured_codes(found, info.run) for info in runs}
    pairs = sorted((code, run) for run, of_run in codes.items() for code in of_run)
    return plan_measured(_head(found, run, code) for code, run in pairs)


def _head(found: Salvage, run: int, code: int) -> Series:
    """A series without rows."""
    layout = found.survey().layouts.of(run, code)
    assert layout is not None
    columns = columns_of(layout.message, NO_PAYLOADS)
    head = Series(run, code, layout.name, layout.origin, np.zeros(0, np.int64), columns, 0)
    return derive(head, _constants(found, run)[0])


def measured_notes(found: Salvage, run: int) -> tuple[str, ...]:
    """What is to be said of a run's measurements, in sentences."""
    surveyed = found.survey()
    notes = list(surveyed.notes(run))
    _, why = _constants(found, run)
    if why and surveyed.counts(run).get(Pressure.CODE) and surveyed.layouts.name(run, Pressure.CODE) == Pressure.NAME:
        notes.append(f"Run {run}: pressure and temperature stay raw readings: {why}.")
    return tuple(notes)


def _measured_codes(found: Salvage, run: int) -> list[int]:
    surveyed = found.survey()
    return [code for code in surveyed.counts(run) if surveyed.layouts.is_measurement(run, code)]


def _constants(found: Salvage, run: int) -> tuple[PressureConstants | None, str]:
    surveyed = found.survey()
    layout = surveyed.layouts.of(run, PressureConstants.CODE)
    named = layout is not None and layout.message.name == PressureConstants.NAME
    return pressure_constants(layout.message if layout and named else None, surveyed.constants(run))
