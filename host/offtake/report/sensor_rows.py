"""What the sensors measured, as rows of the table of figures, and as the answer made of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from offtake.report import text
from offtake.report.cells import Figure
from offtake.report.measures import (
    full_scale,
    in_use,
    is_own,
    message_words,
    pulse_rate,
    unit_of,
    values_at,
    voltage,
)

if TYPE_CHECKING:
    from offtake.journal.measured import Series
    from offtake.report.figures import RunFacts

OWN_MAX = 6
"""So many messages of one's own have a row and are named."""
_COUNTS = 2**32
_DIGITS = {"V": 3, "mV": 0, "hPa": 2, "°C": 2, "Hz": 2}
_INPUTS = (1, 2)


@dataclass(frozen=True)
class _Range:
    """What one quantity did in one run, in ``unit``."""

    unit: str
    least: float
    greatest: float
    last: float


def has_sensors(runs: Sequence[RunFacts]) -> bool:
    """Whether anything of sensors came, or is known to be missing."""
    return any(one.sensor_frames or one.sensor_losses for one in runs)


def sensor_rows(runs: Sequence[RunFacts]) -> tuple[Figure, ...]:
    """The rows of everything that some run has."""
    rows: list[Figure] = []
    for number in _INPUTS:
        found = _ranges(runs, "analogue", f"input_{number}_mv")
        if found:
            name = f"Analogue input {number}"
            rows += [_range(f"input_{number}", name, found, runs), _last(f"input_{number}_last", name, found, runs),
                     _full(number, runs)]  # fmt: skip
    if any(_kit(one, "event") is not None or getattr(one.run.info.start, "event_debounce_ms", 0) for one in runs):
        rows.append(_sum("events", "Events", runs, lambda one: _frames(_kit(one, "event"))))
    rates = {one.run.run: rate for one in runs if (rate := _rate(one)) is not None}
    if rates:
        rows.append(_range("pulse_rate", "Rate of pulses, by their count", rates, runs))
    if any(_kit(one, "pulses") is not None for one in runs):
        rows.append(_sum("pulses", "Pulses", runs, _pulses))
    for key, label, name in (
        ("pressure", "Pressure", "pressure_pa"),
        ("temperature", "Temperature of the pressure sensor", "temperature_c"),
    ):
        found = _ranges(runs, "pressure", name)
        if found:
            rows.append(_range(key, label, found, runs))
    for code, name in list(own_messages(runs).items())[:OWN_MAX]:
        rows.append(_sum(f"own_{code}", f"Frames of {name}", runs, _own_frames(code)))
    return tuple(rows)


def own_messages(runs: Sequence[RunFacts]) -> dict[int, str]:
    """Names, by code, of the messages that came and are not the kit's."""
    found = {each.code: message_words(each) for one in runs for each in one.run.measured if is_own(each)}
    return dict(sorted(found.items()))


def _own_frames(code: int) -> Callable[[RunFacts], int]:
    return lambda one: sum(each.frames for each in one.run.measured if each.code == code)


def _kit(one: RunFacts, name: str) -> Series | None:
    return next((each for each in one.run.measured if each.name == name and not is_own(each)), None)


def _frames(measured: Series | None) -> int:
    return 0 if measured is None else measured.frames


def _ranges(runs: Sequence[RunFacts], message: str, name: str) -> dict[int, _Range]:
    """Of each run that has any: what a column did."""
    found: dict[int, _Range] = {}
    for one in runs:
        measured = _kit(one, message)
        for column in () if measured is None else in_use(one.series, measured):
            if measured is not None and column.name == name and column.numeric:
                values = values_at(one.series, measured, column).values
                if len(values):
                    found[one.run.run] = _Range(unit_of(measured, column), float(values.min()), float(values.max()),
                                                float(values[-1]))  # fmt: skip
    return found


def _rate(one: RunFacts) -> _Range | None:
    measured = _kit(one, "pulses")
    rate = None if measured is None else pulse_rate(one.series, measured)
    if rate is None or not len(rate):
        return None
    values = rate.values
    return _Range("Hz", float(values.min()), float(values.max()), float(values[-1]))


def _pulses(one: RunFacts) -> int:
    """The count at the run's end; the logger's 32 bits may have come round."""
    measured = _kit(one, "pulses")
    column = None if measured is None else measured.column("count")
    # A log's own description may make of the count whatever it likes.
    if column is None or column.kind != "integer" or not column.present.any():
        return 0
    counts = column.values[column.present]
    return int(counts[-1]) + _COUNTS * int((np.diff(counts) < -_COUNTS // 2).sum())


def _sum(key: str, label: str, runs: Sequence[RunFacts], count: Callable[[RunFacts], int]) -> Figure:
    counts = {one.run.run: count(one) for one in runs}
    cells = {run: text.whole(value) for run, value in counts.items()}
    return Figure(key, label, text.whole(sum(counts.values())), cells)


def _range(key: str, label: str, found: dict[int, _Range], runs: Sequence[RunFacts]) -> Figure:
    """From the least to the greatest, of each run and of all."""
    every = _in_one_unit(list(found.values()))
    whole = _Range(every[0].unit, min(one.least for one in every), max(one.greatest for one in every), every[-1].last)
    return Figure(key, f"{label}, least to greatest", _span(whole), _cells(runs, found, _span))


def _last(key: str, label: str, found: dict[int, _Range], runs: Sequence[RunFacts]) -> Figure:
    return Figure(key, f"{label}, at the end", _end(list(found.values())[-1]), _cells(runs, found, _end))


def _cells(runs: Sequence[RunFacts], found: dict[int, _Range], words: Callable[[_Range], str]) -> dict[int, str]:
    return {one.run.run: words(found[one.run.run]) if one.run.run in found else text.NONE for one in runs}


def _full(number: int, runs: Sequence[RunFacts]) -> Figure:
    """The full scale that a run's settings gave an input; where runs differ there is none of all."""
    cells = {one.run.run: voltage(full_scale(one.series, number)) for one in runs}
    told = sorted(set(cells.values()) - {text.NONE})
    whole = told[0] if len(told) == 1 else text.NONE
    return Figure(f"input_{number}_full", f"Analogue input {number}, full scale as set", whole, cells)


def _in_one_unit(ranges: Sequence[_Range]) -> Sequence[_Range]:
    """One run's voltages may be told in millivolts, another's in volts."""
    if not any(one.unit == "V" for one in ranges):
        return ranges
    return [
        _Range("V", one.least / 1000, one.greatest / 1000, one.last / 1000) if one.unit == "mV" else one
        for one in ranges
    ]


def _span(one: _Range) -> str:
    digits = _DIGITS.get(one.unit, 2)
    least, greatest = text.number(one.least, digits), text.number(one.greatest, digits, one.unit)
    return greatest if text.number(one.greatest, digits) == least else f"{least} to {greatest}"


def _end(one: _Range) -> str:
    return text.number(one.last, _DIGITS.get(one.unit, 2), one.unit)
