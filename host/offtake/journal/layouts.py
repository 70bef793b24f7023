"""On whose word a run's messages are read: the run's own description, the journal's other runs, or this version's
spec."""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Mapping
from dataclasses import dataclass, field, replace
from enum import IntFlag
from functools import lru_cache
from typing import Any, Literal, NamedTuple

from offtake.generated.records import MESSAGES, Description
from offtake.journal.columns import NAME_LENGTH_MAX
from offtake.journal.description import DescribedField, DescribedMessage, parse_description
from offtake.journal.frames import Frame
from offtake.journal.kept import content, whole
from offtake.records import FieldInfo, Record
from offtake.spec.model import OWN_CODE_FIRST

LayoutFrom = Literal["log", "journal", "spec"]
"""The run's own description; that of the journal's other runs, which agree; this version's spec."""

# A real journal has as many different descriptions as the releases that wrote it had messages; an untrusted one may
# have as many as frames.
_DIFFERENT_MAX = 4096


class Found(NamedTuple):
    """A message's layout, on whose word, and the message's name as columns and files may bear it."""

    message: DescribedMessage
    origin: LayoutFrom
    name: str


@dataclass
class _OfRun:
    """One run's descriptions by code. ``sure`` are the codes whose frame's run is beyond doubt."""

    payloads: dict[int, bytes] = field(default_factory=dict)
    sure: set[int] = field(default_factory=set)
    unreadable: int = 0
    contradicted: int = 0


