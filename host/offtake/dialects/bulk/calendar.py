"""Days of the calendar, many at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk.buffer import Bools, Ints
from offtake.dialects.fields import YEAR_MAX, YEAR_MIN

Days = NDArray[np.datetime64]


def days_of(year: Ints, month: Ints, day: Ints) -> tuple[Days, Bools]:
    """The days (datetime64[D]), and where they exist within the years that a receiver can mean."""
    sensible = (year >= YEAR_MIN) & (year <= YEAR_MAX) & (month >= 1) & (month <= 12)
    months = (np.where(sensible, year, YEAR_MIN) - 1970) * 12 + np.where(sensible, month, 1) - 1
    first = months.astype("datetime64[M]").astype("datetime64[D]")
    following = (months + 1).astype("datetime64[M]").astype("datetime64[D]")
    length = (following - first).astype(np.int64)
    valid = sensible & (day >= 1) & (day <= length)
    return first + np.where(valid, day - 1, 0).astype("timedelta64[D]"), valid
