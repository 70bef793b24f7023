"""What speaks for a dialect in the bytes that one speed and framing gave: right checks, and beginnings of messages.

Every piece of evidence is weighed by how likely it would be by accident. ``surprise`` is the negative decimal
logarithm of that: 6 means that chance does so well once in a million times. Two counts give it, and the better one is
taken, as they are not independent:

- messages whose check is right, of so many that were checked (an 8-bit check lets one in 256 through by chance);
- beginnings of known messages within a few bits (:mod:`offtake.probe.headers`), and such beginnings of binary messages
  after whose length another message begins.

The number of accidental hits is taken as Poisson distributed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.tables import AnyDialect, BinaryDialect
from offtake.generated.dialects import DIALECTS
from offtake.probe.headers import Beginning, beginnings, chance, hits
from offtake.probe.model import MessageRate, Received

BUILT_IN: tuple[AnyDialect, ...] = tuple(DIALECTS.values())
_CHECK_BITS = {"xor8": 8, "fletcher8": 16, "crc24q": 24}
_SURPRISE_MAX = 300.0
_TERMS_MOST = 500
_PRINTABLE = np.zeros(256, dtype=bool)
_PRINTABLE[[0x0A, 0x0D, *range(0x20, 0x7F)]] = True
_KNOWN_SURPRISE = 7.0
"""From this on beginnings are taken for real."""
_RATE_SECONDS_MIN = 0.5


@dataclass(frozen=True, slots=True)
class DialectEvidence:
    """What speaks for one dialect. ``begun`` are beginnings found, ``by_chance`` how many accident would give; a
    ``binary`` one needs eight bits a byte."""

    dialect: str
    surprise: float
    checks_right: int
    begun: int
    by_chance: float
    message_bytes: int
    binary: bool = False


@dataclass(frozen=True)
class Score:
    """The evidence in one :class:`~offtake.probe.model.Received`.

    ``dialects`` has those with any evidence, the weightiest first. Shares are of all bytes, 0 to 1; ``entropy_bits``
    is of the distribution of byte values (8 for random bytes, 0 for one value). ``checks_wrong`` are messages that
    began and ended as they should and whose check was wrong.
    """

    count: int
    faulty_share: float
    printable_share: float
    entropy_bits: float
    checks_right: int
    checks_wrong: int
    dialects: tuple[DialectEvidence, ...]
    messages: tuple[MessageRate, ...]
    known: NDArray[np.int64]
    """Places of bytes that stand in a found beginning and are as they should be there: bytes that were surely sent."""

    @property
    def surprise(self) -> float:
        """Of the weightiest dialect; 0 without any."""
        return self.dialects[0].surprise if self.dialects else 0.0


def score_received(received: Received, dialects: Sequence[AnyDialect] = BUILT_IN) -> Score:
    """Weigh what one speed and framing gave."""
    values = received.values
    count = len(values)
    frequency = np.bincount(values, minlength=256) / max(1, count)
    decoder = StreamDecoder(dialects)
    decoder.feed(received.data)
    decoder.finish()
    counts = decoder.counts
    evidence = []
    known = []
    for dialect in dialects:
        seen = counts.dialects[dialect.name]
        begun, by_chance, soft, right_bytes = _begun(values, frequency, dialect)
        tried = seen.messages + counts.bad_checksum
        hard = _surprise(seen.messages, tried * 2.0 ** -_check_bits(dialect))
        surprise = max(soft, hard)
        if surprise >= _KNOWN_SURPRISE:
            known.append(right_bytes)
        if surprise > 0.0:
            binary = isinstance(dialect, BinaryDialect)
            evidence.append(
                DialectEvidence(dialect.name, surprise, seen.messages, begun, by_chance, seen.bytes, binary)
            )
    evidence.sort(key=lambda one: (-one.surprise, one.dialect))
    right = sum(seen.messages for seen in counts.dialects.values())
    present = frequency[frequency > 0]
    return Score(
        count=count,
        faulty_share=float(np.count_nonzero(received.faults)) / max(1, count),
        printable_share=float(_PRINTABLE[values].mean()) if count else 0.0,
        entropy_bits=float(-(present * np.log2(present)).sum()) if count else 0.0,
        checks_right=right,
        checks_wrong=counts.bad_checksum,
        dialects=tuple(evidence),
        messages=_rates(decoder, received.seconds),
        known=np.unique(np.concatenate([np.zeros(0, dtype=np.int64), *known])),
    )


def _check_bits(dialect: AnyDialect) -> int:
    return _CHECK_BITS.get(dialect.framing.check, 8)


def _begun(
    values: NDArray[np.uint8], frequency: NDArray[np.float64], dialect: AnyDialect
) -> tuple[int, float, float, NDArray[np.int64]]:
    """Beginnings found, how many by accident, the surprise of them or of the chains among them; and the places of the
    bytes in them that are as they should be."""
    places = set()
    right: list[NDArray[np.int64]] = []
    per_place = 0.0
    for one in _beginnings_of(dialect):
        per_place += chance(frequency, one)
        found = hits(values, one)
        places.update(found.tolist())
        for at, row in enumerate(one.distance):
            right.append(found[row[values[found + at]] == 0] + at)
    by_chance = per_place * len(values)
    surprise = _surprise(len(places), by_chance)
    if isinstance(dialect, BinaryDialect) and places:
        chained = _chained(values, sorted(places), dialect)
        sync = np.frombuffer(bytes.fromhex(dialect.framing.sync), dtype=np.uint8)
        follows = float(np.prod(frequency[sync]))
        surprise = max(surprise, _surprise(chained, by_chance * follows))
    return len(places), by_chance, surprise, np.concatenate([np.zeros(0, dtype=np.int64), *right])


@lru_cache(maxsize=32)
def _beginnings_of(dialect: AnyDialect) -> tuple[Beginning, ...]:
    return tuple(beginnings([dialect]))


def _chained(values: NDArray[np.uint8], places: Sequence[int], dialect: BinaryDialect) -> int:
    """How many of the messages that begin at ``places`` have the next one begin right after their length."""
    framing = dialect.framing
    sync = bytes.fromhex(framing.sync)
    data = values.tobytes()
    at_bit = 8 * len(sync)
    for field in framing.header:
        if field.name == "length":
            break
        at_bit += field.bits
    else:
        return 0
    first, last = at_bit // 8, (at_bit + field.bits + 7) // 8
    check_size = _check_bits(dialect) // 8
    found = 0
    for place in places:
        raw = int.from_bytes(data[place + first : place + last], framing.byte_order)
        length = raw & (2**field.bits - 1)
        whole = len(sync) + framing.header_size + length - framing.length_extra + check_size
        found += data[place + whole : place + whole + len(sync)] == sync
    return found


def _surprise(found: int, by_chance: float) -> float:
    """Minus the decimal logarithm of the chance of ``found`` or more accidental hits."""
    if found == 0:
        return 0.0
    # Not even a mean of nothing makes an impossible event: the model of chance is only a model.
    mean = max(by_chance, 1e-12)
    if found <= mean:
        return 0.0
    # Poisson: the first term of the tail, and the sum of the others as shares of it.
    tail = term = 1.0
    for more in range(1, _TERMS_MOST):
        term *= mean / (found + more)
        tail += term
        if term < 1e-9 * tail:
            break
    decades = (found * math.log(mean) - mean - math.lgamma(found + 1) + math.log(tail)) / math.log(10.0)
    return min(_SURPRISE_MAX, max(0.0, -decades))


def _rates(decoder: StreamDecoder, seconds: float) -> tuple[MessageRate, ...]:
    rates = [
        MessageRate(dialect, name, count, count / seconds if seconds >= _RATE_SECONDS_MIN else 0.0)
        for dialect, seen in decoder.counts.dialects.items()
        for name, count in seen.names.items()
    ]
    return tuple(sorted(rates, key=lambda rate: (-rate.count, rate.dialect, rate.name)))
