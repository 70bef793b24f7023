"""Stretches of a buffer that are messages of one dialect."""

from __future__ import annotations

from typing import NamedTuple

from offtake.dialects.bulk.buffer import Ints

UNKNOWN = -1
"""The place of a message kind that the dialect does not know."""


class Found(NamedTuple):
    """Messages with a right check by their starts, which rise: ``ends`` are exclusive, and ``messages`` is each one's
    place in its dialect's table (or :data:`UNKNOWN`). All of shape (n,)."""

    starts: Ints
    ends: Ints
    messages: Ints
