"""What the stream decoder asks of a family of dialects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

from offtake.dialects.message import FaultKind, Message

NOT_A_START: Literal["not_a_start"] = "not_a_start"
"""The bytes cannot be the beginning of a message: not worth a fault."""
MORE: Literal["more"] = "more"
"""It may still become a message, when more bytes come."""


@dataclass(frozen=True, slots=True)
class Broken:
    """It began like a message and is none."""

    kind: FaultKind
    detail: str


Verdict = Message | Broken | Literal["not_a_start", "more"]


class Framer(Protocol):
    """Judges what begins at one place of the stream, by ``reach`` bytes at the most. It keeps nothing from one call to
    the next."""

    name: str
    first_bytes: frozenset[int]
    reach: int

    def judge(self, buffer: bytes, start: int, offset: int) -> Verdict:
        """Judge the bytes from ``start`` on, whose first is at ``offset`` in the stream."""
