"""Frames, blocks and the journal's header: bytes to values and back, with the spec's error names.

Reading functions return a :class:`~offtake.generated.records.Status`, for they meet damage all day long; the
``require_`` functions raise :class:`JournalFormatError` where a caller cannot go on.
"""

from __future__ import annotations

import struct
import zlib
from typing import NamedTuple

from offtake.errors import DamageError, UsageError
from offtake.generated.records import (
    BLOCK_CHECK_SIZE,
    BLOCK_HEADER_SIZE,
    BLOCK_MAGIC,
    BLOCK_SIZE,
    BLOCK_SPACE,
    BLOCK_VERSION,
    FRAME_CHECK_SIZE,
    FRAME_CODE_BITS,
    FRAME_HEAD_SIZE,
    FRAME_LENGTH_BITS,
    FRAME_TICK_SIZE_MAX,
    JOURNAL_MAGIC,
    JOURNAL_VERSION,
    MESSAGES,
    BlockHeader,
    JournalHeader,
    Status,
)
from offtake.records import Record

FRAME_LENGTH_MASK = (1 << FRAME_LENGTH_BITS) - 1
CHECK_AT = BLOCK_SIZE - BLOCK_CHECK_SIZE
U32_MAX = 2**32 - 1

_CHECK = struct.Struct("<I")
_SEED = struct.Struct("<II")
# construct describes the block header as well, but one call of it takes longer than everything else a block needs.
_HEADER = struct.Struct("<" + "".join(column.char for column, *_ in (BlockHeader.DTYPE.fields or {}).values()))
_USED_MASK = next(info.high for info in BlockHeader.FIELDS if info.name == "used_bytes")
_USED_BITS = _USED_MASK.bit_length()
_ZEROS = bytes(BLOCK_SIZE)


class JournalFormatError(DamageError):
    """Bytes that are not what the layout asks for; ``status`` says which rule, ``offset`` where in the file."""

    def __init__(self, status: Status, *, where: str = "", offset: int = 0, expected: str = "") -> None:
        self.status = status
        self.offset = offset
        place = f"{where} at byte {offset}" if where else f"byte {offset}"
        super().__init__(STATUS_WORDS[status], where=place, expected=expected)


STATUS_WORDS = {
    Status.OK: "nothing wrong",
    Status.SHORT_INPUT: "the bytes end too early",
    Status.BAD_MAGIC: "not the beginning of a block or journal",
    Status.BAD_VERSION: "another version of the layout",
    Status.BAD_BLOCK_CHECK: "the block's check does not match its bytes",
    Status.BAD_USED: "more bytes in use than a block holds",
    Status.BAD_PADDING: "bytes after the last frame are not zero",
    Status.BAD_CODE: "message code 0, which is never given out",
    Status.BAD_TICK: "not a tick offset in its shortest form",
    Status.BAD_LENGTH: "a frame that reaches past the space left",
    Status.BAD_FRAME_CHECK: "the frame's check does not match its bytes",
    Status.UNKNOWN_CODE: "a message code that this version does not know",
    Status.SHORT_PAYLOAD: "a payload shorter than its message",
    Status.OUT_OF_RANGE: "a value outside its range",
    Status.FOREIGN_JOURNAL: "a block of another journal",
    Status.BAD_PACKET_CHECK: "the packet's check does not match its bytes",
    Status.BAD_STUFFING: "not a COBS-coded packet",
}
"""What each error name means, for messages."""


# Frames


class ParsedFrame(NamedTuple):
    """A frame as it lies: ``payload_at`` and ``end`` are places in the bytes it was read from."""

    code: int
    tick_offset: int
    payload_at: int
    payload_size: int
    end: int


NO_FRAME = ParsedFrame(0, 0, 0, 0, 0)


def frame_seed(journal_id: int, block_number: int) -> int:
    """CRC-32 of what a frame's check covers before the frame itself."""
    return zlib.crc32(_SEED.pack(journal_id, block_number))


def encode_frame(code: int, tick_offset: int, payload: bytes, journal_id: int, block_number: int) -> bytes:
    """One frame. Raises UsageError for a code, offset or length that a frame cannot hold."""
    if not 1 <= code < 1 << FRAME_CODE_BITS:
        raise UsageError(f"message code {code}", expected=f"1 to {(1 << FRAME_CODE_BITS) - 1}")
    if not 0 <= tick_offset <= U32_MAX:
        raise UsageError(f"tick offset {tick_offset}", expected=f"0 to {U32_MAX}")
    if len(payload) > FRAME_LENGTH_MASK:
        raise UsageError(f"a payload of {len(payload)} bytes", expected=f"at most {FRAME_LENGTH_MASK}")
    head = (len(payload) | code << FRAME_LENGTH_BITS).to_bytes(FRAME_HEAD_SIZE, "little")
    body = head + encode_tick(tick_offset) + payload
    return body + _CHECK.pack(zlib.crc32(body, frame_seed(journal_id, block_number)))


def encode_tick(tick_offset: int) -> bytes:
    """Unsigned LEB128 in its shortest form."""
    out = bytearray()
    while tick_offset > 0x7F:
        out.append(tick_offset & 0x7F | 0x80)
        tick_offset >>= 7
    out.append(tick_offset)
    return bytes(out)


