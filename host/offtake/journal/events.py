"""What a run's frames tell beside the receiver's bytes, in plain words: start and end, losses, damage, supply, and what
happened at the event input."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from offtake.generated.records import (
    Description,
    Event,
    Level,
    Loss,
    LossCause,
    ResetCause,
    RunEnd,
    RunStart,
    Sensor,
    Supply,
    WhenFull,
)
from offtake.journal.bulk.frames import FrameTable
from offtake.journal.bulk.times import TimedTable, timed_tables
from offtake.journal.frames import Frame
from offtake.journal.layouts import Layouts
from offtake.journal.twins import Twins
from offtake.records import Record

EventKind = Literal["run_start", "loss", "supply", "run_end", "damage", "event"]

SERIES_MAX = 2000
"""So many events of one kind and cause are told apart; beyond that, neighbours are told as one."""
_WINDOW_US = 1_000_000

# (what happened, unit of the count)
_LOSS_WORDS = {
    LossCause.RING_FULL: ("the card was too slow and the ring was full", "byte"),
    LossCause.OVERRUN: ("the chip's receiver overran, so at least as many bytes are missing", "event"),
    LossCause.FRAMING: ("a byte came without its stop bit and was logged as read", "event"),
    LossCause.SETTINGS: ("heard before the journal's settings were known", "byte"),
    LossCause.CARD: ("the card lost or refused a block", "byte"),
    LossCause.SENSOR_ROOM: ("found no room on the shelf, or the time for it passed", "sensor message"),
    LossCause.SENSOR_SILENT: ("the sensor did not answer", "sensor reading"),
}
# Without sensors nothing is due at a time; a message that someone added finds little room.
_NO_ROOM = "found no room on the shelf, which holds few and short ones while no sensor is on"
_NOT_OF_THE_LINE = ("framing", "sensor_room", "sensor_silent")
# The frames to look at: those that are events, and the descriptions that say how others are to be read.
_LOGGERS = (RunStart.CODE, Loss.CODE, Supply.CODE, RunEnd.CODE)
_TELLING = np.isin(np.arange(256), (*_LOGGERS, Event.CODE, Description.CODE))
_LEVELS = {level.name.lower() for level in Level}
_FULL_WORDS = {WhenFull.STOP: "stops when full", WhenFull.WRAP: "goes on over the oldest blocks when full"}


@dataclass(frozen=True, slots=True)
class RunEvent:
    """One event of a run, or ``merged`` neighbouring ones of the same kind and cause told as one.

    ``tick_us`` and ``last_tick_us`` are the times of the first and the last of them in microseconds since power-up.
    ``cause`` is a loss's cause, a start's reset causes joined by ``+``, an end's reason, of an event at the event input
    the level it went to (``high``, ``low``, or ``other`` where this version does not know it), or of damage ``missing``
    (frames are missing just before), ``no_start`` (the run's beginning is missing) or ``unreadable`` (a message of the
    logger that says what this version does not know). ``count`` is in bytes for the losses ``ring_full``,
    ``settings`` and ``card`` (exact), in messages and readings for ``sensor_room`` and ``sensor_silent`` (exact), in
    events for the other losses (a lower bound of the bytes concerned), in whole blocks for ``missing`` damage, in edges
    that did not last for events at the event input, and else 0. ``supply_mv`` is the least supply voltage in millivolts
    and ``card_busy_ms`` the longest time the card was busy with a block, in milliseconds. ``text`` says it in words.
    """

    run: int
    tick_us: int
    kind: EventKind
    cause: str
    count: int
    text: str
    last_tick_us: int
    merged: int = 1
    supply_mv: int | None = None
    card_busy_ms: int | None = None

    @property
    def loses_line_bytes(self) -> bool:
        """Whether bytes of the receiver are missing from here on."""
        return self.kind == "damage" or (self.kind == "loss" and self.cause not in _NOT_OF_THE_LINE)


def run_events(tables: Iterable[FrameTable], run: int) -> tuple[RunEvent, ...]:
    """The events of :func:`run_story`."""
    return run_story(tables, run)[0]


def run_story(tables: Iterable[FrameTable], run: int) -> tuple[tuple[RunEvent, ...], int]:
    """Return the events in ``tables``, all frames of run number ``run`` in order, sorted by time; and the latest tick
    of any of the frames, in microseconds since power-up (0 without frames). Runs over the tables once.
    """
    story = Story(run)
    for _ in story.heard(timed_tables(tables)):
        pass
    return story.events(), story.end_tick_us


class Story:
    """Gathers the events of run number ``run`` while its frames go by. ``end_tick_us`` is the latest tick of any frame
    so far, in microseconds since power-up.

    The events are bounded by :data:`SERIES_MAX` of each kind and cause, however many frames there are: past that,
    neighbours within a second, and then within longer and longer times, are merged, counts summed.
    """

    def __init__(self, run: int) -> None:
        self.end_tick_us = 0
        self._run = run
        self._senses = True
        self._last_block: int | None = None
        self._layouts = Layouts()
        self._twins = Twins()
        self._series: dict[tuple[EventKind, str], _Series] = {}

    def heard(self, timed: Iterable[TimedTable]) -> Iterator[TimedTable]:
        """Pass the tables on as they are, and take them in."""
        for table, times_us in timed:
            self.add(table, times_us)
            yield table, times_us

    def add(self, table: FrameTable, times_us: NDArray[np.int64]) -> None:
        """Take in the frames of ``table``, without copies of blocks, each with its time in microseconds since power-up:
        what :func:`~offtake.journal.bulk.times.timed_tables` gives. Only those that tell something are looked at."""
        if not len(table):
            return
        self.end_tick_us = max(self.end_tick_us, int(times_us.max()))
        telling = _TELLING[table.code] | table.after_damage
        telling[0] |= self._last_block is None
        for row in np.flatnonzero(telling).tolist():
            last_block = int(table.number[row - 1]) if row else self._last_block
            for event in self._events_of(table.frame(row), int(times_us[row]), last_block):
                self._series.setdefault((event.kind, event.cause), _Series()).add(event)
        self._last_block = int(table.number[-1])

    def loss_ticks(self) -> list[int]:
        """The ticks at which bytes of the receiver were lost, sorted, by the events that are still here."""
        lossy = [event for one in self._series.values() for event in one.events if event.loses_line_bytes]
        # An event may stand for several: bytes were lost at its first and at its last tick.
        return sorted({tick for event in lossy for tick in (event.tick_us, event.last_tick_us)})

    def events(self) -> tuple[RunEvent, ...]:
        """Those so far, sorted by time."""
        return self._sorted(event for one in self._series.values() for event in one.events)

    def taken(self, until_us: int) -> tuple[RunEvent, ...]:
        """Those so far that began before ``until_us``, sorted by time; they are given once and forgotten then."""
        return self._sorted(event for one in self._series.values() for event in one.taken(until_us))

    def _sorted(self, events: Iterable[RunEvent]) -> tuple[RunEvent, ...]:
        return tuple(sorted((_worded(event, self._senses) for event in events), key=lambda event: event.tick_us))

    def _events_of(self, frame: Frame, tick_us: int, last_block: int | None) -> Iterator[RunEvent]:
        run = self._run
        self._layouts.add(frame)
        if last_block is None and frame.code != RunStart.CODE:
            yield _event(run, tick_us, "damage", "no_start")
        elif last_block is not None and frame.after_damage:
            yield _event(run, tick_us, "damage", "missing", max(0, frame.block_number - last_block - 1))
        if frame.code in _LOGGERS:
            record = frame.record()[1]
            if frame.code == RunStart.CODE:
                self._senses = not isinstance(record, RunStart) or record.sensors != Sensor(0)
            yield _told(run, tick_us, record)
        elif frame.code == Event.CODE and not self._twins.repeats(frame):
            yield from _at_input(run, tick_us, frame, self._layouts)


def _told(run: int, tick_us: int, record: Record | None) -> RunEvent:
    """The event that a record is."""
    if isinstance(record, RunStart):
        return replace(_event(run, tick_us, "run_start", _reset_names(record.reset_cause)), text=_start_text(record))
    if isinstance(record, Loss):
        return _event(run, tick_us, "loss", record.cause.name.lower(), record.count)
    if isinstance(record, Supply):
        supply = _event(run, tick_us, "supply", "")
        return replace(supply, supply_mv=record.supply_mv, card_busy_ms=record.card_busy_ms)
    if isinstance(record, RunEnd):
        return _event(run, tick_us, "run_end", record.reason.name.lower())
    return _event(run, tick_us, "damage", "unreadable")


def _at_input(run: int, tick_us: int, frame: Frame, layouts: Layouts) -> Iterator[RunEvent]:
    """An event at the event input, unless the run says that its message of this code is something else."""
    found = layouts.of(run, frame.code)
    if found is None or found.message.name != Event.NAME:
        return
    values = found.message.decode(frame.payload)[1]
    level, ignored = values.get("level"), values.get("ignored", 0)
    if level is None:
        yield _event(run, tick_us, "damage", "unreadable")
        return
    cause = level if isinstance(level, str) and level in _LEVELS else "other"
    yield _event(run, tick_us, "event", cause, ignored if isinstance(ignored, int) else 0)


def _event(run: int, tick_us: int, kind: EventKind, cause: str, count: int = 0) -> RunEvent:
    return RunEvent(run, tick_us, kind, cause, count, "", tick_us)


class _Series:
    """Events of one kind and cause, few however many come."""

    def __init__(self) -> None:
        self.events: list[RunEvent] = []
        self._window_us = 0

    def add(self, event: RunEvent) -> None:
        self._put(event)
        while len(self.events) > SERIES_MAX:
            # Half of the room, so that merging is seldom.
            while len(self.events) > SERIES_MAX // 2:
                self._window_us = max(_WINDOW_US, self._window_us * 2)
                events, self.events = self.events, []
                for one in events:
                    self._put(one)

    def taken(self, until_us: int) -> list[RunEvent]:
        """Take out those that began before ``until_us``."""
        taken = [event for event in self.events if event.tick_us < until_us]
        self.events = [event for event in self.events if event.tick_us >= until_us]
        return taken

    def _put(self, event: RunEvent) -> None:
        last = self.events[-1] if self.events else None
        if last and self._window_us and event.last_tick_us - last.tick_us < self._window_us:
            self.events[-1] = _merge(last, event)
        else:
            self.events.append(event)


def _merge(first: RunEvent, second: RunEvent) -> RunEvent:
    return replace(
        first,
        tick_us=min(first.tick_us, second.tick_us),
        last_tick_us=max(first.last_tick_us, second.last_tick_us),
        count=first.count + second.count,
        merged=first.merged + second.merged,
        supply_mv=min((one.supply_mv for one in (first, second) if one.supply_mv is not None), default=None),
        card_busy_ms=max((one.card_busy_ms for one in (first, second) if one.card_busy_ms is not None), default=None),
    )


def _worded(event: RunEvent, senses: bool) -> RunEvent:
    """With its words; ``senses``: whether any sensor is on, as far as is known."""
    text = event.text or _text(event, senses)
    if event.merged > 1:
        seconds = (event.last_tick_us - event.tick_us) / 1e6
        text += f" ({event.merged:,} such within {seconds:,.1f} s, told as one)"
    return replace(event, text=text)


def _text(event: RunEvent, senses: bool) -> str:
    if event.kind == "loss":
        cause = LossCause[event.cause.upper()]
        what, unit = _LOSS_WORDS[cause]
        if cause is LossCause.SENSOR_ROOM and not senses:
            what = _NO_ROOM
        return f"{event.count:,} {unit}{'' if event.count == 1 else 's'}: {what}"
    if event.kind == "supply":
        busy = "" if event.card_busy_ms is None else f", the card was busy for at most {event.card_busy_ms} ms"
        return f"supply {(event.supply_mv or 0) / 1000:.2f} V{busy}"
    if event.kind == "event":
        went = f"went {event.cause}" if event.cause in _LEVELS else "changed"
        edges = f"{event.count:,} edge{'' if event.count == 1 else 's'}"
        return f"the event input {went}" + (f"; {edges} before it did not last" if event.count else "")
    if event.kind == "run_end":
        return "the run ended: " + {"desk": "a computer greeted the logger"}.get(event.cause, "the journal was full")
    if event.cause == "no_start":
        return "the run's beginning is missing"
    if event.cause == "unreadable":
        return "a message of the logger that this version cannot read"
    if event.count:
        return f"{event.count:,} block{'' if event.count == 1 else 's'} missing just before this"
    return "frames are missing just before this"


def _start_text(record: RunStart) -> str:
    firmware = f"{record.firmware_major}.{record.firmware_minor}.{record.firmware_patch}"
    why = _reset_names(record.reset_cause).replace("_", " ").replace("+", " and ") or "no cause told"
    full = _FULL_WORDS[record.when_full]
    return f"the run began (reset: {why}): firmware {firmware}, {record.baud:,} baud, {full}"


def _reset_names(cause: ResetCause) -> str:
    """Names of the flags that are set, joined by ``+``; bits of a later chip by their number."""
    names = [flag.name.lower() for flag in ResetCause if flag in cause and flag.name]
    unknown = int(cause) & ~sum(int(flag) for flag in ResetCause)
    return "+".join(names + [f"bit_{bit}" for bit in range(8) if unknown >> bit & 1])
