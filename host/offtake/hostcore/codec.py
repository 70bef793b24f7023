"""The core's own encoders and decoders, called from Python."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import cffi  # type: ignore[import-untyped]

from offtake.hostcore.native import library_path, load

MESSAGES = 0
PACKETS = 1
_VALUES_MAX = 255


@cache
def _core() -> tuple[cffi.FFI, Any]:
    return load(library_path(sanitize=True))


@dataclass(frozen=True)
class CoreFrame:
    """A frame as the core read it; ``tick_offset`` in ticks, places and sizes in bytes."""

    code: int
    length: int
    tick_offset: int
    payload_at: int
    size: int


@dataclass(frozen=True)
class CoreBlockHeader:
    """A block's header as the core read it."""

    version: int
    used_bytes: int
    journal_id: int
    block_number: int
    run_number: int
    open_tick: int


def decode(group: int, code: int, payload: bytes) -> tuple[int, list[int]]:
    """Status and the raw numbers of the record's fixed fields, arrays element by element; byte strings, constants and
    what the payload ends before count as 0."""
    ffi, lib = _core()
    values, count = ffi.new(f"int64_t[{_VALUES_MAX}]"), ffi.new("uint8_t *")
    status = lib.host_decode(group, code, payload, len(payload), values, count)
    return int(status), [int(values[i]) for i in range(count[0])] if status == 0 else []


def encode(group: int, code: int, values: Sequence[int]) -> bytes:
    """The fixed part of a record from the raw numbers of its fields."""
    ffi, lib = _core()
    out, size = ffi.new("uint8_t[256]"), ffi.new("uint8_t *")
    padded = [*values, *([0] * (_VALUES_MAX - len(values)))]
    status = lib.host_encode(group, code, ffi.new("int64_t[]", padded), out, size)
    if status:
        raise ValueError(f"the core does not know code {code}")
    return bytes(ffi.buffer(out, size[0]))


def parse_frame(data: bytes, journal_id: int, block_number: int) -> tuple[int, CoreFrame]:
    """Status and what the core read, as far as it got."""
    ffi, lib = _core()
    out = ffi.new("uint32_t[5]")
    status = lib.host_frame_parse(data, len(data), journal_id, block_number, out)
    return int(status), CoreFrame(*(int(out[i]) for i in range(5)))


def build_frame(code: int, tick_offset: int, payload: bytes, journal_id: int, block_number: int) -> bytes:
    """A whole frame as the logger would write it."""
    ffi, lib = _core()
    out = ffi.new("uint8_t[1024]")
    size = lib.host_frame_build(code, tick_offset, payload, len(payload), journal_id, block_number, out)
    return bytes(ffi.buffer(out, size))


def check_block(data: bytes) -> tuple[int, CoreBlockHeader]:
    """Status and header of a block; the header counts only when the status is 0."""
    ffi, lib = _core()
    out = ffi.new("uint32_t[6]")
    status = lib.host_block_check(data, len(data), out)
    return int(status), CoreBlockHeader(*(int(out[i]) for i in range(6)))


def crc16(data: bytes, start: int) -> int:
    """CRC-16 with polynomial 1021, from the register ``start``."""
    return int(_core()[1].host_crc16(data, len(data), start))


def crc32(data: bytes) -> int:
    """CRC-32/ISO-HDLC."""
    return int(_core()[1].host_crc32(data, len(data)))


def crc7_end(data: bytes) -> int:
    """Last byte of a card command: CRC-7/MMC shifted up, end bit set."""
    return int(_core()[1].host_crc7_end(data, len(data)))
