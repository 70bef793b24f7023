"""Random corruptions of frames, made and judged in C by the core's own frame reader.

A corruption is known by its seed and index alone, so any share of a count can be made apart from the rest.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import cffi  # type: ignore[import-untyped]

from offtake.errors import UsageError
from offtake.generated.records import BLOCK_SIZE
from offtake.hostcore.native import library_path

_HEADER = Path(__file__).resolve().parents[3] / "firmware/port/host/host_corrupt.h"
_FOUND_MAX = 72
_NUMBERS_MAX = 8
_NO_MISS = 2**64 - 1

KINDS = (
    "bits flipped (1 to 8)",
    "burst of wrong bits",
    "bytes replaced (1 to 8)",
    "random bytes over a stretch",
    "00 or FF over a stretch",
    "torn: an older lap behind",
    "torn: an older journal behind",
    "bytes put in (1 to 8)",
    "bytes taken out (1 to 8)",
    "length or code changed",
    "tick changed",
    "check changed",
    "stretches exchanged",
    "of another block number",
    "of another journal",
)
"""What is done to a frame, in the order of the C side; corruption ``i`` is of kind ``i`` modulo their number."""


@dataclass(frozen=True)
class Place:
    """A block's place in a journal: the block written there last, what lay there a lap before, and what a journal
    before that left, each 512 bytes; ``numbers`` are those that salvage tries there (at most 8)."""

    journal_id: int
    numbers: tuple[int, ...]
    block: bytes
    lap: bytes
    foreign: bytes


class Found(NamedTuple):
    """A frame that a search gave: block number, offset in the block, size in bytes, message code."""

    number: int
    at: int
    size: int
    code: int


@dataclass
class Tally:
    """Corruptions of one kind: damaged frames made, frames taken that are not true, untouched frames not found again,
    true frames found, checks compared with bytes that are no true frame, and the first index that went wrong."""

    made: int = 0
    accepted: int = 0
    lost: int = 0
    found: int = 0
    compared: int = 0
    first_miss: int | None = None

    def add(self, other: Tally) -> None:
        """Add another share's figures; the lowest index that went wrong stays."""
        self.made += other.made
        self.accepted += other.accepted
        self.lost += other.lost
        self.found += other.found
        self.compared += other.compared
        misses = [one for one in (self.first_miss, other.first_miss) if one is not None]
        self.first_miss = min(misses) if misses else None


@cache
def _load(sanitize: bool) -> tuple[cffi.FFI, Any]:
    ffi = cffi.FFI()
    text = re.sub(r"/\*.*?\*/", "", _HEADER.read_text(encoding="utf-8"), flags=re.DOTALL)
    ffi.cdef(re.sub(r"^#.*$", "", text, flags=re.MULTILINE))
    return ffi, ffi.dlopen(str(library_path(sanitize=sanitize)))


class Corruptions:
    """Corruptions of the frames at ``places``, all drawn from ``seed`` (64 bits).

    ``sanitize`` runs the C under the undefined-behaviour sanitizer. UsageError where a place does not hold whole
    blocks with frames; InputOutputError where no compiler is.
    """

    def __init__(self, places: Sequence[Place], seed: int, *, sanitize: bool = False) -> None:
        self._ffi, self._lib = _load(sanitize)
        self._seed = seed % 2**64
        self._count = len(places)
        self._places = self._ffi.new("host_place[]", len(places))
        for index, place in enumerate(places):
            sizes = {len(place.block), len(place.lap), len(place.foreign)}
            if sizes != {BLOCK_SIZE} or not 0 < len(place.numbers) <= _NUMBERS_MAX:
                raise UsageError(f"place {index} does not hold blocks", expected="three blocks and 1 to 8 numbers")
            self._fill(self._places[index], place)
            if self._lib.host_place_know(self._ffi.addressof(self._places, index)):
                raise UsageError(f"place {index} holds a block that does not parse", expected="whole frames")

    def _fill(self, out: Any, place: Place) -> None:
        self._ffi.memmove(out.block, place.block, BLOCK_SIZE)
        self._ffi.memmove(out.lap, place.lap, BLOCK_SIZE)
        self._ffi.memmove(out.foreign, place.foreign, BLOCK_SIZE)
        out.journal_id = place.journal_id
        out.number_count = len(place.numbers)
        for index, number in enumerate(place.numbers):
            out.numbers[index] = number

    def count(self, first: int, count: int, *, weak: bool = False) -> list[Tally]:
        """Make and judge corruptions ``first`` to ``first + count - 1``: a tally for each of KINDS.

        ``weak`` lets a check pass that only agrees when folded to 16 bits, to show that the count can fail.
        """
        tallies = self._ffi.new("host_tally[]", len(KINDS))
        for tally in tallies:
            tally.first_miss = _NO_MISS
        self._lib.host_corruptions(self._places, self._count, self._seed, first, count, weak, tallies)
        return [
            Tally(
                made=int(one.made),
                accepted=int(one.accepted),
                lost=int(one.lost),
                found=int(one.found),
                compared=int(one.compared),
                first_miss=None if one.first_miss == _NO_MISS else int(one.first_miss),
            )
            for one in tallies
        ]

    def make(self, index: int) -> tuple[int, int, bytes]:
        """Corruption ``index``: its kind, the index of its place, and the damaged block."""
        damaged, place = self._ffi.new(f"uint8_t[{BLOCK_SIZE}]"), self._ffi.new("uint32_t *")
        kind = self._lib.host_corrupt(self._places, self._count, self._seed, index, damaged, place)
        return int(kind), int(place[0]), bytes(self._ffi.buffer(damaged))

    def search(self, block: bytes, journal_id: int, numbers: Sequence[int]) -> list[Found]:
        """Frames that the C side takes from a damaged block of 512 bytes."""
        if len(block) != BLOCK_SIZE or len(numbers) > _NUMBERS_MAX:
            raise UsageError("not a block to search", expected="512 bytes and at most 8 numbers")
        found, compared = self._ffi.new(f"host_found[{_FOUND_MAX}]"), self._ffi.new("uint64_t *")
        listed = self._ffi.new("uint32_t[]", list(numbers) or 1)
        count = self._lib.host_search(block, journal_id, listed, len(numbers), 0, found, compared)
        return [Found(int(f.number), int(f.at), int(f.size), int(f.code)) for f in found[0:count]]
