"""Lines cut where they pass 180 degrees of longitude, as RFC 7946 (section 3.1.9) asks."""

from __future__ import annotations

from collections.abc import Sequence

Vertex = tuple[int | None, tuple[float, ...]]
"""Index of a fix in the line (``None``: a point made on the meridian); its longitude, latitude, and height if any."""


def cut_at_180(line: Sequence[tuple[float, ...]]) -> list[list[Vertex]]:
    """Part ``line`` (longitude from -180 to below 180, latitude in degrees, all with a height or all without).

    Where the short way from one vertex to the next passes the meridian, both parts end on it, one at 180 and one at
    -180, at the latitude and height that lie straight between. A vertex on the meridian is its own end. Parts have at
    least two vertices; every vertex of ``line`` is in exactly one of them, unless the whole is a single point.
    """
    parts: list[list[Vertex]] = []
    part: list[Vertex] = []
    for index, vertex in enumerate(line):
        before = line[index - 1] if index else vertex
        if abs(vertex[0] - before[0]) <= 180.0:
            part.append((index, vertex))
        elif vertex[0] == -180.0:
            part.append((index, (180.0, *vertex[1:])))
            parts.append(part)
            part = [(None, vertex)]
        elif before[0] == -180.0:
            begin = (180.0, *before[1:])
            if len(part) > 1:
                parts.append(part)
                part = [(None, begin), (index, vertex)]
            else:
                # The line has only just come to the meridian: this end is the better one.
                part = [(part[0][0], begin), (index, vertex)]
        else:
            side = 180.0 if before[0] > 0.0 else -180.0
            crossing = _between(before, vertex, side)
            parts.append([*part, (None, (side, *crossing))])
            part = [(None, (-side, *crossing)), (index, vertex)]
    # What ends on the meridian has begun a part that nothing followed.
    if not parts or len(part) > 1:
        parts.append(part)
    return parts


def _between(before: tuple[float, ...], after: tuple[float, ...], side: float) -> tuple[float, ...]:
    """Latitude, and height if any, where the straight way in longitude and latitude meets the meridian ``side``."""
    share = (side - before[0]) / (after[0] + 2.0 * side - before[0])
    return tuple(one + share * (other - one) for one, other in zip(before[1:], after[1:], strict=True))
