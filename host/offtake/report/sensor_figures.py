"""The table of what a run's sensors measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from offtake.report import text
from offtake.report.draw_states import state_words
from offtake.report.draw_time import only_grows
from offtake.report.measures import (
    NAME_MAX,
    column_words,
    digits_of,
    in_use,
    message_words,
    power_of,
    rates_of,
    superseded,
    told_once,
    unit_of,
    values_at,
)
from offtake.report.pen import scaled_unit
from offtake.report.series import Floats, RunSeries

if TYPE_CHECKING:
    from offtake.journal.columns import Column
    from offtake.journal.measured import Series


@dataclass(frozen=True)
class Figures:
    """One row of the table of what was measured: of ``message`` the quantity ``name``, with its unit; the rest are
    figures as text. ``count`` is that of the frames that have it."""

    message: str
    name: str
    count: str
    first: str
    last: str
    least: str
    mean: str
    greatest: str


def figures_of(series: RunSeries, measured: Sequence[Series]) -> tuple[Figures, ...]:
    """A row for the rates of pulses, and for each column of each message that was told more than once."""
    rows: list[Figures] = []
    for one in measured:
        if told_once(one):
            continue
        message, thinned = message_words(one), one.frames > len(one.tick_us)
        for plot in rates_of(series, one):
            rows += [
                _row(message, f"rate {quantity.label}, {plot.unit}", quantity.values.values, plot.digits)
                for quantity in plot.quantities
            ]
        for column in in_use(series, one):
            words = column_words(one, column)
            if column.numeric:
                values = values_at(series, one, column).values
                power = power_of(values)
                name = _with_unit(words, scaled_unit(unit_of(one, column), power, 0.0))
                values = values / 10.0**power if power else values
                rows.append(_row(message, name, values, digits_of(values), one.frames if thinned else 0,
                                 counter=_counts(one, column, values)))  # fmt: skip
            else:
                rows.append(_words_row(message, _with_unit(words, unit_of(one, column)), one, column))
    return tuple(rows)


@dataclass(frozen=True)
class Constants:
    """What was told once: of ``message`` names with units, and values, as text."""

    message: str
    values: tuple[tuple[str, str], ...]


def constants_of(series: RunSeries, measured: Sequence[Series]) -> tuple[Constants, ...]:
    """The values of each message that was told once."""
    return tuple(
        Constants(message_words(one), tuple(
            (_with_unit(column_words(one, column), unit_of(one, column)), _value(series, one, column))
            for column in in_use(series, one)
        )) for one in measured if told_once(one)
    )  # fmt: skip


def _value(series: RunSeries, measured: Series, column: Column) -> str:
    if not column.present[0]:
        return text.NONE
    if column.numeric:
        values = values_at(series, measured, column).values
        # Very large and very small ones as powers of ten.
        return text.NONE if not len(values) else _plain(float(values[0]))
    if column.kind in ("word", "flags"):
        return text.stranger(state_words(column, int(column.values[0])), NAME_MAX)
    return text.stranger(column.texts()[0] or "", NAME_MAX) or text.NONE


def _plain(value: float) -> str:
    one = np.array([value])
    return f"{value:.6g}" if power_of(one) else text.number(value, digits_of(one))


def _counts(measured: Series, column: Column, values: Floats) -> bool:
    """Whether a column only counts up; a raw reading may do so by chance."""
    return not superseded(measured, column) and only_grows(values, unit_of(measured, column))


def _with_unit(name: str, unit: str) -> str:
    return f"{name}, {unit}" if unit else name


def _row(
    message: str, name: str, values: Floats, digits: int, thinned_from: int = 0, *, counter: bool = False
) -> Figures:
    if not len(values):
        return Figures(message, name, "0", *(text.NONE,) * 5)
    first, last, least, greatest = (
        text.number(float(value), digits) for value in (values[0], values[-1], values.min(), values.max())
    )
    mean = text.number(float(values.mean()), min(9, digits + 1))
    # What was thinned kept its extremes, so its mean leans on them.
    count, mean = (text.whole(thinned_from), f"about {mean}") if thinned_from else (text.whole(len(values)), mean)
    # What only counts up has no mean that says anything.
    mean = text.NONE if counter else mean
    return Figures(message, name, count, first, last, least, mean, greatest)


def _words_row(message: str, name: str, measured: Series, column: Column) -> Figures:
    told = np.flatnonzero(column.present)
    count = text.whole(measured.frames if measured.frames > len(measured.tick_us) else len(told))
    if column.kind not in ("word", "flags") or not len(told):
        return Figures(message, name, count, *(text.NONE,) * 5)
    first, last = (text.stranger(state_words(column, int(column.values[place])), NAME_MAX) for place in told[[0, -1]])
    return Figures(message, name, count, first, last, *(text.NONE,) * 3)
