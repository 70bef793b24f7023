"""Which messages belong to one epoch, and what they say together.

Messages that name the same moment are one epoch: text by UTC time of day, binary by GPS time of week, and both
together by the leap seconds between the two. Those without a time (course, dilution) are told apart by the pause a
receiver makes between epochs, the longest where there are several, and on a line without pauses by the order of its
messages: a message that comes again opens the next epoch. Fields are taken by name, not by message, so one added to a
dialect contributes without a change here.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

from offtake.dialects.message import Message
from offtake.dialects.stream import TimedMessage
from offtake.track.contribution import (
    DAY_US,
    POSITION_FIELDS,
    WEEK_US,
    contributes,
    contribution,
    position_rank,
    tells_time_or_position,
)
from offtake.track.fix import Fix, Sky
from offtake.track.sky import SkyGather
from offtake.track.timemark import TimeMark

# A pause of this length may be one between epochs. Receivers pause a few milliseconds between sentences and,
# at ten epochs a second on a half-used line, some fifty between epochs.
EPOCH_PAUSE_US = 20_000

# Text times have hundredths of a second, cut or rounded, so the same moment may be told 5 ms apart. At a hundred epochs
# a second, more than receivers give, epochs are 10 ms apart.
SAME_TIME_US = 5_500

# GPS-UTC since 2017-01-01; only where a stream speaks both ways and never says how many seconds lie between.
USUAL_LEAP_S = 18

# One leap second a year at most since 1980; a moment told both ways that differs by more is not one moment.
LEAP_S_MAX = 100

# Far more than an epoch has; a stream that says the same on and on must not pile up in one.
MESSAGES_KEPT = 1000


@dataclass(frozen=True, slots=True)
class Epoch:
    """A fix without its UTC, what the epoch said of time, and its satellites (without UTC too), if any were told.

    The three have the same ``tick_us``.
    """

    fix: Fix
    mark: TimeMark
    sky: Sky | None = None


def group_epochs(messages: Iterable[TimedMessage], run: int, pause_us: int = EPOCH_PAUSE_US) -> Iterator[Epoch]:
    """Merge decoded ``messages`` of one run, in stream order, to epochs; other messages are passed over.

    An epoch is given out when one of its messages could carry a time or a position, known or not.
    """
    current: _Gather | None = None
    # Messages without a time, after a pause: of the next epoch unless what follows says otherwise.
    waiting: _Gather | None = None
    quiet_us, after_loss, leap_s = 0, False, USUAL_LEAP_S
    for timed in messages:
        quiet_us = max(quiet_us, timed.quiet_before_us)
        after_loss = after_loss or timed.after_loss
        if timed.message.state != "decoded":
            continue
        step = _Step(timed, quiet_us, quiet_us >= pause_us, after_loss, _moment(timed.message))
        quiet_us, after_loss = 0, False
        leap_s = _leap_said(timed.message, step.moment, leap_s)
        if current is None:
            current = _Gather(step)
        elif waiting is None and _continues(current, step, leap_s):
            current.add(step)
        elif not step.moment.known:
            if waiting is not None and not _after_longer_pause(step, waiting) and not waiting.repeats(step):
                waiting.add(step)
            else:
                if waiting is not None and _after_longer_pause(step, waiting) and current.has_room:
                    current.absorb(waiting)
                elif waiting is not None:
                    yield from current.finish(run)
                    current = waiting
                waiting = _Gather(step)
        elif current.moment.agrees(step.moment, leap_s) and not current.repeats(step):
            if waiting is not None:
                current.absorb(waiting)
                waiting = None
            current.add(step)
        else:
            if waiting is not None and _after_longer_pause(step, waiting) and current.has_room:
                current.absorb(waiting)
                waiting = None
            yield from current.finish(run)
            current = _opened_by(waiting, step)
            waiting = None
    for last in (current, waiting):
        if last is not None:
            yield from last.finish(run)


class _Moment(NamedTuple):
    """A moment as messages tell it: UTC time of day, GPS time of week, or both; in microseconds."""

    day_us: int | None
    week_us: int | None

    @property
    def known(self) -> bool:
        return self.day_us is not None or self.week_us is not None

    def agrees(self, other: _Moment, leap_s: int) -> bool:
        """Whether both name the same moment; ``False`` where either is unknown."""
        if self.day_us is not None and other.day_us is not None:
            return _near(self.day_us - other.day_us, DAY_US)
        if self.week_us is not None and other.week_us is not None:
            return _near(self.week_us - other.week_us, WEEK_US)
        for one, two in ((self, other), (other, self)):
            if one.day_us is not None and two.week_us is not None:
                return _near(two.week_us - leap_s * 1_000_000 - one.day_us, DAY_US)
        return False


def _near(difference_us: int, turn_us: int) -> bool:
    rest = difference_us % turn_us
    return min(rest, turn_us - rest) <= SAME_TIME_US


def _moment(message: Message) -> _Moment:
    day_us, week_us = message.values.get("time_of_day_us"), message.values.get("time_of_week_us")
    return _Moment(day_us if isinstance(day_us, int) else None, week_us if isinstance(week_us, int) else None)


def _leap_said(message: Message, moment: _Moment, before: int) -> int:
    """GPS minus UTC in seconds as the stream says it last: in words, or by telling one moment both ways."""
    said = message.values.get("leap_s")
    if isinstance(said, int):
        return said
    if moment.day_us is not None and moment.week_us is not None:
        seconds = round((moment.week_us - moment.day_us) % DAY_US / 1e6)
        return seconds if seconds <= LEAP_S_MAX else before
    return before


@dataclass(frozen=True, slots=True)
class _Step:
    """A decoded message, with a pause or a loss before it, and the moment it tells."""

    timed: TimedMessage
    quiet_us: int
    paused: bool
    after_loss: bool
    moment: _Moment

    @property
    def key(self) -> tuple[str, str, str, Any]:
        """What kind of message it is; the same kind does not come twice in an epoch."""
        message = self.timed.message
        return message.dialect, message.talker, message.name, message.values.get("system_id")


def _continues(current: _Gather, step: _Step, leap_s: int) -> bool:
    """Whether ``step`` belongs to ``current`` beyond doubt."""
    if step.paused or current.repeats(step):
        return False
    return not step.moment.known or not current.moment.known or current.moment.agrees(step.moment, leap_s)


def _after_longer_pause(step: _Step, waiting: _Gather) -> bool:
    """Whether the pause before ``step`` is the longer one, and so rather the one between epochs."""
    return step.paused and step.quiet_us > waiting.quiet_us


def _opened_by(waiting: _Gather | None, step: _Step) -> _Gather:
    """Return the epoch that ``step`` gives its time to."""
    if waiting is None:
        return _Gather(step)
    waiting.add(step)
    if step.paused:
        # Whether what came before a pause is of this epoch is a guess; its time must not hang on it.
        waiting.tick_us = step.timed.tick_us
    return waiting


class _Gather:
    """An epoch while its messages come in. The first message that knows a value gives it."""

    def __init__(self, first: _Step) -> None:
        self.moment = _Moment(None, None)
        self.tick_us = first.timed.tick_us
        self.quiet_us = first.quiet_us
        self._after_loss = False
        self._values: dict[str, Any] = {}
        self._position_rank = -1
        self._time: dict[str, Any] = {}
        self._vouched: dict[str, bool] = {}
        self._offsets: list[int] = []
        self._keys: set[tuple[str, str, str, Any]] = set()
        self._last_name = ""
        self._is_epoch = False
        self._sky = SkyGather()
        self.add(first)

    @property
    def has_room(self) -> bool:
        """Whether more messages may come in."""
        return len(self._offsets) < MESSAGES_KEPT

    def repeats(self, step: _Step) -> bool:
        """Whether this kind of message was here before; one name several times in a row is a set."""
        message = step.timed.message
        if not self.has_room:
            return True
        if message.name == self._last_name and not step.moment.known:
            return False
        return step.key in self._keys and contributes(message.values)

    def add(self, step: _Step) -> None:
        message = step.timed.message
        self._keys.add(step.key)
        self._last_name = message.name
        self._offsets.append(message.offset)
        self._after_loss = self._after_loss or step.after_loss
        self._is_epoch = self._is_epoch or tells_time_or_position(message.values)
        self._add_time(step)
        self._merge(contribution(message.values), position_rank(message))
        if message.values.get("fix_quality") not in (None, "none"):
            # The sentence made to tell the quality tells it more finely than a mode letter.
            self._values["fix_quality"] = message.values["fix_quality"]
        self._sky.add(message)

    def _add_time(self, step: _Step) -> None:
        values = step.timed.message.values
        day_us, week_us = step.moment
        self.moment = _Moment(
            day_us if self.moment.day_us is None else self.moment.day_us,
            week_us if self.moment.week_us is None else self.moment.week_us,
        )
        given: dict[str, Any] = {name: values.get(name) for name in ("week", "week_bits", "leap_s")}
        date = values.get("date")
        if isinstance(date, dt.date) and day_us is not None:
            given["date"] = date
        self._add_time_values(given, {name: values.get(name) for name in ("date_valid", "time_valid")})

    def _add_time_values(self, given: dict[str, Any], vouched: dict[str, Any]) -> None:
        for name, value in given.items():
            if value is not None:
                self._time.setdefault(name, value)
        for name, value in vouched.items():
            if isinstance(value, bool):
                self._vouched[name] = value and self._vouched.get(name, True)

    def absorb(self, other: _Gather) -> None:
        """Take in ``other``, which came later and turned out to be of this epoch."""
        self._offsets += other._offsets
        self._keys |= other._keys
        self._after_loss = self._after_loss or other._after_loss
        self._add_time_values(other._time, other._vouched)
        self._merge(other._values, other._position_rank)
        self._sky.absorb(other._sky)

    def _merge(self, given: dict[str, Any], rank: int) -> None:
        for name, value in given.items():
            if name == "satellites_used":
                # Some sentences stop counting at twelve.
                self._values[name] = max(value, self._values.get(name, 0))
            elif self._values.get(name) in (None, "none"):
                self._values[name] = value
        if "latitude_deg" in given and rank > self._position_rank:
            self._position_rank = rank
            self._values |= {name: given[name] for name in POSITION_FIELDS if name in given}

    def finish(self, run: int) -> Iterator[Epoch]:
        """Give out the epoch, unless no message in it could carry a time or a position."""
        if not self._is_epoch:
            return
        if self._values.get("fix_quality") == "none":
            # Some message says there is no solution and none says there is: a position told beside it is stale.
            self._values = {name: value for name, value in self._values.items() if name not in POSITION_FIELDS}
        fix = Fix(
            run=run,
            tick_us=self.tick_us,
            time_of_day_us=self.moment.day_us,
            after_loss=self._after_loss,
            source_offsets=tuple(self._offsets),
            satellites_in_view=self._sky.in_view,
            **self._values,
        )
        yield Epoch(fix, self._mark(fix), self._sky.finish(run, self.tick_us))

    def _mark(self, fix: Fix) -> TimeMark:
        said_no = False in self._vouched.values()
        said_yes = len(self._vouched) == 2 and not said_no
        return TimeMark(
            tick_us=self.tick_us,
            time_of_day_us=self.moment.day_us,
            time_of_week_us=self.moment.week_us,
            trusted=said_yes or (fix.has_position and not said_no),
            after_loss=self._after_loss,
            **self._time,
        )
