"""What measurements have that their definition does not: values out of range, unknown choices, too many frames."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from typing import Literal, NamedTuple

from offtake.generated.records import BOARD_TICK_NS, MESSAGES, RunStart
from offtake.journal.description import DescribedField, DescribedMessage
from offtake.journal.frames import Frame
from offtake.journal.layouts import Found, Layouts, by_spec, is_loggers
from offtake.records import FieldInfo
from offtake.spec.model import WIRE_SIZES

OddKind = Literal["out_of_range", "unknown_choice", "too_often"]

FAR_TIMES = 3.0
"""So many times its highest rate is more than a message's jitter."""
_ODDITIES_MAX = 1000
_WINDOW_S = 1.0
_TICK_SPAN = 2**32
_NS = 1e9


@dataclass(frozen=True, slots=True)
class Oddity:
    """One thing in a run that a definition does not foresee; the log keeps it as it came.

    ``count``: of ``frames`` values seen, so many are ``out_of_range`` or of an ``unknown_choice`` in ``field``; for
    ``too_often`` (``field`` empty) the most frames within ``seconds``. ``low``, ``high``: the range, in the field's
    unit; for ``too_often`` ``high`` is the rate a second that the definition gives.
    """

    run: int
    message: str
    field: str
    kind: OddKind
    count: int
    frames: int
    low: float | None = None
    high: float | None = None
    unit: str = ""
    seconds: float | None = None

    @property
    def words(self) -> str:
        """It in a sentence, without the run."""
        if self.kind == "too_often":
            rate = self.count / (self.seconds or 1.0)
            return f"{self.message} came {_number(rate)} times a second, its definition says at most {self.high:g}."
        values = f"{self.count:,} of {self.frames:,} values of {self.message}.{self.field}"
        verb = "is" if self.count == 1 else "are"
        if self.kind == "unknown_choice":
            return f"{values} {verb} none of its choices, and kept as the number."
        unit = f" {self.unit}" if self.unit else ""
        return f"{values} {verb} outside {self.low:g} to {self.high:g}{unit}, the range of its definition, and kept."


class _Part(NamedTuple):
    """A number in a payload, or the numbers of an array: where, and what they may be."""

    name: str
    at: int
    size: int
    elements: int
    signed: bool
    low: int
    high: int
    choices: frozenset[int] | None
    described: DescribedField


@dataclass(slots=True)
class _Seen:
    """Frames of one message in one run."""

    frames: int = 0
    most: int = 0
    window_tick: int | None = None
    in_window: int = 0
    values: dict[tuple[str, OddKind], int] = field(default_factory=dict)


class Oddities:
    """Counts them on the way over a journal's frames. ``layouts`` knows the descriptions before each frame."""

    def __init__(self, layouts: Layouts) -> None:
        self._layouts = layouts
        # By run and message code.
        self._seen: dict[int, dict[int, _Seen]] = {}
        self._tick_ns: dict[int, int] = {}
        # By the description's identity, which stands beside it so that it lives as long.
        self._parts: dict[int, tuple[DescribedMessage, tuple[_Part, ...]]] = {}

    def add(self, run: int, frame: Frame) -> None:
        """Take in a frame of ``run``."""
        if frame.code == RunStart.CODE:
            record = frame.record()[1]
            if isinstance(record, RunStart) and record.tick_ns:
                self._tick_ns[run] = record.tick_ns
            return
        found = None if is_loggers(frame.code) else self._layouts.of(run, frame.code)
        if found is None:
            return
        of_run = self._seen.setdefault(run, {})
        seen = of_run.get(frame.code)
        if seen is None:
            seen = of_run[frame.code] = _Seen()
        seen.frames += 1
        for part in self._parts_of(found):
            for kind in _odd(part, frame.payload):
                seen.values[part.name, kind] = seen.values.get((part.name, kind), 0) + 1
        most_hz = _most_hz(found)
        if most_hz and frame.tick is not None:
            self._count(seen, frame.tick, _window_s(most_hz) * _NS / self._tick_of(run))

    def _count(self, seen: _Seen, tick: int, window: float) -> None:
        """The most frames in any stretch of ``window`` ticks that begins with a frame, one stretch after the other. A
        tick before the stretch (frames may wait a little) begins a new one."""
        if seen.window_tick is None or (tick - seen.window_tick) % _TICK_SPAN >= window:
            seen.window_tick, seen.in_window = tick, 0
        seen.in_window += 1
        seen.most = max(seen.most, seen.in_window)

    def _tick_of(self, run: int) -> int:
        return self._tick_ns.get(run) or next(iter(BOARD_TICK_NS.values()))

    def of(self, run: int) -> tuple[Oddity, ...]:
        """What is odd in ``run``; at most a thousand things."""
        seen = sorted(self._seen.get(run, {}).items())
        return tuple(islice((odd for code, one in seen for odd in self._told(run, code, one)), _ODDITIES_MAX))

    def _told(self, run: int, code: int, seen: _Seen) -> Iterator[Oddity]:
        found = self._layouts.of(run, code)
        if found is None:
            return
        most_hz = _most_hz(found)
        seconds = _window_s(most_hz) if most_hz else 0.0
        if most_hz and seen.most > FAR_TIMES * most_hz * seconds:
            yield Oddity(run, found.name, "", "too_often", seen.most, seen.frames, None, most_hz, "", seconds)
        for part in self._parts_of(found):
            for kind in ("out_of_range", "unknown_choice"):
                count = seen.values.get((part.name, kind), 0)
                if count:
                    low, high = (None, None) if part.choices is not None else _range(part)
                    yield Oddity(run, found.name, part.name, kind, count, seen.frames, low, high, part.described.unit)

    def _parts_of(self, found: Found) -> tuple[_Part, ...]:
        message = found.message
        known = self._parts.get(id(message))
        if known is None:
            known = self._parts[id(message)] = (message, tuple(_parts(message)))
        return known[1]