class Layouts:
    """The descriptions in a journal, and which of them each run is read by.

    A message of the logger is always read by the spec. Any other is read by the run's own description. A run that
    lacks it, because its beginning is lost, is read by that of the journal's other runs if all that have one say the
    same; else by the spec, unless the others contradict each other about a code that the kit does not give out. What
    then is left has no layout.
    """

    def __init__(self) -> None:
        self._runs: dict[int, _OfRun] = {}
        self._parsed: dict[bytes, DescribedMessage | None] = {}
        # By code: in how many runs each description is the one that counts.
        self._told: dict[int, Counter[bytes]] = {}
        self._left_out = 0

    def add(self, frame: Frame) -> None:
        """Take in a frame; only descriptions of a run that is known, at least likely, count."""
        run = frame.likely_run
        if frame.code != Description.CODE or run is None:
            return
        payload = frame.payload
        if payload not in self._parsed:
            if len(self._parsed) >= _DIFFERENT_MAX:
                self._left_out += 1
                return
            self._parsed[payload] = parse_description(payload)
        message = self._parsed[payload]
        of_run = self._runs.setdefault(run, _OfRun())
        if message is None:
            of_run.unreadable += 1
        elif not is_loggers(message.code):
            self._put(of_run, message.code, payload, sure=frame.run is not None)

    def _put(self, of_run: _OfRun, code: int, payload: bytes, *, sure: bool) -> None:
        before = of_run.payloads.get(code)
        if before is None or (sure and code not in of_run.sure):
            told = self._told.setdefault(code, Counter())
            if before is not None:
                told[before] -= 1
                if not told[before]:
                    del told[before]
            told[payload] += 1
            of_run.payloads[code] = payload
        elif before != payload:
            of_run.contradicted += 1
        if sure:
            of_run.sure.add(code)

    def state(self) -> dict[str, Any]:
        """The descriptions and who gave them, in plain values; see :meth:`restore`."""
        index = {payload: number for number, payload in enumerate(self._parsed)}
        runs = [
            [run, [[code, index[payload], code in one.sure] for code, payload in sorted(one.payloads.items())],
             one.unreadable, one.contradicted]
            for run, one in sorted(self._runs.items())
        ]  # fmt: skip
        return {"payloads": [payload.hex() for payload in self._parsed], "runs": runs, "left_out": self._left_out}

    def restore(self, state: Any) -> None:
        """Take over what :meth:`state` gave. ValueError, TypeError, KeyError or IndexError for anything else."""
        payloads = [content(one) for one in state["payloads"]]
        self._parsed = {payload: parse_description(payload) for payload in payloads[:_DIFFERENT_MAX]}
        self._left_out = whole(state["left_out"])
        for run, given, unreadable, contradicted in state["runs"]:
            of_run = self._runs[whole(run)] = _OfRun(unreadable=whole(unreadable), contradicted=whole(contradicted))
            for code, number, sure in given:
                payload = payloads[whole(number)]
                message = self._parsed[payload]
                if message is None or message.code != code:
                    raise ValueError("a description of another message")
                self._put(of_run, code, payload, sure=bool(sure))

    def take(self, other: Layouts, runs: Container[int]) -> None:
        """Add what ``runs``, of which nothing is known yet, say in ``other``."""
        self._parsed.update(other._parsed)
        for run, one in other._runs.items():
            if run in runs:
                of_run = self._runs[run] = _OfRun(unreadable=one.unreadable, contradicted=one.contradicted)
                for code, payload in one.payloads.items():
                    self._put(of_run, code, payload, sure=code in one.sure)

    def of(self, run: int, code: int) -> Found | None:
        """How message ``code`` lies in ``run``; None where nobody tells."""
        if is_loggers(code):
            return _found(by_spec(code), "spec")
        own = self._runs.get(run)
        if own and code in own.payloads:
            return self._found(own.payloads[code], "log")
        others: Mapping[bytes, int] = self._told.get(code, {})
        if len(others) == 1:
            return self._found(next(iter(others)), "journal")
        if code not in MESSAGES or (others and code >= OWN_CODE_FIRST):
            return None
        return _found(by_spec(code), "spec")

    def is_measurement(self, run: int, code: int) -> bool:
        """Whether message ``code`` in ``run`` is none of the logger's own, and can be read."""
        return not is_loggers(code) and self.of(run, code) is not None

    def name(self, run: int, code: int) -> str:
        """What message ``code`` is called in ``run``: a harmless identifier."""
        found = self.of(run, code)
        return f"unknown_{code}" if found is None else found.name

    def _found(self, payload: bytes, origin: LayoutFrom) -> Found | None:
        message = self._parsed[payload]
        return None if message is None else _found(message, origin)

    def notes(self, run: int, counts: Mapping[int, int]) -> tuple[str, ...]:
        """What is to be said of how ``run`` was read, in sentences; ``counts`` are its frames by code."""
        notes = []
        of_run = self._runs.get(run, _OfRun())
        if of_run.unreadable:
            what = _many(of_run.unreadable, "description of a message", "descriptions of messages")
            notes.append(f"Run {run}: {what} could not be read and went unused.")
        if of_run.contradicted:
            what = _many(of_run.contradicted, "description contradicts", "descriptions contradict")
            notes.append(f"Run {run}: {what} an earlier one of the same message; the first counts.")
        if self._left_out:
            notes.append(f"Over {_DIFFERENT_MAX:,} different descriptions in the journal: the others went unused.")
        for code, count in sorted(counts.items()):
            found = self.of(run, code)
            frames = _many(count, "frame", "frames")
            if found is None:
                why = "neither the run nor this version tells what such a message holds"
                notes.append(f"Run {run}: {frames} with message code {code} passed over: {why}.")
            elif found.origin == "journal":
                why = "read as the journal's other runs describe it"
                notes.append(f"Run {run} does not describe its message {found.name} (code {code}): {frames}, {why}.")
        return tuple(notes)


def is_loggers(code: int) -> bool:
    """Whether ``code`` is a message in which the logger speaks of itself."""
    return code in MESSAGES and MESSAGES[code].ROLE == "logger"


def _many(count: int, one: str, more: str) -> str:
    return f"{count:,} {one if count == 1 else more}"


def _found(message: DescribedMessage, origin: LayoutFrom) -> Found:
    return Found(message, origin, message.name[:NAME_LENGTH_MAX])


@lru_cache(maxsize=128)
def by_spec(code: int) -> DescribedMessage:
    """How this version's spec describes message ``code``; KeyError for one it does not know."""
    record: type[Record] = MESSAGES[code]
    return DescribedMessage(code, record.NAME, tuple(_described(info) for info in record.FIELDS))


def _described(info: FieldInfo) -> DescribedField:
    plain = DescribedField(info.name, info.kind, info.size, info.count, info.scale, info.unit)
    if info.choices is None:
        return plain
    is_flags = issubclass(info.choices, IntFlag)
    names = {int(one).bit_length() - 1 if is_flags else int(one): str(one.name).lower() for one in info.choices}
    return replace(plain, choices=names, is_flags=is_flags)
