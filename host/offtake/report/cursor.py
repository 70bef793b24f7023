"""What the time cursor reads out: each quantity's least and greatest value in each column of the time axis."""

from __future__ import annotations

from typing import Any

import numpy as np

from offtake.export.values import iso_utc
from offtake.report.draw_time import plots_of
from offtake.report.series import RunSeries
from offtake.report.thin import Floats, columns_of

COLUMNS = 240
_QUIET = ("card", "supply")


def cursor_data(series: RunSeries) -> dict[str, Any]:
    """JSON for the page's script. Values are rounded to the digits their picture tells; ``null`` is none there."""
    rows = []
    for plot in plots_of(series):
        for one in plot.told:
            found = columns_of(one.values, series.length_s, COLUMNS)
            unit = "" if plot.unit in ("1", "satellites") else plot.unit
            rows.append({
                "name": f"{plot.heading}, {one.label}" if len(plot.told) > 1 else plot.heading,
                "unit": unit,
                "digits": plot.digits,
                "hold": plot.name in _QUIET,
                "least": _rounded(found.least, plot.digits),
                "greatest": _rounded(found.greatest, plot.digits),
            })  # fmt: skip
    start = series.clock.start_utc
    return {
        "length": round(series.length_s, 3),
        "columns": COLUMNS,
        "start": None if start is None else iso_utc(start.replace(microsecond=0)),
        "rows": rows,
    }


def _rounded(values: Floats, digits: int) -> list[float | None]:
    return [None if np.isnan(value) else round(float(value), digits) for value in values]