def _parts(message: DescribedMessage) -> Iterator[_Part]:
    """The numbers of ``message`` of which something is known: choices by its description, ranges by this version's spec
    where that has the very same field."""
    ranges = _ranges(message)
    at = 0
    for one in message.fields:
        if one.kind in WIRE_SIZES:
            choices = None if one.choices is None or one.is_flags else frozenset(one.choices)
            size, signed = WIRE_SIZES[one.kind], one.kind[0] == "i"
            whole = (-(2 ** (8 * size - 1)), 2 ** (8 * size - 1) - 1) if signed else (0, 2 ** (8 * size) - 1)
            info = ranges.get(one.name)
            low, high = whole if info is None or info.choices is not None else (info.low, info.high)
            # Most fields may hold whatever their bytes can.
            if choices is not None or (low, high) != whole:
                yield _Part(one.name, at, size, one.count or 1, signed, low, high, choices, one)
        at += one.size or 0


def _ranges(message: DescribedMessage) -> dict[str, FieldInfo]:
    if message.code not in MESSAGES or message.name != MESSAGES[message.code].NAME:
        return {}
    ours = {one.name: one for one in by_spec(message.code).fields}
    return {
        info.name: info
        for info in MESSAGES[message.code].FIELDS
        for one in message.fields
        if one.name == info.name and _alike(one, ours[info.name])
    }


def _alike(one: DescribedField, other: DescribedField) -> bool:
    return (one.kind, one.count, one.scale, one.unit) == (other.kind, other.count, other.scale, other.unit)


def _odd(part: _Part, payload: bytes) -> Iterator[OddKind]:
    """What is odd about the numbers that are wholly in ``payload``, once for each kind."""
    end = part.at + part.size * part.elements
    if end > len(payload):
        return
    pieces = (payload[at : at + part.size] for at in range(part.at, end, part.size))
    raws = [int.from_bytes(piece, "little", signed=part.signed) for piece in pieces]
    if part.choices is not None:
        if any(raw not in part.choices for raw in raws):
            yield "unknown_choice"
    elif any(not part.low <= raw <= part.high for raw in raws):
        yield "out_of_range"


def _range(part: _Part) -> tuple[float, float]:
    scale = part.described.scale
    return (scale.apply(part.low), scale.apply(part.high)) if scale else (part.low, part.high)


def _most_hz(found: Found) -> float:
    """The highest rate that this version's spec gives the message, 0 where it gives none."""
    record = MESSAGES.get(found.message.code)
    return record.AT_MOST_HZ if record is not None and found.message.name == record.NAME else 0.0


def _window_s(most_hz: float) -> float:
    return max(_WINDOW_S, 1.0 / most_hz)


def _number(rate: float) -> str:
    return f"{rate:,.0f}" if rate >= 10.0 else f"{rate:.2g}"
