"""Which messages belong to one epoch, and what they say together.

Messages with the same time of day are one epoch. Those without a time (course, dilution) are told apart by
the pause a receiver makes between epochs, and on a line without pauses by the order of its sentences: a
sentence that comes again opens the next epoch. Fields are taken by name, not by sentence, so a sentence added
to a dialect contributes without a change here.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from offtake.dialects.message import FieldValue, Message
from offtake.dialects.stream import TimedMessage
from offtake.track.fix import Fix

# A pause of this length may be one between epochs. Receivers pause a few milliseconds between sentences and,
# at ten epochs a second on a half-used line, some fifty between epochs.
EPOCH_PAUSE_US = 20_000

# International knot: 1852 m an hour, by definition.
KNOT_M_S = 1852 / 3600
KM_H_M_S = 1000 / 3600

# Fields of a fix that a message may carry under the same name.
_PLAIN_FIELDS = ("altitude_m", "geoid_separation_m", "course_deg")
_REPORT_FIELDS = ("fix_type", "hdop", "vdop", "pdop")
# From the least to the most trusted; the best constellation's mode stands for the solution.
_MODE_ORDER = (
    "none", "other", "manual", "simulator", "estimated",
    "autonomous", "differential", "precise", "rtk_float", "rtk_fixed",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Epoch:
    """A fix without its UTC, and the date its messages gave, if any (with the time of day it goes with)."""

    fix: Fix
    date: dt.date | None


def group_epochs(
    messages: Iterable[TimedMessage], run: int, pause_us: int = EPOCH_PAUSE_US
) -> Iterator[Epoch]:
    """Merge decoded ``messages`` of one run, in stream order, to epochs; other messages are passed over.

    An epoch is given out when one of its messages could carry a time or a position, known or not.
    """
    current: _Gather | None = None
    # Messages without a time, after a pause: of the next epoch unless the time that follows says otherwise.
    waiting: _Gather | None = None
    quiet_us, after_loss = 0, False
    for timed in messages:
        quiet_us = max(quiet_us, timed.quiet_before_us)
        after_loss = after_loss or timed.after_loss
        if timed.message.state != "decoded":
            continue
        step = _Step(timed, quiet_us >= pause_us, after_loss)
        quiet_us, after_loss = 0, False
        if current is None:
            current = _Gather(step)
        elif waiting is None and _continues(current, step):
            current.add(step)
        elif step.time is None:
            if waiting is not None and not step.paused and not waiting.repeats(step):
                waiting.add(step)
            else:
                if waiting is not None:
                    yield from current.finish(run)
                    current = waiting
                waiting = _Gather(step)
        elif step.time == current.time and not current.repeats(step):
            if waiting is not None:
                current.absorb(waiting)
                waiting = None
            current.add(step)
        else:
            yield from current.finish(run)
            current = _opened_by(waiting, step)
            waiting = None
    for last in (current, waiting):
        if last is not None:
            yield from last.finish(run)


@dataclass(frozen=True, slots=True)
class _Step:
    """A decoded message, with a pause or a loss before it."""

    timed: TimedMessage
    paused: bool
    after_loss: bool

    @property
    def time(self) -> int | None:
        value = self.timed.message.values.get("time_of_day_us")
        return value if isinstance(value, int) else None

    @property
    def key(self) -> tuple[str, str, Any]:
        """What kind of message it is; the same kind does not come twice in an epoch."""
        message = self.timed.message
        return message.talker, message.name, message.values.get("system_id")


def _continues(current: _Gather, step: _Step) -> bool:
    """Whether ``step`` belongs to ``current`` beyond doubt."""
    if step.paused or current.repeats(step):
        return False
    return step.time is None or current.time is None or step.time == current.time


def _opened_by(waiting: _Gather | None, step: _Step) -> _Gather:
    """Return the epoch that ``step`` gives its time to."""
    if waiting is None:
        return _Gather(step)
    waiting.add(step)
    return waiting


class _Gather:
    """An epoch while its messages come in. The first message that knows a value gives it."""

    def __init__(self, first: _Step) -> None:
        self.time: int | None = None
        self._tick_us = first.timed.tick_us
        self._after_loss = False
        self._values: dict[str, Any] = {}
        self._date: dt.date | None = None
        self._offsets: list[int] = []
        self._keys: set[tuple[str, str, Any]] = set()
        self._last_name = ""
        self._is_epoch = False
        self.add(first)

    def repeats(self, step: _Step) -> bool:
        """Whether this kind of message was here before; one name several times in a row is a set."""
        message = step.timed.message
        if message.name == self._last_name and step.time is None:
            return False
        return step.key in self._keys and _contributes(message)

    def add(self, step: _Step) -> None:
        message = step.timed.message
        self._keys.add(step.key)
        self._last_name = message.name
        self._offsets.append(message.offset)
        self._after_loss = self._after_loss or step.after_loss
        if "time_of_day_us" in message.values or "latitude_deg" in message.values:
            self._is_epoch = True
        if self.time is None:
            self.time = step.time
        date = message.values.get("date")
        if self._date is None and isinstance(date, dt.date) and step.time is not None:
            self._date = date
        self._merge(_contribution(message.values))
        if message.values.get("fix_quality") not in (None, "none"):
            # The sentence made to tell the quality tells it more finely than a mode letter.
            self._values["fix_quality"] = message.values["fix_quality"]

    def absorb(self, other: _Gather) -> None:
        """Take in ``other``, which came later and turned out to be of this epoch."""
        self._offsets += other._offsets
        self._keys |= other._keys
        self._after_loss = self._after_loss or other._after_loss
        self._merge(other._values)

    def _merge(self, given: dict[str, Any]) -> None:
        for name, value in given.items():
            if name == "satellites_used":
                # Some sentences stop counting at twelve.
                self._values[name] = max(value, self._values.get(name, 0))
            elif self._values.get(name) in (None, "none"):
                self._values[name] = value

    def finish(self, run: int) -> Iterator[Epoch]:
        """Give out the epoch, unless no message in it could carry a time or a position."""
        if self._is_epoch:
            fix = Fix(
                run=run,
                tick_us=self._tick_us,
                time_of_day_us=self.time,
                after_loss=self._after_loss,
                source_offsets=tuple(self._offsets),
                **self._values,
            )
            yield Epoch(fix, self._date)


def _contributes(message: Message) -> bool:
    names = ("time_of_day_us", "latitude_deg", "speed_kn", "speed_km_h", "course_deg", "hdop", "fix_type")
    return any(name in message.values for name in names)


def _contribution(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fields of a fix that a message's ``values`` give."""
    given: dict[str, Any] = {name: values.get(name) for name in _REPORT_FIELDS}
    quality = _quality(values)
    void = values.get("status") == "void" or quality == "none"
    given["fix_quality"] = "none" if void else quality
    given["satellites_used"] = values.get("satellites_used")
    if not void:
        # Positions, speeds and courses that the receiver does not vouch for are left out.
        latitude, longitude = values.get("latitude_deg"), values.get("longitude_deg")
        if latitude is not None and longitude is not None:
            given["latitude_deg"], given["longitude_deg"] = latitude, longitude
        given |= {name: values.get(name) for name in _PLAIN_FIELDS}
        given["speed_m_s"] = _speed_m_s(values)
    return {name: value for name, value in given.items() if value is not None}


def _quality(values: Mapping[str, Any]) -> str | None:
    quality: FieldValue = values.get("fix_quality") or values.get("mode")
    modes = values.get("modes")
    if quality is None and modes:
        quality = max(modes, key=_MODE_ORDER.index)
    return quality if isinstance(quality, str) else None


def _speed_m_s(values: Mapping[str, Any]) -> float | None:
    if values.get("speed_kn") is not None:
        return float(values["speed_kn"]) * KNOT_M_S
    if values.get("speed_km_h") is not None:
        return float(values["speed_km_h"]) * KM_H_M_S
    return None
