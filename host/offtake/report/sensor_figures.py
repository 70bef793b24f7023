"""The table of what a run's sensors measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from offtake.report import text
from offtake.report.draw_states import state_words
from offtake.report.measures import (
    NAME_MAX,
    column_words,
    digits_of,
    in_use,
    message_words,
    power_of,
    rates_of,
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
    """A row for the rates of pulses, and for each column of each message."""
    rows: list[Figures] = []
    for one in measured:
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
                name = _with_unit(words, scaled_unit(unit_of(column), power, 0.0))
                values = values / 10.0**power if power else values
                rows.append(_row(message, name, values, digits_of(values), one.frames if thinned else 0))
            else:
                rows.append(_words_row(message, _with_unit(words, unit_of(column)), one, column))
    return tuple(rows)


def _with_unit(name: str, unit: str) -> str:
    return f"{name}, {unit}" if unit else name


def _row(message: str, name: str, values: Floats, digits: int, thinned_from: int = 0) -> Figures:
    if not len(values):
        return Figures(message, name, "0", *(text.NONE,) * 5)
    first, last, least, greatest = (
        text.number(float(value), digits) for value in (values[0], values[-1], values.min(), values.max())
    )
    mean = text.number(float(values.mean()), min(9, digits + 1))
    # What was thinned kept its extremes, so its mean leans on them.
    count, mean = (text.whole(thinned_from), f"about {mean}") if thinned_from else (text.whole(len(values)), mean)
    return Figures(message, name, count, first, last, least, mean, greatest)


def _words_row(message: str, name: str, measured: Series, column: Column) -> Figures:
    told = np.flatnonzero(column.present)
    count = text.whole(measured.frames if measured.frames > len(measured.tick_us) else len(told))
    if column.kind not in ("word", "flags") or not len(told):
        return Figures(message, name, count, *(text.NONE,) * 5)
    first, last = (text.stranger(state_words(column, int(column.values[place])), NAME_MAX) for place in told[[0, -1]])
    return Figures(message, name, count, first, last, *(text.NONE,) * 3)
