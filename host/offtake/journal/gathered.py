"""Numbers out of many places of a buffer at once, and whether many payloads of one message decode."""

from __future__ import annotations

from enum import IntFlag

import numpy as np

from offtake.journal.bulk.arrays import Bools, Ints, ranges
from offtake.native import kernels
from offtake.records import FieldInfo, Record
from offtake.spec.model import WIRE_SIZES

_TABLE_SIZE = 256


def numbers_at(data: bytes, places: Ints, kind: str) -> Ints:
    """The little-endian numbers of ``kind`` (``u8`` to ``i32``) that begin at ``places`` (bytes, shape (n,)) in
    ``data``, as int64, same shape. All must lie wholly inside."""
    size = WIRE_SIZES[kind]
    if not places.size:
        return np.zeros(0, dtype=np.int64)
    # A number may begin at any byte, so the view has one for each.
    everywhere = np.ndarray((len(data) - size + 1,), f"<{kind[0]}{size}", data, 0, (1,))
    numbers: Ints = everywhere[places].astype(np.int64)
    return numbers


def pieces(data: bytes, places: Ints, sizes: Ints) -> bytes:
    """The stretches of ``data`` that begin at ``places`` and have ``sizes`` bytes (shape (n,)), one after the other."""
    if not places.size:
        return b""
    compiled = kernels()
    if compiled is not None:
        return compiled.pieces(data, places, sizes).tobytes()
    buffer = np.frombuffer(data, dtype=np.uint8)
    first = int(sizes[0])
    if bool((sizes == first).all()):
        alike: bytes = buffer[places[:, np.newaxis] + np.arange(first)].tobytes()
        return alike
    joined: bytes = buffer[ranges(places, sizes)].tobytes()
    return joined


def is_in(numbers: Ints, known: frozenset[int]) -> Bools:
    """Which of ``numbers`` are among ``known``, same shape."""
    if not known or min(known) < 0 or max(known) >= _TABLE_SIZE:
        return np.isin(numbers, sorted(known))
    table = np.zeros(_TABLE_SIZE, dtype=np.bool_)
    table[list(known)] = True
    inside = (numbers >= 0) & (numbers < _TABLE_SIZE)
    return inside & table[np.where(inside, numbers, 0)]


def doubtful(message: type[Record], data: bytes, places: Ints, sizes: Ints) -> Bools:
    """Which payloads ``message`` may refuse; the rest it surely decodes.

    The payloads begin at ``places`` in ``data`` and have ``sizes`` bytes, both int64 of shape (n,), as the result.
    Whoever wants to know why asks :meth:`Record.decode`.
    """
    doubt = sizes < message.SIZE_MIN
    if not message.SIZE_MIN:
        return doubt
    known = {info.name for info in message.FIELDS if not info.word}
    if known != set(message.DTYPE.names or ()) | {info.name for info in message.FIELDS if info.size is None}:
        # Constants and packed words are read one record at a time.
        return np.ones(len(sizes), dtype=np.bool_)
    for info in message.FIELDS:
        if _takes_anything(info) or info.size is None:
            continue
        at = place_of(message, info.name)
        there = np.flatnonzero(sizes >= at + info.size)
        wide = info.size // (info.count or 1)
        for index in range(info.count or 1):
            numbers = numbers_at(data, places[there] + at + index * wide, info.kind)
            doubt[there] |= (numbers < info.low) | (numbers > info.high)
            if info.choices is not None and not issubclass(info.choices, IntFlag):
                doubt[there] |= ~is_in(numbers, frozenset(int(one) for one in info.choices))
    return doubt


def place_of(message: type[Record], name: str) -> int:
    """Where a fixed field of ``message`` begins in a payload, in bytes."""
    places = message.DTYPE.fields
    if places is None or name not in places:
        raise KeyError(name)
    return int(places[name][1])


def _takes_anything(info: FieldInfo) -> bool:
    """Whether whatever the field's bytes can hold is allowed."""
    if not info.is_number:
        return True
    if info.choices is not None and not issubclass(info.choices, IntFlag):
        return False
    bits = 8 * WIRE_SIZES[info.kind]
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if info.kind[0] == "i" else (0, 2**bits - 1)
    return info.low <= low and info.high >= high
