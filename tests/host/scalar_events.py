"""The events of a run, frame by frame: what :mod:`offtake.journal.events` says with tables must be the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from offtake.generated.records import Event, Loss, RunEnd, RunStart, Sensor, Supply
from offtake.journal.events import EventKind, RunEvent, _at_input, _event, _Series, _told, _worded
from offtake.journal.frames import Frame
from offtake.journal.layouts import Layouts
from offtake.journal.twins import Twins
from scalar_frames import timed_frames


def scalar_story(frames: Iterable[Frame], run: int) -> tuple[tuple[RunEvent, ...], int]:
    """Return the events in ``frames``, all those of run number ``run`` in order, sorted by time; and the latest tick of
    any of the frames, in microseconds since power-up (0 without frames).

    The events are bounded by :data:`SERIES_MAX` of each kind and cause, however many frames there are: past that,
    neighbours within a second, and then within longer and longer times, are merged, counts summed. Runs over the frames
    once.
    """
    end_tick_us = 0
    senses = True

    def timed() -> Iterator[tuple[int, Frame]]:
        nonlocal end_tick_us, senses
        for tick_us, frame in timed_frames(frames):
            end_tick_us = max(end_tick_us, tick_us)
            if frame.code == RunStart.CODE:
                start = frame.record()[1]
                senses = not isinstance(start, RunStart) or start.sensors != Sensor(0)
            yield tick_us, frame

    series: dict[tuple[EventKind, str], _Series] = {}
    for event in _events(timed(), run):
        series.setdefault((event.kind, event.cause), _Series()).add(event)
    every = [event for one in series.values() for event in one.events]
    return tuple(sorted((_worded(event, senses) for event in every), key=lambda event: event.tick_us)), end_tick_us


def _events(timed: Iterable[tuple[int, Frame]], run: int) -> Iterator[RunEvent]:
    last_block: int | None = None
    layouts = Layouts()
    twins = Twins()
    for tick_us, frame in timed:
        layouts.add(frame)
        if last_block is None and frame.code != RunStart.CODE:
            yield _event(run, tick_us, "damage", "no_start")
        elif last_block is not None and frame.after_damage:
            yield _event(run, tick_us, "damage", "missing", max(0, frame.block_number - last_block - 1))
        last_block = frame.block_number
        if frame.code in (RunStart.CODE, Loss.CODE, Supply.CODE, RunEnd.CODE):
            yield _told(run, tick_us, frame.record()[1])
        elif frame.code == Event.CODE and not twins.repeats(frame):
            yield from _at_input(run, tick_us, frame, layouts)
