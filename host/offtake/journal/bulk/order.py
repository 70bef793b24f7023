"""Where in a file the blocks of each number lie: what it takes to read a journal in order of block number.

One walk over the file gives *extents*: stretches of neighbours whose numbers follow each other as their places do,
alike in all that is noted. A sound journal has one for each run, a wrapped one one more, and each damaged block parts
one in two. Sorted by number they fall into *clusters* that share no number with another; a cluster of more than one
extent holds copies, or blocks out of their place.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.journal.bulk import window
from offtake.journal.bulk.arrays import Bools, Ints, ranges

SHIFTS_MAX = 64
"""So many shifts between number and position are followed. Real journals show one or two, and one more for each place
where a copy lost sectors. An untrusted file may show as many as it has blocks."""

NO_POSITION = 2**32 - 1

# What is known of a block of this number: it is intact, it has frames, and all its frames have passed their checks: as
# long as its own check holds, they need not be made again.
WHOLE = 1
FOUND = 2
CHECKED = 4

EXTENT = np.dtype([("position", "<u4"), ("count", "<u4"), ("number", "<u4"), ("run", "<i4"), ("what", "u1"),
                   ("before", "<u4"), ("after", "<u4")])  # fmt: skip
"""An extent: where it begins, its blocks, the first one's number, their run (-1 where nobody knows it),
what is left of them (:data:`WHOLE`, :data:`FOUND`, :data:`CHECKED`), and, of damaged blocks, the nearest intact ones
around them."""


class Shifts:
    """The shifts that are followed: the first :data:`SHIFTS_MAX` in the file."""

    def __init__(self) -> None:
        self._known = np.zeros(0, np.int64)

    def admitted(self, shifts: Ints) -> Bools:
        """Which of ``shifts``, in file order, are followed; new ones are as long as there is room."""
        if not shifts.size:
            return np.zeros(0, np.bool_)
        if self._known.size == 1 and bool((shifts == self._known[0]).all()):
            return np.ones(shifts.size, np.bool_)
        values, first_at = np.unique(shifts, return_index=True)
        new = ~np.isin(values, self._known)
        fresh = values[new][np.argsort(first_at[new])][: SHIFTS_MAX - self._known.size]
        self._known = np.concatenate([self._known, fresh])
        admitted: Bools = np.isin(shifts, self._known)
        return admitted


class Extents:
    """Grows by entries in file order; neighbours that are alike become one extent."""

    def __init__(self) -> None:
        self._rows = bytearray()

    def add(self, entries: NDArray[np.void]) -> None:
        """Add entries of :data:`EXTENT`, each of one block, in file order."""
        if not entries.size:
            return
        joins = _follows(entries[:-1], entries[1:])
        firsts = np.flatnonzero(np.concatenate([[True], ~joins]))
        extents = entries[firsts]
        extents["count"] = np.diff(np.append(firsts, entries.size))
        if self._rows:
            last = np.frombuffer(bytes(self._rows[-EXTENT.itemsize :]), EXTENT).copy()
            if _follows(last, extents[:1])[0]:
                extents[0]["position"], extents[0]["number"] = last[0]["position"], last[0]["number"]
                extents[0]["count"] += last[0]["count"]
                del self._rows[-EXTENT.itemsize :]
        self._rows += extents.tobytes()

    def in_order(self) -> Order:
        """The extents by number."""
        extents = np.frombuffer(self._rows, EXTENT)
        key = extents["number"].astype(np.uint64) << np.uint64(32) | extents["position"]
        return Order(extents[np.argsort(key, kind="stable")])


def _follows(ones: NDArray[np.void], nexts: NDArray[np.void]) -> Bools:
    joins: Bools = nexts["position"].astype(np.int64) - ones["position"] == ones["count"]
    joins &= nexts["number"].astype(np.int64) - ones["number"] == ones["count"]
    for name in ("run", "what", "before", "after"):
        joins &= ones[name] == nexts[name]
    return joins


@dataclass(eq=False)
class Entries:
    """Blocks to read, in order of number, then position; all columns have shape (n,).

    ``broken`` marks the entries of numbers before which frames may be missing, as far as the numbers tell.
    """

    position: Ints
    number: Ints
    run: NDArray[np.int32]
    what: NDArray[np.uint8]
    before: Ints
    after: Ints
    broken: Bools

    def __len__(self) -> int:
        return int(self.position.size)

    @property
    def with_copies(self) -> bool:
        """Whether a number comes more than once."""
        return bool((self.number[1:] == self.number[:-1]).any())

    def taken(self, rows: Ints) -> Entries:
        """Only those of its rows."""
        return Entries(self.position[rows], self.number[rows], self.run[rows], self.what[rows], self.before[rows],
                       self.after[rows], self.broken[rows])  # fmt: skip


class Order:
    """Extents in order of number, then position."""

    def __init__(self, extents: NDArray[np.void]) -> None:
        self.extents = extents
        first = extents["number"].astype(np.int64)
        reach = np.maximum.accumulate(first + extents["count"]) if extents.size else first
        begins = np.ones(extents.size, np.bool_)
        begins[1:] = first[1:] >= reach[:-1]
        # Clusters: where each begins among the extents, and one past the last; its first number, and one past its last.
        self._bounds = np.append(np.flatnonzero(begins), extents.size)
        self._cluster = np.cumsum(begins) - 1
        self._by_run: tuple[NDArray[np.int32], Ints] | None = None
        self._first = first[self._bounds[:-1]]
        self._stop = reach[self._bounds[1:] - 1]
        self._broken = self._broken_at_clusters()

    def windows(self, run: int | None = None, numbers: tuple[int, int] | None = None) -> Iterator[Entries]:
        """The entries of all numbers, or those from ``numbers[0]`` to ``numbers[1]``, or of all numbers that have a
        block of ``run``; at most :data:`~offtake.journal.bulk.window.WINDOW_BLOCKS` at once (a number's entries are
        never parted)."""
        low, high = numbers if numbers is not None else (0, 2**32)
        clusters = np.arange(self._first.size) if run is None else self._clusters_of(run)
        wanted = (self._stop[clusters] > low) & (self._first[clusters] <= high)
        for entries in self._windows_of(clusters[wanted], low):
            chosen = (entries.number >= low) & (entries.number <= high)
            if run is not None:
                of_run = entries.run == run
                chosen &= np.isin(entries.number, entries.number[of_run]) if entries.with_copies else of_run
            if chosen.any():
                yield entries if chosen.all() else entries.taken(np.flatnonzero(chosen))

    def _clusters_of(self, run: int) -> Ints:
        """The clusters that hold a block of ``run``."""
        if self._by_run is None:
            # Who goes from run to run, of which there may be thousands, must not look at every extent each time.
            by_run = np.argsort(self.extents["run"], kind="stable")
            self._by_run = self.extents["run"][by_run], self._cluster[by_run]
        runs, clusters = self._by_run
        first, stop = np.searchsorted(runs, run, "left"), np.searchsorted(runs, run, "right")
        return np.unique(clusters[first:stop])

    def _windows_of(self, clusters: Ints, low: int) -> Iterator[Entries]:
        single = np.diff(self._bounds)[clusters] == 1
        for part in np.split(clusters, np.flatnonzero(single[1:] != single[:-1]) + 1) if clusters.size else ():
            if self._bounds[part[0] + 1] - self._bounds[part[0]] == 1:
                yield from self._single(part, low)
            else:
                for cluster in part.tolist():
                    yield from self._shared(cluster)

    def _single(self, clusters: Ints, low: int) -> Iterator[Entries]:
        """Windows of clusters that are one extent each; what lies before number ``low`` is left out."""
        extents = self.extents[self._bounds[clusters]]
        count = extents["count"].astype(np.int64)
        skipped = np.clip(low - self._first[clusters], 0, count - 1)
        left = count - skipped
        begins = np.cumsum(left) - left
        total = int(left.sum())
        for start in range(0, total, window.WINDOW_BLOCKS):
            stop = min(total, start + window.WINDOW_BLOCKS)
            which = slice(int(np.searchsorted(begins, start, "right")) - 1, int(np.searchsorted(begins, stop)))
            done = np.maximum(start - begins[which], 0)
            counts = np.minimum(stop - begins[which], left[which]) - done
            yield _entries(extents[which], skipped[which] + done, counts, self._broken[clusters[which]])

    def _shared(self, cluster: int) -> Iterator[Entries]:
        """Windows of one cluster of several extents, from its beginning. No number is missing inside a cluster."""
        extents = self.extents[self._bounds[cluster] : self._bounds[cluster + 1]]
        first = extents["number"].astype(np.int64)
        stop = first + extents["count"]
        low, end = int(self._first[cluster]), int(self._stop[cluster])
        broken = bool(self._broken[cluster])
        near = np.zeros(0, np.int64)
        reached = 0
        ahead = window.WINDOW_BLOCKS
        while low < end:
            known = int(np.searchsorted(first, low + ahead))
            near = np.concatenate([near[stop[near] > low], np.arange(reached, max(reached, known))])
            reached = max(reached, known)
            high = _as_far_as_fits(first[near], stop[near], low, min(end, low + ahead))
            begin, finish = np.maximum(first[near], low), np.minimum(stop[near], high)
            listed = np.flatnonzero(finish > begin)
            chosen, begin, finish = near[listed], begin[listed], finish[listed]
            entries = _entries(extents[chosen], begin - first[chosen], finish - begin, np.zeros(listed.size, np.bool_))
            entries = entries.taken(np.lexsort((entries.position, entries.number)))
            broken = _mark_broken(entries, broken)
            yield entries
            ahead = min(window.WINDOW_BLOCKS, 2 * (high - low))
            low = high

    def _broken_at_clusters(self) -> Bools:
        """Of each cluster, whether frames may be missing before its first number."""
        total = self._first.size
        # What the last number of a cluster leaves behind; that of a cluster of several has to be looked for.
        self._broken = np.zeros(total, np.bool_)
        what = self.extents["what"][self._bounds[:-1]].copy()
        for cluster in np.flatnonzero(np.diff(self._bounds) > 1).tolist():
            what[cluster] = self._left_by(cluster)
        breaks = np.zeros(total, np.bool_)
        breaks[1:] = (self._first[1:] != self._stop[:-1]) | (what[:-1] & WHOLE == 0)
        settled = np.ones(total, np.bool_)
        settled[1:] = what[:-1] & FOUND > 0
        since = np.maximum.accumulate(np.where(settled, np.arange(total), 0)) if total else breaks.astype(np.int64)
        sums = np.cumsum(breaks)
        broken: Bools = sums - sums[since] + breaks[since] > 0
        return broken

    def _left_by(self, cluster: int) -> int:
        """What the last number of a cluster that gave frames is; WHOLE if none did."""
        left = WHOLE
        for entries in self._shared(cluster):
            what = _by_number(entries)[1]
            found = np.flatnonzero(what & FOUND)
            left = int(what[found[-1]]) if found.size else left
        return left


def _entries(extents: NDArray[np.void], skipped: Ints, counts: Ints, broken: Bools) -> Entries:
    """``counts`` entries of each extent after the first ``skipped``; ``broken`` is what is so before the extent."""
    columns = {name: np.repeat(extents[name], counts) for name in ("run", "what", "before", "after")}
    position = ranges(extents["position"].astype(np.int64) + skipped, counts)
    number = ranges(extents["number"].astype(np.int64) + skipped, counts)
    # Inside an extent nothing is missing but what its own blocks have lost.
    inside = np.where(extents["what"] & WHOLE == 0, True, broken & (extents["what"] & FOUND == 0))
    marks = np.repeat(inside, counts)
    begins = np.cumsum(counts) - counts
    at_start = skipped == 0
    marks[begins[at_start]] = broken[at_start]
    return Entries(position, number, columns["run"], columns["what"], columns["before"].astype(np.int64),
                   columns["after"].astype(np.int64), marks)  # fmt: skip


def _as_far_as_fits(first: Ints, stop: Ints, low: int, high: int) -> int:
    """The highest number up to ``high`` before which there is no more than a window of entries from ``low`` on."""
    begin = np.maximum(first, low)
    fits, too_far = low + 1, high + 1
    while too_far - fits > 1:
        middle = (fits + too_far) // 2
        if int(np.maximum(np.minimum(stop, middle) - begin, 0).sum()) <= window.WINDOW_BLOCKS:
            fits = middle
        else:
            too_far = middle
    return fits


def _by_number(entries: Entries) -> tuple[Ints, NDArray[np.uint8]]:
    """Where each number begins among the entries, and what all its blocks together are."""
    begins = np.flatnonzero(np.diff(entries.number, prepend=-1))
    return begins, np.bitwise_or.reduceat(entries.what, begins)


def _mark_broken(entries: Entries, broken: bool) -> bool:
    """Mark entries of consecutive numbers, from what is so before the first; returns what is so after the last."""
    begins, what = _by_number(entries)
    found = np.where(what & FOUND, np.arange(begins.size), -1)
    latest = np.maximum.accumulate(found)
    after = np.where(latest >= 0, what[latest] & WHOLE == 0, broken)
    marks = np.concatenate([[broken], after[:-1]])
    entries.broken[:] = np.repeat(marks, np.diff(np.append(begins, len(entries))))
    return bool(after[-1])
