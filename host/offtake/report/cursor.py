"""What the time cursor reads out: each quantity's least and greatest value in each column of the time axis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from offtake.export.values import iso_utc
from offtake.report.draw_map import Way
from offtake.report.draw_states import States, cursor_row
from offtake.report.draw_time import Plot, Quantity
from offtake.report.series import Floats, RunSeries, Values
from offtake.report.thin import columns_of

COLUMNS = 360
_EACH_MAX = 3
_NAMES = {"late": "late by", "card": "card busy", "cn0": "C/N0"}


def cursor_data(series: RunSeries, plots: Sequence[Plot | States], way: Way) -> dict[str, Any]:
    """JSON for the page's script. Values are rounded to the digits their picture tells; ``null`` is none there, and for
    ``greatest`` the same as ``least``. ``east`` and ``north`` are the place, on the track's
    picture, of the column's last fix that no glitch doubts. ``minor`` rows are left out where there is little room;
    those with ``words`` tell places in that list."""
    rows: list[dict[str, Any]] = []
    for plot in plots:
        if isinstance(plot, States):
            rows.append(cursor_row(plot, series.length_s, COLUMNS))
            continue
        for place, one in enumerate(_read_out(plot)):
            found = columns_of(one.values, series.length_s, COLUMNS)
            least, greatest = _rounded(found.least, plot.digits), _rounded(found.greatest, plot.digits)
            rows.append({
                "name": _name(plot, one),
                "unit": "" if plot.counted else plot.unit,
                "digits": plot.digits,
                "hold": plot.sparse,
                "minor": place > 0,
                "least": least,
                "greatest": [None if high == low else high for low, high in zip(least, greatest, strict=True)],
            })  # fmt: skip
    start = series.clock.start_utc
    east, north = _places(series, way)
    return {
        "length": round(series.length_s, 3),
        "columns": COLUMNS,
        "start": None if start is None else iso_utc(start.replace(microsecond=start.microsecond // 1000 * 1000)),
        "east": east,
        "north": north,
        "rows": rows,
    }


def _read_out(plot: Plot) -> Sequence[Quantity]:
    """The quantities that are told. The quartiles' own figures, or those of each of many elements, would only fill the
    line."""
    if plot.band:
        return plot.told[:1]
    if len(plot.told) <= _EACH_MAX:
        return plot.told
    seconds, values = (np.concatenate(parts) for parts in zip(*(
        (one.values.seconds, one.values.values) for one in plot.told
    ), strict=True))  # fmt: skip
    return (Quantity("first", f"all {len(plot.told)}", Values(seconds, values)),)


def _name(plot: Plot, one: Quantity) -> str:
    name = plot.said or _NAMES.get(plot.name, plot.name)
    return f"{name} {one.label}" if len(plot.told) > 1 and not plot.band else name


def _places(series: RunSeries, way: Way) -> tuple[list[float | None], list[float | None]]:
    """East and north of the last undoubted fix in each column, metres."""
    sound = ~way.doubted
    seconds = series.seconds[way.index[sound]]
    place = np.clip(np.floor(seconds / series.length_s * COLUMNS), 0, COLUMNS - 1).astype(np.int64)
    east, north = np.full(COLUMNS, np.nan), np.full(COLUMNS, np.nan)
    east[place], north[place] = way.east[sound], way.north[sound]
    return _rounded(east, 1), _rounded(north, 1)


def _rounded(values: Floats, digits: int) -> list[float | None]:
    return [None if np.isnan(value) else round(float(value), digits) for value in values]
