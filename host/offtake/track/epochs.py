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
from typing import Any

from offtake.dialects.stream import TimedMessage
from offtake.track.contribution import (
    POSITION_FIELDS,
    contributes,
    contribution,
    position_rank,
    tells_time_or_position,
)
from offtake.track.fix import Fix, Sky
from offtake.track.moment import USUAL_LEAP_S, Moment, leap_said, moment_of
from offtake.track.sky import SkyGather
from offtake.track.timemark import TimeMark

# A pause of this length may be one between epochs. Receivers pause a few milliseconds between sentences and,
# at ten epochs a second on a half-used line, some fifty between epochs.
EPOCH_PAUSE_US = 20_000

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
    grouping = EpochGrouping(run, pause_us)
    for timed in messages:
        yield from grouping.take(timed)
    yield from grouping.finish()


class EpochGrouping:
    """Epochs of run number ``run`` while its messages come in, one by one.

    ``leap_s`` is GPS minus UTC as the stream said it last. Behind a message that tells a moment nothing waits: all
    that counts of what came before is in the epoch that it is in. So a grouping may be taken up there again with that
    epoch's messages (:meth:`resume`).
    """

    def __init__(self, run: int, pause_us: int = EPOCH_PAUSE_US) -> None:
        self.leap_s = USUAL_LEAP_S
        self._run = run
        self._pause_us = pause_us
        self._quiet_us = 0
        self._after_loss = False
        self._current: _Gather | None = None
        # Messages without a time, after a pause: of the next epoch unless what follows says otherwise.
        self._waiting: _Gather | None = None

    @property
    def open_messages(self) -> tuple[int, int]:
        """Stream offset of the first message of the epoch that is being put together, and how many it has so far."""
        return self._current.extent if self._current is not None else (0, 0)

    def resume(self, epoch: Iterable[TimedMessage], tick_us: int, leap_s: int) -> None:
        """Forget everything and go on behind ``epoch``: decoded messages (one at least), the last of which tells a
        moment, that were one epoch so far, with the tick ``tick_us``."""
        self._quiet_us, self._after_loss, self.leap_s = 0, False, leap_s
        self._current = self._waiting = None
        for timed in epoch:
            step = self._step(timed)
            if self._current is None:
                self._current = _Gather(step)
            else:
                self._current.add(step)
        assert self._current is not None
        self._current.tick_us = tick_us

    def take(self, timed: TimedMessage) -> Iterable[Epoch]:
        """Take the next message of any state and return the epochs that it completes."""
        self._quiet_us = max(self._quiet_us, timed.quiet_before_us)
        self._after_loss = self._after_loss or timed.after_loss
        if timed.message.state != "decoded":
            return ()
        step = self._step(timed)
        self.leap_s = leap_said(timed.message, step.moment, self.leap_s)
        return self._place(step)

    def finish(self) -> Iterable[Epoch]:
        """Say that the run ends here, and return the epochs that were still open."""
        gathers = [one for one in (self._current, self._waiting) if one is not None]
        return [epoch for one in gathers for epoch in one.finish(self._run)]

    def _step(self, timed: TimedMessage) -> _Step:
        quiet_us, after_loss = max(self._quiet_us, timed.quiet_before_us), self._after_loss or timed.after_loss
        self._quiet_us, self._after_loss = 0, False
        return _Step(timed, quiet_us, quiet_us >= self._pause_us, after_loss, moment_of(timed.message))

    def _place(self, step: _Step) -> Iterable[Epoch]:
        """Put the message into the epoch it is of."""
        current, waiting = self._current, self._waiting
        if current is None:
            self._current = _Gather(step)
        elif waiting is None and _continues(current, step, self.leap_s):
            current.add(step)
        elif not step.moment.known:
            return self._wait(current, waiting, step)
        elif current.moment.agrees(step.moment, self.leap_s) and not current.repeats(step):
            if waiting is not None:
                current.absorb(waiting)
                self._waiting = None
            current.add(step)
        else:
            if waiting is not None and _after_longer_pause(step, waiting) and current.has_room:
                current.absorb(waiting)
                waiting = None
            self._current, self._waiting = _opened_by(waiting, step), None
            return current.finish(self._run)
        return ()

    def _wait(self, current: _Gather, waiting: _Gather | None, step: _Step) -> Iterable[Epoch]:
        """Keep a message without a time until others say which epoch it is of."""
        if waiting is None:
            self._waiting = _Gather(step)
            return ()
        longer = _after_longer_pause(step, waiting)
        if not longer and not waiting.repeats(step):
            waiting.add(step)
            return ()
        self._waiting = _Gather(step)
        if longer and current.has_room:
            current.absorb(waiting)
            return ()
        self._current = waiting
        return current.finish(self._run)


@dataclass(frozen=True, slots=True)
class _Step:
    """A decoded message, with a pause or a loss before it, and the moment it tells."""

    timed: TimedMessage
    quiet_us: int
    paused: bool
    after_loss: bool
    moment: Moment

    @property
    def key(self) -> tuple[str, str, str, int | None]:
        """What kind of message it is; the same kind does not come twice in an epoch."""
        message = self.timed.message
        system_id = message.values.get("system_id")
        return message.dialect, message.talker, message.name, system_id if isinstance(system_id, int) else None


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
        self.moment = Moment(None, None)
        self.tick_us = first.timed.tick_us
        self.quiet_us = first.quiet_us
        self._after_loss = False
        self._values: dict[str, Any] = {}
        self._position_rank = -1
        self._time: dict[str, Any] = {}
        self._vouched: dict[str, bool] = {}
        self._offsets: list[int] = []
        self._keys: set[tuple[str, str, str, int | None]] = set()
        self._last_name = ""
        self._is_epoch = False
        self._sky = SkyGather()
        self.add(first)

    @property
    def extent(self) -> tuple[int, int]:
        """Stream offset of the first message, and how many there are."""
        return self._offsets[0], len(self._offsets)

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
        self.moment = Moment(
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
