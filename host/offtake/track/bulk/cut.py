"""Where epochs begin: guessed for a whole window, then every decision of the streaming way held against the guess.

A message that tells a moment (a *teller* here) is where :class:`~offtake.track.epochs.EpochGrouping` decides: behind it
nothing waits, and what it knows is the epoch that the teller is in. Between two tellers lie messages without a moment;
they go on with the epoch until one comes after a pause or comes again, from there on they wait, and the next teller
says whether they were of its own epoch or still of the one before.

So an assumption on where each epoch begins can be checked teller by teller: given that it is right up to one teller,
the state there is known (the messages of its epoch so far), and what the streaming way does with everything up to the
next teller, this included, follows by its rules. Where that is what was assumed, the assumption is right up to that
one, too. By induction all is right from a place where both are known to agree up to the first teller where they do not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from offtake.dialects.bulk.buffer import Bools, Ints
from offtake.track.bulk.kinds import Kinds
from offtake.track.bulk.steps import Moments, Steps
from offtake.track.bulk.times import Times
from offtake.track.contribution import DAY_US, WEEK_US
from offtake.track.epochs import MESSAGES_KEPT
from offtake.track.moment import SAME_TIME_US

_DAY_S = 24 * 3600
# Each round brings the guess on by an epoch where it hangs on the one before; receivers that go on and on alike are
# right after one or two.
_ROUNDS = 4


@dataclass(frozen=True)
class Cut:
    """The guess, and how far it holds.

    Of each teller ``epoch`` is the number of the epoch it is in. Of each epoch ``start`` is the place of its first
    message and ``first`` the number of its first teller; it ends where the next one starts. An epoch is sure where all
    decisions from the one at its first teller up to the one that closes it are as guessed; the last one never is, and
    ``unsure`` is the first epoch from each on that is not.
    ``tick_us``, and the moment as ``day_us`` and ``week_us`` (-1 not told), are the epoch's.
    """

    epoch: Ints
    start: Ints
    first: Ints
    unsure: Ints
    tick_us: Ints
    day_us: Ints
    week_us: Ints

    def stretch(self, first: int, last: int) -> Stretch:
        """The epochs from ``first`` to before ``last``, which is not the last one of all."""
        within = slice(first, last)
        return Stretch(self.start[first : last + 1], self.tick_us[within], self.day_us[within], self.week_us[within])


@dataclass(frozen=True)
class Stretch:
    """n epochs in a row: ``start``, shape (n + 1,), are the places where they start and the last one ends."""

    start: Ints
    tick_us: Ints
    day_us: Ints
    week_us: Ints

    def __len__(self) -> int:
        return self.tick_us.size


def cut_into_epochs(
    steps: Steps, times: Times, leap_before_s: int, pause_us: int, kinds: Kinds, known: int
) -> Cut | None:
    """Cut the messages into epochs; ``None`` when none tells a moment.

    ``leap_before_s`` is GPS minus UTC as it was said last before; ``known`` where one epoch starts.
    """
    if not steps.moments.at.size:
        return None
    return _Cutter(steps, times, leap_before_s, pause_us, kinds).cut(known)


class _Cutter:
    def __init__(self, steps: Steps, times: Times, leap_before_s: int, pause_us: int, kinds: Kinds) -> None:
        self._steps = steps
        self._tick_us = times.tick_us
        self._quiet_us = times.quiet_us
        self._paused = times.quiet_us >= pause_us
        self._kinds = kinds
        self._moments = moments = steps.moments
        self._at = at = moments.at
        known = np.concatenate([[leap_before_s], steps.leap_s])
        self._leap_s = known[np.searchsorted(steps.leap_at, at, side="right")] % _DAY_S
        told = np.zeros(len(steps), np.bool_)
        told[at] = True
        self._tellers_before = np.cumsum(told, dtype=np.int32)
        self._is_teller = told
        # The messages between two tellers that may have to wait: after a pause, or because they come again (the same
        # name several times in a row is a set).
        untold = self._between(np.flatnonzero((steps.before >= 0) | self._paused))
        name = kinds.name
        may_repeat = (steps.before[untold] >= 0) & (name[steps.kind[untold]] != name[steps.kind[untold - 1]])
        chosen = may_repeat | self._paused[untold]
        self._untold, self._may_repeat = untold[chosen], may_repeat[chosen]
        self._untold_paused = self._paused[self._untold]
        self._gap = self._gap_of(self._untold)

    def _between(self, places: Ints) -> Ints:
        """Those of ``places`` that are messages without a moment between two tellers."""
        within = slice(*np.searchsorted(places, [self._at[0], self._at[-1]]).tolist())
        places = places[within]
        return places[~self._is_teller[places]]

    def _gap_of(self, places: Ints) -> Ints:
        """How many tellers come before each of ``places``: the gap that it is in is the one before that teller."""
        return self._tellers_before[places].astype(np.int64)

    def cut(self, known: int) -> Cut:
        """Guess, then check."""
        at = self._at
        certain = min(int(np.searchsorted(at, known)), at.size - 1)
        opens = self._opens_by_moment(certain)
        first = np.flatnonzero(opens)
        epoch = np.cumsum(opens) - 1
        # Others may well begin with the same kind of message.
        start = self._led_by(int(self._steps.kind[known]), first)
        certain = int(epoch[certain])
        start[certain] = known
        found = self._waits(start, epoch)
        for _ in range(_ROUNDS):
            again = self._starts(first, found)
            again[certain] = known
            if (again == start).all():
                break
            start = again
            found = self._waits(start, epoch)
        bad = self._bad(start, epoch, opens, first, found)
        differs = self._starts(first, found) != start
        differs[[0, certain]] = False
        bad[first] |= differs
        # What comes before the first teller is not looked at, so the first epoch's start is a guess only if it has one.
        sure = ~np.logical_or.reduceat(bad, first) & ~np.append(bad[first[1:]], True)
        tick_us = self._tick_us[np.where(self._paused[at[first]], at[first], start)]
        day_us, week_us = (self._told(name, first) for name in ("day", "week"))
        unsure = np.where(sure, first.size, np.arange(first.size))
        unsure = np.minimum.accumulate(unsure[::-1])[::-1]
        return Cut(epoch, start, first, unsure, tick_us, day_us, week_us)

    def _told(self, name: str, first: Ints) -> Ints:
        """What the first teller of each epoch that knows it says."""
        known, values = getattr(self._moments, f"has_{name}"), getattr(self._moments, f"{name}_us")
        places = _first_known(known, first, np.arange(known.size))
        return np.append(np.maximum(values, -1), -1)[places]

    def _led_by(self, kind: int, first: Ints) -> Ints:
        """Where epochs start if each does with the first message of a kind that comes before its first teller."""
        found = self._at.copy()
        places = self._between(np.flatnonzero(self._steps.kind == kind))
        # Of several in a gap the first one stays.
        found[self._gap_of(places)[::-1]] = places[::-1]
        return found[first]

    def _opens_by_moment(self, certain: int) -> Bools:
        """Which tellers open an epoch: those of another moment than the one before, and those that come again; and the
        ``certain`` one."""
        moments, at = self._moments, self._at
        opens = np.ones(at.size, np.bool_)
        every = np.arange(at.size)
        opens[1:] = ~_agrees(moments, every[:-1], moments, every[1:], self._leap_s[1:])
        opens[certain] = True
        since = at[np.maximum.accumulate(np.where(opens, every, 0))]
        opens[1:] |= (self._steps.before[at] >= since)[1:]
        return opens

    def _waits(self, start: Ints, epoch: Ints) -> Ints:
        """Of each gap before a teller the place of the first message that waits; -1 for none."""
        since = start[epoch[self._gap - 1]]
        waits = self._untold_paused | self._may_repeat & (self._steps.before[self._untold] >= since)
        places, gaps = self._untold[waits], self._gap[waits]
        found = np.full(self._at.size, -1)
        # Of several in a gap the first one stays.
        found[gaps[::-1]] = places[::-1]
        return found

    def _longer(self, found: Ints) -> Bools:
        """Of each teller whether a pause before it is longer than the one before those that wait."""
        at = self._at
        return self._paused[at] & (self._quiet_us[at] > self._quiet_us[np.maximum(found, 0)])

    def _starts(self, first: Ints, found: Ints) -> Ints:
        """Where epochs start: with those that waited, or with the teller itself where they are of the epoch before."""
        waited = (found >= 0) & ~self._longer(found)
        starts: Ints = np.where(waited, found, self._at)[first]
        return starts

    def _bad(self, start: Ints, epoch: Ints, opens: Bools, first: Ints, found: Ints) -> Bools:
        """Which tellers' gaps or tellers themselves the streaming way may judge in another way than guessed."""
        at, steps = self._at, self._steps
        bad = steps.odd[at]
        current = np.concatenate([[0], epoch[:-1]])
        # The epoch before has room for all that comes, so none is turned away for want of it.
        bad |= at - start[current] >= MESSAGES_KEPT - 1
        before = steps.before[at]
        repeats = before >= start[current]
        waiting = found >= 0
        agrees = self._agrees_with_epoch(epoch, current, first)
        bad |= ~opens & (repeats | ~agrees)
        bad |= opens & agrees & ~repeats
        # Whether one comes again is a question to those that do not wait.
        bad |= repeats & waiting & (before >= found)
        bad[0] = steps.odd[at[0]]
        self._add_bad_gaps(bad, found, waiting & (~opens | self._longer(found)))
        return bad

    def _agrees_with_epoch(self, epoch: Ints, current: Ints, first: Ints) -> Bools:
        """Whether a teller names the moment of the epoch that is current when it comes, ``current``."""
        moments = self._moments
        every = np.arange(self._at.size)
        # The first teller of each epoch that knows the one, and the other.
        day = _first_known(moments.has_day, first, every)
        week = _first_known(moments.has_week, first, every)
        day, week = day[current], week[current]
        told = Moments(
            self._at,
            moments.day_us[np.minimum(day, every)],
            day < every,
            moments.week_us[np.minimum(week, every)],
            week < every,
        )
        return _agrees(told, every, moments, every, self._leap_s)

    def _add_bad_gaps(self, bad: Bools, found: Ints, absorbed: Bools) -> None:
        """Gaps in which messages that wait are parted again, or are put with the epoch before though they are none that
        may be; and those with odd messages."""
        steps, untold, gap = self._steps, self._untold, self._gap
        if steps.odd.any():
            bad[self._gap_of(self._between(np.flatnonzero(steps.odd)))] = True
        opening = found[gap]
        behind = np.flatnonzero((opening >= 0) & (untold > opening))
        if behind.size:
            untold, opening = untold[behind], opening[behind]
            longer = self._untold_paused[behind] & (self._quiet_us[untold] > self._quiet_us[opening])
            repeats = self._may_repeat[behind] & (steps.before[untold] >= opening)
            bad[gap[behind[longer | repeats]]] = True
        if absorbed.any():
            held = self._between(np.flatnonzero(~self._kinds.trails[steps.kind]))
            gap = self._gap_of(held)
            bad[gap[absorbed[gap] & (held >= found[gap])]] = True


