"""Running medians of many values at once.

The windows of neighbours overlap, so what is sorted for one serves others: sorted pairs are merged to fours, these to
eights and so on, each step for all places together, by Batcher's odd-even merge (Knuth, The Art of Computer
Programming, volume 3, 5.3.4), which needs nothing but the lesser and the greater of two arrays.
"""

from __future__ import annotations

import numpy as np

from offtake.track.geodesy import Floats

# Values gone through at once: what a window of 31 needs stays in a processor's cache.
_BLOCK = 1 << 12


def running_median(values: Floats, width: int) -> Floats:
    """Return the median of the ``width`` (odd) neighbours of each of the ``values``, which are finite; same length.

    Beyond the ends the values are mirrored: repeating the last one would make it its own majority.
    """
    if len(values) < 2:
        return values
    padded = np.pad(values, width // 2, mode="reflect")
    parts = [_medians(padded[at : at + _BLOCK + width - 1], width) for at in range(0, len(values), _BLOCK)]
    return np.concatenate(parts)


def _medians(values: Floats, width: int) -> Floats:
    """Medians of all windows of so many (odd) values."""
    half = width // 2
    if not half:
        return values
    windows = len(values) - width + 1
    known: dict[int, list[Floats]] = {}
    # One list longer than the other: the median is the least that stands on as many places of the two as half of all.
    first = [one[:windows] for one in _sorted(values, half + 1, known)]
    second = [one[half + 1 : half + 1 + windows] for one in _sorted(values, half, known)]
    median = first[half]
    for place in range(half):
        median = np.minimum(median, np.maximum(first[place], second[half - 1 - place]))
    return median


def _sorted(values: Floats, width: int, known: dict[int, list[Floats]]) -> list[Floats]:
    """Of each place the ``width`` values from there on in order: the least of every place, the next ones, and so on."""
    if width not in known:
        low = width // 2
        if not low:
            return [values]
        count = len(values) - width + 1
        first, second = _sorted(values, low, known), _sorted(values, width - low, known)
        known[width] = _merged([one[:count] for one in first], [one[low : low + count] for one in second])
    return known[width]


def _merged(first: list[Floats], second: list[Floats]) -> list[Floats]:
    """Merge two sorted lists of arrays, place by place."""
    if not first or not second:
        return first or second
    if len(first) == len(second) == 1:
        return [np.minimum(first[0], second[0]), np.maximum(first[0], second[0])]
    even, odd = _merged(first[::2], second[::2]), _merged(first[1::2], second[1::2])
    merged = even[:1]
    for place, lower in enumerate(odd):
        if place + 1 < len(even):
            upper = even[place + 1]
            merged += [np.minimum(lower, upper), np.maximum(lower, upper)]
        else:
            merged.append(lower)
    return merged + even[len(odd) + 1 :]
