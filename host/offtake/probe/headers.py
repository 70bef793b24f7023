"""What the beginnings of a dialect's messages look like, bit by bit, and how often they come by chance.

On a line with bit errors hardly a long message passes its check, but most of the short beginnings survive: at one
wrong bit in a hundred a sentence of 70 bytes passes once in a thousand, a beginning of six bytes with at most two
bits wrong 99 times in a hundred. A :class:`Beginning` holds, for each of its bytes, how many bits a received byte
differs from what is allowed there, so a match within a few bits is a sum of table entries. How many would match by
accident is worked out from the frequencies of the very bytes received, as if their order meant nothing: a wrong speed
gives few different bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.tables import AnyDialect, BinaryDialect, BinaryFraming, Dialect

_VALUES = np.arange(256, dtype=np.uint16)
_UPPER = tuple(range(ord("A"), ord("Z") + 1))
_LENGTH_BITS_USUAL = 10
"""Messages of 1,024 bytes and more are so rare that the length's higher bits count as zero."""
_BITS_FOR_ONE_WRONG, _BITS_FOR_TWO_WRONG = 24, 36


@dataclass(frozen=True)
class Beginning:
    """The first bytes of one kind of message. ``distance`` has shape (bytes, 256), in bits; ``wrong_max`` bits may
    be."""

    dialect: str
    name: str
    distance: NDArray[np.uint8]
    wrong_max: int

    @property
    def size(self) -> int:
        """Bytes."""
        return int(self.distance.shape[0])


def beginnings(dialects: Iterable[AnyDialect]) -> list[Beginning]:
    """The beginnings of every message of ``dialects``."""
    return [
        one for dialect in dialects
        for one in (_binary(dialect) if isinstance(dialect, BinaryDialect) else _sentences(dialect))
    ]  # fmt: skip


def hits(values: NDArray[np.uint8], beginning: Beginning) -> NDArray[np.int64]:
    """Where in ``values`` (uint8, shape (n,)) the beginning stands, with at most ``wrong_max`` bits wrong."""
    places = len(values) - beginning.size + 1
    if places <= 0:
        return np.zeros(0, dtype=np.int64)
    wrong = np.zeros(places, dtype=np.uint8)
    for at in range(beginning.size):
        wrong += beginning.distance[at][values[at : at + places]]
    return np.flatnonzero(wrong <= beginning.wrong_max)


def chance(frequency: NDArray[np.float64], beginning: Beginning) -> float:
    """How likely a beginning is at one place, if bytes came as often as ``frequency`` (shape (256,), sum 1) but in no
    order."""
    spread = np.array([1.0])
    for row in beginning.distance:
        spread = np.convolve(spread, np.bincount(row, weights=frequency, minlength=9))
    return float(spread[: beginning.wrong_max + 1].sum())


def _sentences(dialect: Dialect) -> list[Beginning]:
    framing = dialect.framing
    starts = tuple(framing.starts.encode("ascii"))
    separator = tuple(framing.separator.encode("ascii"))
    found = []
    for sentence in dialect.sentences:
        columns: list[Sequence[int]] = [starts, *[_UPPER] * dialect.address.talker_letters]
        columns += [(code,) for code in sentence.name.encode("ascii")]
        columns.append(separator)
        distance = np.stack([_nearest(allowed) for allowed in columns])
        # '$', talker, name and comma: 40 bits and more are given.
        found.append(Beginning(dialect.name, sentence.name, distance, 2))
    return found


def _binary(dialect: BinaryDialect) -> list[Beginning]:
    found = []
    for message in dialect.messages:
        for key in message.keys:
            value, mask = _binary_bits(dialect.framing, key)
            given = int(np.unpackbits(mask).sum())
            wrong = 2 if given >= _BITS_FOR_TWO_WRONG else 1 if given >= _BITS_FOR_ONE_WRONG else 0
            differs = (_VALUES[np.newaxis, :] ^ value[:, np.newaxis]) & mask[:, np.newaxis]
            distance = np.bitwise_count(differs.astype(np.uint8)).astype(np.uint8)
            found.append(Beginning(dialect.name, message.name, distance, wrong))
    return found


def _binary_bits(framing: BinaryFraming, key: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """The bits that are given from the sync bytes to the key: their values, and a mask of which they are."""
    sync = bytes.fromhex(framing.sync)
    values, masks = [np.frombuffer(sync, dtype=np.uint8)], [np.full(len(sync), 0xFF, dtype=np.uint8)]
    key_left = sum(field.bits for field in framing.header if field.name in framing.key)
    value = mask = bits = 0
    for field in framing.header:
        known, given = 0, 0
        if field.name in framing.key:
            key_left -= field.bits
            known, given = (key >> key_left) & (2**field.bits - 1), 2**field.bits - 1
        elif field.must_be is not None:
            known, given = field.must_be, 2**field.bits - 1
        elif field.name == "length":
            given = 2**field.bits - 2**_LENGTH_BITS_USUAL if field.bits > _LENGTH_BITS_USUAL else 0
        if framing.byte_order == "little":
            size = field.bits // 8
            known = int.from_bytes(known.to_bytes(size, "little"), "big")
            given = int.from_bytes(given.to_bytes(size, "little"), "big")
        value, mask, bits = (value << field.bits) | known, (mask << field.bits) | given, bits + field.bits
    if not framing.key:
        value, mask = (value << framing.key_bits) | key, (mask << framing.key_bits) | (2**framing.key_bits - 1)
        bits += framing.key_bits
    pad = -bits % 8
    for number, parts in ((value << pad, values), (mask << pad, masks)):
        parts.append(np.frombuffer(number.to_bytes((bits + pad) // 8, "big"), dtype=np.uint8))
    return np.concatenate(values), np.concatenate(masks)


def _nearest(allowed: Sequence[int]) -> NDArray[np.uint8]:
    """Bits from each byte value to the nearest allowed one, shape (256,)."""
    differs = _VALUES[:, np.newaxis] ^ np.array(allowed, dtype=np.uint16)[np.newaxis, :]
    least: NDArray[np.uint8] = np.bitwise_count(differs.astype(np.uint8)).min(axis=1)
    return least
