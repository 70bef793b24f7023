"""Leap seconds, GPS weeks, and a time scale that has neither jumps nor names: seconds since the GPS epoch.

Source: the table that PyPI's tzdata ships (``tzdata/zoneinfo/leapseconds``, from IERS Bulletin C). GPS time began on
1980-01-06 and does not count leap seconds; a week has 604,800 seconds.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from offtake.errors import InputOutputError

GPS_EPOCH = dt.datetime(1980, 1, 6, tzinfo=dt.UTC)
GPS_EPOCH_POSIX = int(GPS_EPOCH.timestamp())
WEEK_S = 604_800
DAY_S = 86_400

_LEAP = re.compile(r"Leap\s+(\d{4})\s+(\w{3})\s+(\d{1,2})\s+(\d\d):(\d\d):(\d\d)\s+([+-])\s+[SR]")
_EXPIRES = re.compile(r"#expires\s+(\d+)")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True)
class LeapTable:
    """``since_posix[i]``: POSIX second from which GPS minus UTC is ``gps_minus_utc_s[i]``, until ``expires``."""

    since_posix: tuple[int, ...]
    gps_minus_utc_s: tuple[int, ...]
    expires: dt.datetime | None


@cache
def leap_table() -> LeapTable:
    """The installed table. Raises :class:`~offtake.errors.InputOutputError` when it is missing or unreadable."""
    try:
        text = (resources.files("tzdata") / "zoneinfo" / "leapseconds").read_text(encoding="utf-8")
    except (OSError, ModuleNotFoundError) as error:
        raise InputOutputError(f"no table of leap seconds: {error}", expected="the package tzdata") from error
    return parse_leap_table(text)


def parse_leap_table(text: str) -> LeapTable:
    """Read a table in tzdata's form; lines that are not understood are passed over."""
    since, offsets, total = [GPS_EPOCH_POSIX], [0], 0
    for line in text.splitlines():
        found = _LEAP.match(line)
        if not found:
            continue
        moment = dt.datetime(int(found[1]), _MONTHS.index(found[2]) + 1, int(found[3]), tzinfo=dt.UTC)
        # The line names the leap second itself, 23:59:60; the new offset holds from the midnight after it.
        posix = int(moment.timestamp()) + DAY_S
        if posix <= GPS_EPOCH_POSIX:
            continue
        total += 1 if found[7] == "+" else -1
        since.append(posix)
        offsets.append(total)
    expires = _EXPIRES.search(text)
    return LeapTable(
        tuple(since), tuple(offsets), dt.datetime.fromtimestamp(int(expires[1]), dt.UTC) if expires else None
    )


def leap_at(moment: dt.datetime) -> int:
    """GPS minus UTC at ``moment`` (aware), in seconds; before 1980 it is 0."""
    table = leap_table()
    index = int(np.searchsorted(table.since_posix, moment.timestamp(), side="right")) - 1
    return table.gps_minus_utc_s[max(0, index)]


def gps_from_posix(posix_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Seconds since the GPS epoch for POSIX seconds (UTC without leap seconds), same shape."""
    table = leap_table()
    index = np.searchsorted(table.since_posix, posix_s, side="right") - 1
    offset: NDArray[np.float64] = np.array(table.gps_minus_utc_s, dtype=np.float64)[np.maximum(index, 0)]
    return posix_s - GPS_EPOCH_POSIX + offset


def posix_from_gps(gps_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """POSIX seconds for seconds since the GPS epoch, same shape; a leap second is shown as the second after it, which
    so comes twice."""
    table = leap_table()
    since_gps = np.array(table.since_posix) - GPS_EPOCH_POSIX + np.array(table.gps_minus_utc_s)
    index = np.searchsorted(since_gps, gps_s, side="right") - 1
    offset: NDArray[np.float64] = np.array(table.gps_minus_utc_s, dtype=np.float64)[np.maximum(index, 0)]
    return gps_s + GPS_EPOCH_POSIX - offset
