"""Columns that follow from others: what a sensor's raw readings mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from offtake.errors import UsageError
from offtake.generated.records import Analogue, Pressure, PressureConstants, RunStart
from offtake.journal.columns import Column
from offtake.journal.description import DescribedMessage
from offtake.journal.measured import Series
from offtake.sensors.pressure import compensate


def pressure_constants(
    message: DescribedMessage | None, payloads: Sequence[bytes]
) -> tuple[PressureConstants | None, str]:
    """The pressure part's constants from a run's ``payloads`` of them, read as ``message``; or None and why there are
    none that hold, in words."""
    if not payloads or message is None:
        return None, "the run does not hold the part's constants"
    if len(payloads) > 1:
        return None, "the run holds different constants of the part"
    values = message.decode(payloads[0])[1]
    numbers = {one.name: values.get(one.name) for one in fields(PressureConstants)}
    whole = {name: value for name, value in numbers.items() if isinstance(value, int)}
    if len(whole) != len(numbers):
        return None, "some constants are missing"
    constants = PressureConstants(**whole)
    try:
        constants.encode()
    except UsageError as error:
        return None, str(error)
    return constants, ""


def derive(series: Series, constants: PressureConstants | None, start: RunStart | None = None) -> Series:
    """``series`` with what follows from its columns and from its run.

    The pressure part's readings get ``pressure_pa`` and ``temperature_c``, where there are ``constants``. An analogue
    input that is off by the run's ``start`` has no values: what the logger writes there means nothing. Any other series
    comes back as it is.
    """
    if (series.code, series.name) == (Analogue.CODE, Analogue.NAME) and start is not None:
        return _without_inputs_off(series, start)
    if (series.code, series.name) == (Pressure.CODE, Pressure.NAME) and constants is not None:
        return _compensated(series, constants)
    return series


def _without_inputs_off(series: Series, start: RunStart) -> Series:
    off = {
        name
        for name, full_mv in (("input_1_mv", start.analogue_1_full_mv), ("input_2_mv", start.analogue_2_full_mv))
        if full_mv == 0
    }
    columns = tuple(
        replace(column, present=np.zeros_like(column.present)) if column.field in off else column
        for column in series.columns
    )
    return replace(series, columns=columns)


def _compensated(series: Series, constants: PressureConstants) -> Series:
    pressure, temperature = series.column("pressure_raw"), series.column("temperature_raw")
    if pressure is None or temperature is None or {pressure.kind, temperature.kind} != {"integer"}:
        return series
    found = compensate(constants, temperature.values, pressure.values)
    present = pressure.present & temperature.present & found.valid
    taken = {column.name for column in series.columns}
    made = (
        _derived("pressure_pa", "Pa", found.pressure_pa, present),
        _derived("temperature_c", "degC", found.temperature_c, present),
    )
    return replace(series, columns=(*series.columns, *(column for column in made if column.name not in taken)))


def _derived(name: str, unit: str, values: NDArray[np.float64], present: NDArray[np.bool_]) -> Column:
    return Column(name, name, unit, "number", values, present, derived=True)
