"""GPS time, weeks and leap seconds against published values.

Sources: the table of leap seconds in PyPI's tzdata (IERS Bulletin C); the dates of the GPS epoch and of the week
roll-overs and the week numbers below were computed from them (computed).
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from offtake.track.leap import DAY_S, GPS_EPOCH, WEEK_S, gps_from_posix, leap_at, leap_table, posix_from_gps


def posix(year: int, month: int, day: int) -> float:
    return dt.datetime(year, month, day, tzinfo=dt.UTC).timestamp()


def test_the_gps_epoch_and_the_offset_since_2017() -> None:
    assert dt.datetime(1980, 1, 6, tzinfo=dt.UTC) == GPS_EPOCH
    assert leap_at(dt.datetime(2016, 12, 31, 23, 59, 59, tzinfo=dt.UTC)) == 17
    assert leap_at(dt.datetime(2017, 1, 1, tzinfo=dt.UTC)) == 18
    assert leap_at(dt.datetime(2024, 1, 1, tzinfo=dt.UTC)) == 18
    assert leap_at(GPS_EPOCH) == 0


@pytest.mark.parametrize(
    ("date", "week", "second"), [((2017, 1, 1), 1930, 18), ((2024, 1, 1), 2295, 86_418)], ids=["2017", "2024"]
)
def test_published_week_numbers(date: tuple[int, int, int], week: int, second: int) -> None:
    gps = float(gps_from_posix(np.array([posix(*date)]))[0])
    assert divmod(gps, WEEK_S) == (week, second)


@pytest.mark.parametrize(("date", "week"), [((1999, 8, 22), 1024), ((2019, 4, 7), 2048), ((2038, 11, 21), 3072)])
def test_week_roll_overs(date: tuple[int, int, int], week: int) -> None:
    """The day on which the 10-bit week number is 0 again; it begins some leap seconds before midnight UTC."""
    gps = float(gps_from_posix(np.array([posix(*date)]))[0])
    assert gps // WEEK_S == week
    assert gps % WEEK_S < DAY_S


def test_there_and_back_over_every_leap_second() -> None:
    for since in leap_table().since_posix[1:]:
        around = since + np.array([-2.0, -1.0, 0.0, 1.0])
        gps = gps_from_posix(around)
        assert np.diff(gps).tolist() == [1.0, 2.0, 1.0]
        assert posix_from_gps(gps).tolist() == around.tolist()
        # The leap second itself shows as the second after it.
        assert posix_from_gps(gps[1:2] + 1.0)[0] == since


def test_the_table_says_how_long_it_is_good() -> None:
    expires = leap_table().expires
    assert expires is not None
    assert expires > dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
