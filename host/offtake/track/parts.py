"""A run of any length as tracks of bounded size, one after the other.

Each part is looked over together with some epochs before and after it, so that what is found and the time line go on
over the seams. What no neighbourhood can tell is decided part by part: the usual interval, noise and dilution, what
speed a standing output is held against. Parts before the first that tells a date need a line that does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from offtake.dialects.message import DecodeCounts
from offtake.track.analyse import analyse
from offtake.track.analysis import Analysis, Gap, Glitch
from offtake.track.bulk.batch import EpochBatch
from offtake.track.fix import Track
from offtake.track.fixes import NO_TIME, FixColumns
from offtake.track.gaps import Before, gaps_within
from offtake.track.limits import Limits
from offtake.track.marks import NO_LEAP, MarkColumns
from offtake.track.ragged import Indices
from offtake.track.skies import SkyColumns
from offtake.track.timeline import TimeLine, fit_timeline
from offtake.track.timeline.carry import with_dates, with_dates_of, with_leap
from offtake.track.timeline.join import light
from offtake.track.timeline.line import REJECT_S

PART_EPOCHS = 131_072
"""A part has at most so many epochs,"""
PART_SATELLITES = 2**18
"""and so many satellites, but at least one epoch: some 45 MB in all."""
OVERLAP_EPOCHS = 2_000
"""So many epochs before and after a part are looked at with it."""
FOREVER_US = 2**63 - 1


@dataclass(frozen=True)
class Told:
    """What else is known of the run by now: the decoder's counts, what to note of its positions, the ticks at which the
    logger lost bytes, and the latest tick of all."""

    counts: DecodeCounts = field(default_factory=DecodeCounts)
    notes: tuple[str, ...] = ()
    losses: Sequence[int] = ()
    end_tick_us: int | None = None


@dataclass(frozen=True)
class TrackPart:
    """A part of a run: the epochs from row ``number`` of the run on.

    ``track`` holds these alone (its time line is that of this part; the decoder's counts come with the last one), and
    ``analysis`` what touches them: gaps and glitches cut to the part, by its own rows (``None``: beyond it), their
    ticks and words whole; no stretches; figures of these epochs. ``gaps`` and ``glitches`` are those that are listed
    with this part, whole, by rows of the run: each once, with the part it begins in; a gap that outlasts the overlap
    with the one that it ends in. All ticks of the run from ``from_tick_us`` until before ``until_tick_us`` are the
    part's. The only part of a run is what is read of it as a whole.
    """

    number: int
    track: Track
    analysis: Analysis
    gaps: tuple[Gap, ...]
    glitches: tuple[Glitch, ...]
    from_tick_us: int
    until_tick_us: int
    is_last: bool


def track_parts(
    batches: Iterable[EpochBatch],
    run: int,
    told: Callable[[], Told],
    *,
    latency_s: float = 0.0,
    known: TimeLine | None = None,
    limits: Limits | None = None,
) -> Iterator[TrackPart]:
    """Yield run number ``run`` in parts, at least one; a run that is no longer than a part in one.

    ``told`` says what else is known when it is asked, after the last of ``batches`` of all the run. ``latency_s`` as in
    :func:`offtake.track.timeline.fit_timeline`; ``known`` is a line of the run that counts where a part tells no date
    and no part before it did, ``limits`` as in :func:`offtake.track.analyse.analyse`.
    """
    dealer = _Dealer(run, told, latency_s, known, limits or Limits())
    waiting: list[EpochBatch] = []
    for batch in batches:
        waiting.append(batch)
        while dealer.has_enough(waiting):
            yield dealer.deal(waiting, at_end=False)
    is_last = False
    while not is_last:
        part = dealer.deal(waiting, at_end=True)
        is_last = part.is_last
        yield part
        # Nothing here keeps a part in memory while the next one is made.
        del part


class _Dealer:
    """Cuts parts off the rows that wait, and keeps what the next one needs of those before."""

    def __init__(
        self, run: int, told: Callable[[], Told], latency_s: float, known: TimeLine | None, limits: Limits
    ) -> None:
        self._run, self._told, self._latency_s, self._known, self._limits = run, told, latency_s, known, limits
        self._number = 0
        self._from_us = 0
        self._lead = EpochBatch.of((), run)
        self._leap_s: int | None = None
        self._before = Before()
        self._gap_listed: int | None = -1
        self._glitches: tuple[Glitch, ...] = ()

    def has_enough(self, waiting: list[EpochBatch]) -> bool:
        """Whether a part and the overlap after it have come."""
        epochs = sum(len(one.fixes) for one in waiting)
        if epochs <= OVERLAP_EPOCHS + 1:
            return False
        satellites = sum(len(one.skies.system) for one in waiting)
        return epochs >= PART_EPOCHS + OVERLAP_EPOCHS or satellites >= PART_SATELLITES + _satellites_at_end(waiting)

    def deal(self, waiting: list[EpochBatch], *, at_end: bool) -> TrackPart:
        """Cut off the next part; the rest stays in ``waiting``. ``at_end``: nothing follows."""
        own, rest = _split(waiting, _stop_of(waiting))
        ahead, _ = _split(rest, OVERLAP_EPOCHS)
        waiting[:] = rest
        del rest
        # One kind of columns after the other, so that the batches they came in are given up on the way.
        fix_parts = [self._lead.fixes, *(one.fixes for one in (*own, *ahead))]
        mark_parts = [self._lead.marks, *(one.marks for one in (*own, *ahead))]
        starts = np.cumsum([0, *(len(one.fixes) for one in own)]).tolist()
        sky_parts = [one.skies.moved(start) for one, start in zip(own, starts, strict=False)]
        rows = slice(len(self._lead.fixes), len(self._lead.fixes) + starts[-1])
        del own, ahead
        fixes = FixColumns.concat(fix_parts)
        del fix_parts
        marks = MarkColumns.concat(mark_parts)
        del mark_parts
        skies = SkyColumns.concat(sky_parts) if sky_parts else SkyColumns.empty(self._run)
        del sky_parts
        return self._part(EpochBatch(fixes, marks, skies), rows, at_end and not waiting)

    def _part(self, rows: EpochBatch, own: slice, is_last: bool) -> TrackPart:
        """``rows`` are the part's ``own`` epochs and those around it, with the satellites of its own."""
        told = self._told()
        line = self._fit(rows.marks)
        fixes = rows.fixes.with_utc(line.mark_utc_us)
        skies = rows.skies.with_utc(fixes.utc_us[own])
        own_line = replace(line, mark_utc_us=line.mark_utc_us[own], residuals_s=line.residuals_s[own])
        counts = told.counts if is_last else DecodeCounts()
        track = Track(self._run, fixes[own], counts, skies, own_line, told.notes)
        # The end of the run is a gap's end in its last part only.
        end_us = told.end_tick_us if is_last else None
        wide = Track(self._run, fixes, skies=skies)
        found = analyse(wide, losses=told.losses, end_tick_us=end_us, limits=self._limits, own=own)
        gaps = self._gaps(fixes[own.start :], len(track.fixes), found, told.losses, end_us, is_last)
        glitches = _moved(found.glitches, self._number - own.start)
        until_us = FOREVER_US if is_last else max(self._from_us, int(rows.fixes.tick_us[own.stop]))
        stop = self._number + len(track.fixes)
        part = TrackPart(
            number=self._number,
            track=track,
            analysis=replace(
                found,
                gaps=_cut_gaps(gaps, self._number, stop),
                glitches=_cut_glitches(glitches, self._number, stop),
                stretches=found.stretches if is_last and self._number == 0 else (),
            ),
            gaps=tuple(one for one in gaps if one.first != self._gap_listed),
            glitches=tuple(one for one in glitches if self._is_new_glitch(one, stop)),
            from_tick_us=self._from_us,
            until_tick_us=until_us,
            is_last=is_last,
        )
        self._remember(part, told, rows, own, line)
        return part

    def _fit(self, marks: MarkColumns) -> TimeLine:
        line = fit_timeline(with_leap(marks, self._leap_s), latency_s=self._latency_s)
        if not line.usable and self._known is not None and self._known.usable:
            dated = fit_timeline(with_dates_of(marks, self._known), latency_s=self._latency_s)
            # Where not even the time of day was told the known line goes on, with no word of the marks.
            line = dated if dated.usable else replace(
                self._known, mark_utc_us=line.mark_utc_us, residuals_s=line.residuals_s, marks_used=0,
                marks_rejected=line.marks_rejected, notes=line.notes,
            )  # fmt: skip
        self._known = light(line) if line.usable else self._known
        return line

    def _gaps(
        self, fixes: FixColumns, own: int, found: Analysis, losses: Sequence[int], end_us: int | None, is_last: bool
    ) -> tuple[Gap, ...]:
        """All gaps that touch the part, or begin in it."""
        longest_s = self._limits.gap_after_s(found.interval_s)
        last_us = max(int(fixes.tick_us[-1]) if len(fixes) else 0, end_us or 0)
        gaps = gaps_within(
            self._run, fixes, (longest_s, max(longest_s, self._limits.start_s)), found.interval_s, losses,
            self._number, self._before, last_us if is_last else None,
        )  # fmt: skip
        return tuple(one for one in gaps if one.first is None or one.first < self._number + own)

    def _is_new_glitch(self, glitch: Glitch, stop: int) -> bool:
        """Whether it is listed with this part: it is not the rest of one that was listed with the part before."""
        if glitch.first >= stop or glitch.last < self._number:
            return False
        return not any(
            one.kind == glitch.kind and one.first <= glitch.last and one.last >= glitch.first for one in self._glitches
        )

    def _remember(self, part: TrackPart, told: Told, rows: EpochBatch, own: slice, line: TimeLine) -> None:
        fixes = part.track.fixes
        placed = np.flatnonzero(fixes.has_position)
        lost = np.concatenate((np.array(told.losses, dtype=np.int64), fixes.tick_us[fixes.after_loss]))
        lost = lost[lost < part.until_tick_us]
        lost_us = max(int(lost.max()) if len(lost) else -1, self._before.lost_us)
        if len(placed):
            last = int(placed[-1])
            before = Before(self._number + last, int(fixes.tick_us[last]), fixes.utc(last), lost_us)
        else:
            before = replace(self._before, lost_us=lost_us)
        self._before = before
        if part.gaps:
            self._gap_listed = part.gaps[-1].first
        said = rows.marks.leap_s[own][rows.marks.leap_s[own] != NO_LEAP]
        self._leap_s = int(said[-1]) if len(said) else self._leap_s
        self._number += len(fixes)
        self._glitches = tuple(one for one in part.glitches if one.last >= self._number)
        self._from_us = part.until_tick_us
        begin = max(0, own.stop - OVERLAP_EPOCHS)
        good = np.abs(line.residuals_s[begin : own.stop]) < REJECT_S
        dates: Indices = np.where(good, line.mark_utc_us[begin : own.stop], NO_TIME)
        # Copies, which do not keep the whole part in memory.
        kept = np.arange(begin, own.stop, dtype=np.int64)
        marks = with_dates(rows.marks.taken(kept), dates)
        self._lead = EpochBatch(rows.fixes.taken(kept), marks, SkyColumns.empty(self._run))


def _stop_of(waiting: Iterable[EpochBatch]) -> int:
    """How many of the epochs make the next part."""
    epochs, room = 0, PART_SATELLITES
    for one in waiting:
        fitting = int(np.searchsorted(one.skies.start[1:], room, side="right"))
        if fitting < len(one.skies):
            return min(PART_EPOCHS, max(1, epochs + int(one.skies.fix[fitting])))
        epochs, room = epochs + len(one.fixes), room - len(one.skies.system)
        if epochs >= PART_EPOCHS:
            return PART_EPOCHS
    return epochs


def _split(batches: Iterable[EpochBatch], row: int) -> tuple[list[EpochBatch], list[EpochBatch]]:
    """The epochs before ``row`` and those from there on."""
    before: list[EpochBatch] = []
    after: list[EpochBatch] = []
    for one in batches:
        count = len(one.fixes)
        inside = min(max(row, 0), count)
        if inside:
            before.append(one if inside == count else _cut(one, 0, inside))
        if inside < count:
            after.append(_cut(one, inside, count) if inside else one)
        row -= count
    return before, after


def _cut(epochs: EpochBatch, first: int, stop: int) -> EpochBatch:
    low, high = np.searchsorted(epochs.skies.fix, (first, stop))
    skies = epochs.skies[int(low) : int(high)].moved(-first)
    return EpochBatch(epochs.fixes[first:stop], epochs.marks[first:stop], skies)


def _satellites_at_end(waiting: list[EpochBatch]) -> int:
    """Satellites of the overlap that follows the part, at the end of the rows."""
    left, satellites = OVERLAP_EPOCHS, 0
    for one in reversed(waiting):
        first = int(np.searchsorted(one.skies.fix, len(one.fixes) - left))
        satellites += int(one.skies.start[-1] - one.skies.start[first])
        left -= min(left, len(one.fixes))
    return satellites


def _moved(glitches: Iterable[Glitch], rows: int) -> tuple[Glitch, ...]:
    return tuple(replace(one, first=one.first + rows, last=one.last + rows) for one in glitches)


def _cut_glitches(glitches: Iterable[Glitch], number: int, stop: int) -> tuple[Glitch, ...]:
    return tuple(
        replace(one, first=max(one.first, number) - number, last=min(one.last, stop - 1) - number)
        for one in glitches
        if one.last >= number and one.first < stop
    )


def _cut_gaps(gaps: Iterable[Gap], number: int, stop: int) -> tuple[Gap, ...]:
    def place(row: int | None) -> int | None:
        return None if row is None or not number <= row < stop else row - number

    return tuple(replace(one, first=place(one.first), last=place(one.last)) for one in gaps)