def _first_known(known: Bools, first: Ints, every: Ints) -> Ints:
    """Of each stretch of tellers, beginning at ``first``, the first that is ``known``; behind them all if none is."""
    places: Ints = np.where(known, every, known.size)
    return np.minimum.reduceat(places, first)


def _agrees(one: Moments, left: Ints, other: Moments, right: Ints, leap_s: Ints) -> Bools:
    """As :meth:`offtake.track.moment.Moment.agrees`: ``left`` of the one with ``right`` of the other."""
    one_day, other_day = one.has_day[left], other.has_day[right]
    one_week, other_week = one.has_week[left], other.has_week[right]
    days = one_day & other_day
    agrees = days & _near(one.day_us[left] - other.day_us[right], DAY_US)
    if days.all():
        return agrees
    weeks = one_week & other_week & ~days
    if weeks.any():
        agrees |= weeks & _near(one.week_us[left] - other.week_us[right], WEEK_US)
    crossed = np.flatnonzero(~days & ~weeks & (one_day & other_week | other_day & one_week))
    if crossed.size:
        left, right, leap_us = left[crossed], right[crossed], leap_s[crossed] * 1_000_000
        difference_us = np.where(
            one_day[crossed],
            other.week_us[right] - leap_us - one.day_us[left],
            one.week_us[left] - leap_us - other.day_us[right],
        )
        agrees[crossed] = _near(difference_us, DAY_US)
    return agrees


def _near(difference_us: Ints, turn_us: int) -> Bools:
    apart = np.abs(difference_us)
    near: Bools = apart <= SAME_TIME_US
    # Divisions take long, and few moments are a turn apart.
    turned = np.flatnonzero(apart >= turn_us - SAME_TIME_US)
    if turned.size:
        rest = apart[turned] % turn_us
        near[turned] = np.minimum(rest, turn_us - rest) <= SAME_TIME_US
    return near
