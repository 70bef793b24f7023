"""What a decoder hands on: messages, faults and counts, the same for every dialect."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

FieldValue = (
    None
    | bool
    | int
    | float
    | str
    | dt.date
    | tuple[int, ...]
    | tuple[str, ...]
    | tuple[Mapping[str, "FieldValue"], ...]
)
"""A decoded value. ``None`` is absent. Times of day are integers in microseconds, angles degrees."""

MessageState = Literal["decoded", "invalid", "unknown"]
FaultKind = Literal["bad_checksum", "without_checksum", "overlong", "broken"]

FAULTS_KEPT = 1000
UNKNOWN_NAMES_KEPT = 256
OTHER_NAMES = "(others)"


@dataclass(frozen=True, slots=True)
class Message:
    """One message whose checksum was right.

    ``offset`` is the stream offset in bytes of its first byte, ``raw`` its bytes without line end.
    ``state`` is ``decoded``; ``invalid`` (a value breaks its format or range: ``reason`` says which, and
    ``values`` holds only the fields that were sound); or ``unknown`` (no such message in the dialect).
    ``talker`` is empty in binary dialects. ``key`` is what the stream itself calls the message: a sentence's address,
    a binary message's number; ``name`` what the dialect calls it, of an unknown binary message the key again.
    """

    dialect: str
    talker: str
    name: str
    offset: int
    raw: bytes
    state: MessageState
    reason: str
    values: Mapping[str, FieldValue]
    key: str = ""

    @property
    def text(self) -> str:
        """The message as ASCII text (text dialects)."""
        return self.raw.decode("ascii")


@dataclass(frozen=True, slots=True)
class Fault:
    """A stretch of the stream that began like a message and was none; ``offset`` in bytes of its start."""

    kind: FaultKind
    offset: int
    detail: str


@dataclass
class DialectCounts:
    """Messages with a right checksum in one dialect: how many, their bytes, and how many by name.

    Unknown messages go by their key: a proprietary "PGGA" is no "GGA".
    """

    messages: int = 0
    bytes: int = 0
    names: dict[str, int] = field(default_factory=dict)

    def add(self, message: Message) -> None:
        """Count one message; past a few hundred names the rest share one entry."""
        self.messages += 1
        self.bytes += len(message.raw)
        name = message.key if message.state == "unknown" else message.name
        if name not in self.names and len(self.names) >= UNKNOWN_NAMES_KEPT:
            name = OTHER_NAMES
        self.names[name] = self.names.get(name, 0) + 1


@dataclass
class DecodeCounts:
    """What a decoder saw.

    Every byte is accounted for: ``bytes_fed`` is the sum of ``message_bytes``, ``line_end_bytes``,
    ``noise_bytes`` and what still waits for its end.
    """

    bytes_fed: int = 0
    message_bytes: int = 0
    line_end_bytes: int = 0
    noise_bytes: int = 0
    decoded: int = 0
    invalid: int = 0
    unknown: int = 0
    bad_checksum: int = 0
    without_checksum: int = 0
    overlong: int = 0
    broken: int = 0
    unknown_names: dict[str, int] = field(default_factory=dict)
    dialects: dict[str, DialectCounts] = field(default_factory=dict)

    def add_unknown(self, name: str) -> None:
        """Count an unknown message by name; past a few hundred names the rest share one entry."""
        self.unknown += 1
        if name not in self.unknown_names and len(self.unknown_names) >= UNKNOWN_NAMES_KEPT:
            name = OTHER_NAMES
        self.unknown_names[name] = self.unknown_names.get(name, 0) + 1
