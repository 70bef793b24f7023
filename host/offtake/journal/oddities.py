"""What measurements have that their definition does not: values out of range, unknown choices, too many frames."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from math import ceil
from typing import Any, Literal, NamedTuple

import numpy as np

from offtake.generated.records import BOARD_TICK_NS, MESSAGES, RunStart
from offtake.journal.bulk.arrays import Bools, Ints
from offtake.journal.bulk.frames import FrameTable
from offtake.journal.description import DescribedField, DescribedMessage
from offtake.journal.gathered import is_in, numbers_at
from offtake.journal.kept import whole
from offtake.journal.layouts import Found, Layouts, by_spec, is_loggers
from offtake.native import kernels
from offtake.records import FieldInfo
from offtake.spec.model import WIRE_SIZES

OddKind = Literal["out_of_range", "unknown_choice", "too_often"]

FAR_TIMES = 3.0
"""So many times its highest rate is more than a message's jitter."""
_ODDITIES_MAX = 1000
_WINDOW_S = 1.0
_TICK_SPAN = 2**32
_NS = 1e9
# So many payloads are looked at sooner one by one than by arrays.
_FEW = 8


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

    @property
    def kind(self) -> OddKind:
        """What a number is that it may not be."""
        return "out_of_range" if self.choices is None else "unknown_choice"


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

    def begin(self, run: int, start: RunStart) -> None:
        """Take in the frame that began ``run``: its ticks may have a length of their own."""
        if start.tick_ns:
            self._tick_ns[run] = start.tick_ns

    def add(self, run: int, code: int, table: FrameTable, rows: Ints) -> None:
        """Take in frames of message ``code`` in ``run``, in order, with the layouts as they are: ``rows``, at least
        one, of ``table``."""
        found = None if is_loggers(code) else self._layouts.of(run, code)
        if found is None:
            return
        seen = self._seen.setdefault(run, {}).setdefault(code, _Seen())
        seen.frames += len(rows)
        payloads = [table.payload(row) for row in rows.tolist()] if len(rows) <= _FEW else None
        for part in self._parts_of(found):
            odd = int(np.count_nonzero(_odd_rows(part, table, rows))) if payloads is None else _odd(part, payloads)
            if odd:
                key = (part.name, part.kind)
                seen.values[key] = seen.values.get(key, 0) + odd
        most_hz = _most_hz(found)
        if most_hz:
            ticks = table.tick[rows]
            ticks = ticks if ticks.min() >= 0 else ticks[ticks >= 0]
            self._count(seen, ticks, _window_s(most_hz) * _NS / self._tick_of(run))

    def _count(self, seen: _Seen, ticks: Ints, window: float) -> None:
        """The most frames in any stretch of ``window`` ticks that begins with a frame, one stretch after the other. A
        tick before the stretch (frames may wait a little) begins a new one."""
        compiled = kernels()
        if compiled is not None:
            tick = -1 if seen.window_tick is None else seen.window_tick
            state = np.array([tick, seen.in_window, seen.most], dtype=np.int64)
            compiled.count_rates(ticks, min(ceil(window), _TICK_SPAN), _TICK_SPAN, state)
            tick, seen.in_window, seen.most = state.tolist()
            seen.window_tick = None if tick < 0 else tick
            return
        steps = np.diff(ticks) % _TICK_SPAN
        if not len(ticks) or window >= _TICK_SPAN // 2 or np.any(steps >= _TICK_SPAN // 2):
            for tick in ticks.tolist():
                self._count_one(seen, tick, window)
            return
        # The first frame may be of the window that is open.
        whole = ceil(window)
        ahead = whole if seen.window_tick is None else (int(ticks[0]) - seen.window_tick) % _TICK_SPAN
        grown = np.concatenate(([0], np.cumsum(steps)))
        at = 0 if ahead >= whole else int(grown.searchsorted(whole - ahead))
        most = seen.in_window = seen.in_window + at
        ends = grown.searchsorted(grown + whole).tolist()
        begin = -1
        while at < len(ticks):
            begin, at = at, ends[at]
            most = at - begin if at - begin > most else most
        if begin >= 0:
            seen.window_tick, seen.in_window = int(ticks[begin]), at - begin
        seen.most = max(seen.most, most)

    def _count_one(self, seen: _Seen, tick: int, window: float) -> None:
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

    def state(self) -> list[list[Any]]:
        """What was counted, in plain values; see :meth:`restore`."""
        return [
            [run, code, one.frames, one.most, [[*key, count] for key, count in sorted(one.values.items())]]
            for run, of_run in sorted(self._seen.items())
            for code, one in sorted(of_run.items())
        ]

    def restore(self, state: Iterable[Any]) -> None:
        """Take over what :meth:`state` gave, to be told, not to be counted on. ValueError or TypeError for anything
        else."""
        for run, code, frames, most, values in state:
            seen = _Seen(whole(frames), whole(most))
            for name, kind, count in values:
                if kind not in ("out_of_range", "unknown_choice"):
                    raise ValueError(kind)
                seen.values[str(name), kind] = whole(count)
            self._seen.setdefault(whole(run), {})[whole(code)] = seen

    def _told(self, run: int, code: int, seen: _Seen) -> Iterator[Oddity]:
        found = self._layouts.of(run, code)
        if found is None:
            return
        most_hz = _most_hz(found)
        seconds = _window_s(most_hz) if most_hz else 0.0
        if most_hz and seen.most > FAR_TIMES * most_hz * seconds:
            yield Oddity(run, found.name, "", "too_often", seen.most, seen.frames, None, most_hz, "", seconds)
        for part in self._parts_of(found):
            # What was odd by the spec may have been counted before the run's description came.
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


def _odd_rows(part: _Part, table: FrameTable, rows: Ints) -> Bools:
    """Of the payloads that have the part wholly, shape (m,), those in which one of its numbers may not be."""
    there = table.payload_at[rows[table.payload_size[rows] >= part.at + part.size * part.elements]]
    odd = np.zeros(len(there), dtype=np.bool_)
    kind = f"{'i' if part.signed else 'u'}{8 * part.size}"
    for at in range(part.at, part.at + part.size * part.elements, part.size):
        raws = numbers_at(table.data, there + at, kind)
        odd |= ((raws < part.low) | (raws > part.high)) if part.choices is None else ~is_in(raws, part.choices)
    return odd


def _odd(part: _Part, payloads: list[bytes]) -> int:
    """How many of ``payloads`` have the part wholly and in it a number that may not be."""
    end = part.at + part.size * part.elements
    odd = 0
    for payload in payloads:
        if len(payload) < end:
            continue
        for at in range(part.at, end, part.size):
            raw = int.from_bytes(payload[at : at + part.size], "little", signed=part.signed)
            if raw not in part.choices if part.choices is not None else not part.low <= raw <= part.high:
                odd += 1
                break
    return odd


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
