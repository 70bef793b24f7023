"""Long series made as short as the picture is wide, without losing a spike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.report.series import Values

Floats = NDArray[np.float64]

_EVEN, _EVEN_SHARE = 0.25, 0.75


@dataclass(frozen=True)
class Thinned:
    """A line ready to draw, ``nan`` where it is broken, and the points that stand alone. ``thinned`` says that columns
    of the picture were drawn from their least to their greatest value instead of value by value."""

    x: Floats
    y: Floats
    alone_x: Floats
    alone_y: Floats
    thinned: bool


@dataclass(frozen=True)
class Columns:
    """Of each of a picture's columns the least and greatest value; ``nan`` where it has none."""

    least: Floats
    greatest: Floats


def columns_of(series: Values, length_s: float, columns: int) -> Columns:
    """Return what ``series`` does in each of ``columns`` equal parts of an axis from 0 to ``length_s``."""
    least, greatest = np.full(columns, np.inf), np.full(columns, -np.inf)
    place = _places(series.seconds, length_s, columns)
    np.minimum.at(least, place, series.values)
    np.maximum.at(greatest, place, series.values)
    least[np.isinf(least)] = np.nan
    greatest[np.isinf(greatest)] = np.nan
    return Columns(least, greatest)


def thin(series: Values, length_s: float, columns: int, pause_s: float | None = None) -> Thinned:
    """Return ``series`` as a line over an axis from 0 to ``length_s``, at most about two points a column.

    It is broken where values are further apart than ``pause_s``, by default three times the usual distance and half a
    second more. Each column that holds several values becomes a stroke from the least to the greatest of them.
    """
    x, y = series.seconds, series.values
    if not len(x):
        return Thinned(x, y, x, y, False)
    steps = np.diff(x)
    if pause_s is None:
        pause_s = usual_pause_s(x)
    piece = np.concatenate(([0], np.cumsum((steps > pause_s) | (steps < 0))))
    dense = len(x) > 2 * columns
    if dense:
        x, y, piece = _strokes(x, y, piece, _places(x, length_s, columns))
    return _broken(x, y, piece, dense)


def usual_pause_s(seconds: Floats) -> float:
    """The time between values past which a line over them is broken: three times the usual one and half a second."""
    return 3.0 * float(np.median(np.diff(seconds))) + 0.5 if len(seconds) > 1 else 0.0


def sensor_pause_s(seconds: Floats) -> float:
    """The same for sensors, which come at a pace that is set: two and a half times the usual time, so that two missing
    values in a row are a gap."""
    return 2.5 * float(np.median(np.diff(seconds))) if len(seconds) > 1 else 0.0


def even_pace(seconds: Floats) -> bool:
    """Whether values come at an even pace: three in four steps within a quarter of the usual one. With fewer than five
    values that cannot be told, and is taken for no."""
    if len(seconds) < 5:
        return False
    steps = np.diff(seconds)
    usual = float(np.median(steps))
    return float((np.abs(steps - usual) <= _EVEN * usual).mean()) >= _EVEN_SHARE


def _places(seconds: Floats, length_s: float, columns: int) -> NDArray[np.int64]:
    place = np.floor(np.clip(seconds / length_s, 0.0, 1.0) * columns).astype(np.int64)
    return np.minimum(place, columns - 1)


def _strokes(
    x: Floats, y: Floats, piece: NDArray[np.int64], place: NDArray[np.int64]
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Two points, least and greatest in the order they came, for each stretch of values in one column and one piece."""
    starts = np.flatnonzero(np.concatenate(([True], (np.diff(place) != 0) | (np.diff(piece) != 0))))
    # A hostile log may jump to and fro between columns; then the pieces within a column are joined.
    if len(starts) > 4 * (int(place.max()) + 1):
        order = np.argsort(place, kind="stable")
        x, y, place = x[order], y[order], place[order]
        piece = np.zeros_like(place)
        starts = np.flatnonzero(np.concatenate(([True], np.diff(place) != 0)))
    least, greatest = np.minimum.reduceat(y, starts), np.maximum.reduceat(y, starts)
    sizes = np.diff(np.concatenate((starts, [len(y)])))
    middle = x[starts + sizes // 2]
    rising = y[starts + sizes - 1] >= y[starts]
    pair = np.where(rising[:, None], np.stack((least, greatest), 1), np.stack((greatest, least), 1))
    single = sizes == 1
    keep = np.stack((np.ones(len(starts), dtype=bool), ~single), 1).ravel()
    return np.repeat(middle, 2)[keep], pair.ravel()[keep], np.repeat(piece[starts], 2)[keep]


def _broken(x: Floats, y: Floats, piece: NDArray[np.int64], dense: bool) -> Thinned:
    """Put ``nan`` between pieces, and take the points out that are a piece alone."""
    turns = np.flatnonzero(np.diff(piece) != 0) + 1
    sizes = np.diff(np.concatenate(([0], turns, [len(x)])))
    starts = np.concatenate(([0], turns))
    alone = starts[sizes == 1]
    return Thinned(np.insert(x, turns, np.nan), np.insert(y, turns, np.nan), x[alone], y[alone], dense)
