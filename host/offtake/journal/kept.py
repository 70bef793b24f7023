"""Plain values that were kept in a file, which may hold anything."""

from __future__ import annotations

from typing import Any

_WHOLE_MAX = 2**63


def whole(value: Any) -> int:
    """A whole number from 0 on, of 63 bits at the most; ValueError for anything else."""
    if type(value) is not int or not 0 <= value < _WHOLE_MAX:
        raise ValueError(f"{value!r} is no number of things")
    return value


def content(value: Any) -> bytes:
    """Bytes that were kept as hex digits; ValueError or TypeError for anything else."""
    return bytes.fromhex(value)