def parse_frame(data: bytes, at: int, end: int, seed: int) -> tuple[Status, ParsedFrame]:
    """Read the frame at ``data[at:end]`` whose check starts from ``seed`` (:func:`frame_seed`).

    SHORT_INPUT, BAD_CODE, BAD_TICK, BAD_LENGTH or BAD_FRAME_CHECK, in this order, or OK.
    """
    if end - at < FRAME_HEAD_SIZE:
        return Status.SHORT_INPUT, NO_FRAME
    head = data[at] | data[at + 1] << 8
    code = head >> FRAME_LENGTH_BITS
    if not code:
        return Status.BAD_CODE, NO_FRAME
    tick = 0
    place = at + FRAME_HEAD_SIZE
    for index in range(FRAME_TICK_SIZE_MAX):
        if place >= end:
            return Status.SHORT_INPUT, NO_FRAME
        byte = data[place]
        place += 1
        tick |= (byte & 0x7F) << 7 * index
        if byte < 0x80:
            break
    else:
        return Status.BAD_TICK, NO_FRAME
    if tick > U32_MAX or (index and not byte):
        return Status.BAD_TICK, NO_FRAME
    size = head & FRAME_LENGTH_MASK
    check_at = place + size
    if check_at + FRAME_CHECK_SIZE > end:
        return Status.BAD_LENGTH, NO_FRAME
    if zlib.crc32(data[at:check_at], seed) != int.from_bytes(data[check_at : check_at + FRAME_CHECK_SIZE], "little"):
        return Status.BAD_FRAME_CHECK, NO_FRAME
    return Status.OK, ParsedFrame(code, tick, place, size, check_at + FRAME_CHECK_SIZE)


def decode_payload(code: int, payload: bytes) -> tuple[Status, Record | None]:
    """The record of message ``code``: OK, UNKNOWN_CODE, SHORT_PAYLOAD or OUT_OF_RANGE."""
    message = MESSAGES.get(code)
    if message is None:
        return Status.UNKNOWN_CODE, None
    return message.decode(payload)


# Blocks


def read_block_header(data: bytes) -> BlockHeader:
    """The header's numbers, unchecked. ``data`` must have at least BLOCK_HEADER_SIZE bytes."""
    _, form, journal_id, block_number, run_number, open_tick = _HEADER.unpack_from(data)
    return BlockHeader(form & _USED_MASK, form >> _USED_BITS, journal_id, block_number, run_number, open_tick)


def encode_block(journal_id: int, block_number: int, run_number: int, open_tick: int, frames: bytes) -> bytes:
    """One block around ``frames`` (already encoded for it). UsageError where they do not fit."""
    if len(frames) > BLOCK_SPACE:
        raise UsageError(f"{len(frames)} bytes of frames", expected=f"at most {BLOCK_SPACE}")
    header = BlockHeader(len(frames), BLOCK_VERSION, journal_id, block_number, run_number, open_tick)
    return seal((header.encode() + frames).ljust(CHECK_AT, b"\0"))


def seal(content: bytes) -> bytes:
    """``content`` with its CRC-32 after it."""
    return content + _CHECK.pack(zlib.crc32(content))


def block_status(data: bytes, journal_id: int | None = None) -> Status:
    """What the block's own checks say, in the order of the spec; FOREIGN_JOURNAL only for a valid block."""
    if len(data) != BLOCK_SIZE:
        return Status.SHORT_INPUT
    if data[0] != BLOCK_MAGIC:
        return Status.BAD_MAGIC
    header = read_block_header(data)
    if header.version != BLOCK_VERSION:
        return Status.BAD_VERSION
    if not _seal_matches(data):
        return Status.BAD_BLOCK_CHECK
    if header.used_bytes > BLOCK_SPACE:
        return Status.BAD_USED
    if header.block_number < 1:
        return Status.OUT_OF_RANGE
    padding_at = BLOCK_HEADER_SIZE + header.used_bytes
    if data[padding_at:CHECK_AT] != _ZEROS[: CHECK_AT - padding_at]:
        return Status.BAD_PADDING
    if journal_id is not None and header.journal_id != journal_id:
        return Status.FOREIGN_JOURNAL
    return Status.OK


def _seal_matches(data: bytes) -> bool:
    return zlib.crc32(data[:CHECK_AT]) == int.from_bytes(data[CHECK_AT:BLOCK_SIZE], "little")


# The journal's header, block 0


def encode_journal_header(header: JournalHeader) -> bytes:
    """Block 0 of a journal. UsageError for a value out of range."""
    return seal(header.encode().ljust(CHECK_AT, b"\0"))


def decode_journal_header(data: bytes) -> tuple[Status, JournalHeader | None]:
    """Read block 0: SHORT_INPUT, BAD_MAGIC, BAD_VERSION, BAD_BLOCK_CHECK or OUT_OF_RANGE, or OK.

    Bytes after the fields known here are a later release's: its header grew at the end.
    """
    if len(data) < BLOCK_SIZE:
        return Status.SHORT_INPUT, None
    if not data.startswith(JOURNAL_MAGIC):
        return Status.BAD_MAGIC, None
    if data[len(JOURNAL_MAGIC)] != JOURNAL_VERSION:
        return Status.BAD_VERSION, None
    if not _seal_matches(data):
        return Status.BAD_BLOCK_CHECK, None
    status, header = JournalHeader.decode(data[: JournalHeader.FIXED_SIZE])
    if status is not Status.OK or header is None:
        return status, None
    return Status.OK, header


def require_journal_header(data: bytes, where: str) -> JournalHeader:
    """As :func:`decode_journal_header`, but raises JournalFormatError naming ``where``."""
    status, header = decode_journal_header(data)
    if header is None:
        raise JournalFormatError(status, where=where, expected="the header of a journal made by `offtake prepare`")
    return header
