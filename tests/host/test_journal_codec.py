"""Frames, blocks and headers through the codec and back; single wrong bits are always noticed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from journal_maker import JOURNAL_ID, header
from offtake.errors import UsageError
from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE, BLOCK_SPACE, BlockHeader, JournalHeader, Status
from offtake.journal.codec import (
    CHECK_AT,
    block_status,
    decode_journal_header,
    encode_block,
    encode_frame,
    encode_journal_header,
    frame_seed,
    parse_frame,
    read_block_header,
    seal,
)

u16 = st.integers(0, 2**16 - 1)
u32 = st.integers(0, 2**32 - 1)
code = st.integers(1, 127)


@given(code, u32, st.binary(max_size=511), u32, u32, st.binary(max_size=4), st.integers(0, 5))
def test_frames_come_back(
    code: int, tick: int, payload: bytes, journal_id: int, number: int, after: bytes, before: int
) -> None:
    data = bytes(before) + encode_frame(code, tick, payload, journal_id, number)
    end = len(data)
    status, frame = parse_frame(data + after, before, end + len(after), frame_seed(journal_id, number))
    assert status is Status.OK
    assert (frame.code, frame.tick_offset, frame.end) == (code, tick, end)
    assert data[frame.payload_at : frame.payload_at + frame.payload_size] == payload


@given(code, u32, st.binary(max_size=100), u32, u32, st.data())
def test_a_frame_with_one_wrong_bit_is_refused(
    code: int, tick: int, payload: bytes, journal_id: int, number: int, data: st.DataObject
) -> None:
    frame = bytearray(encode_frame(code, tick, payload, journal_id, number))
    bit = data.draw(st.integers(0, 8 * len(frame) - 1))
    frame[bit // 8] ^= 1 << bit % 8
    room = bytes(frame) + bytes(600)
    assert parse_frame(room, 0, len(room), frame_seed(journal_id, number))[0] is not Status.OK
    assert parse_frame(bytes(frame), 0, len(frame), frame_seed(journal_id, number))[0] is not Status.OK


@given(code, u32, st.binary(max_size=100), u32, u32, st.integers(0, 31), st.booleans())
def test_a_frame_of_another_journal_or_block_is_refused(
    code: int, tick: int, payload: bytes, journal_id: int, number: int, bit: int, of_id: bool
) -> None:
    frame = encode_frame(code, tick, payload, journal_id, number)
    seed = frame_seed(journal_id ^ 1 << bit, number) if of_id else frame_seed(journal_id, number ^ 1 << bit)
    assert parse_frame(frame, 0, len(frame), seed)[0] is Status.BAD_FRAME_CHECK


@given(u32, st.integers(1, 2**32 - 1), u16, u32, st.binary(max_size=BLOCK_SPACE), st.data())
def test_blocks_come_back_and_one_wrong_bit_is_noticed(
    journal_id: int, number: int, run: int, tick: int, frames: bytes, data: st.DataObject
) -> None:
    block = encode_block(journal_id, number, run, tick, frames)
    assert block_status(block, journal_id) is Status.OK
    assert read_block_header(block) == BlockHeader(len(frames), 1, journal_id, number, run, tick)
    assert block[BLOCK_HEADER_SIZE : BLOCK_HEADER_SIZE + len(frames)] == frames
    spoiled = bytearray(block)
    bit = data.draw(st.integers(0, 8 * BLOCK_SIZE - 1))
    spoiled[bit // 8] ^= 1 << bit % 8
    assert block_status(bytes(spoiled)) in (Status.BAD_MAGIC, Status.BAD_VERSION, Status.BAD_BLOCK_CHECK)


@given(st.binary(max_size=600))
def test_any_bytes_have_a_status(data: bytes) -> None:
    assert block_status(data) is not Status.OK
    assert decode_journal_header(data)[1] is None
    assert parse_frame(data, 0, len(data), frame_seed(1, 1))[0] is not Status.OK


@given(st.binary(min_size=1, max_size=100))
def test_a_header_that_a_later_release_made_longer_is_read(more: bytes) -> None:
    longer = bytearray(encode_journal_header(header(blocks=9)))
    longer[JournalHeader.FIXED_SIZE : JournalHeader.FIXED_SIZE + len(more)] = more
    assert decode_journal_header(seal(bytes(longer[:CHECK_AT]))) == (Status.OK, header(blocks=9))



@given(st.integers(0, 8 * BLOCK_SIZE - 1))
def test_a_header_with_one_wrong_bit_is_refused(bit: int) -> None:
    good = encode_journal_header(header(64))
    assert decode_journal_header(good) == (Status.OK, header(64))
    spoiled = bytearray(good)
    spoiled[bit // 8] ^= 1 << bit % 8
    assert decode_journal_header(bytes(spoiled))[1] is None


@pytest.mark.parametrize(
    ("code", "tick", "size", "says"),
    [
        (0, 0, 1, "code 0"),
        (128, 0, 1, "code 128"),
        (1, -1, 1, "offset -1"),
        (1, 2**32, 1, "4294967296"),
        (1, 0, 512, "512"),
    ],
)
def test_frames_that_cannot_be_are_refused(code: int, tick: int, size: int, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        encode_frame(code, tick, bytes(size), JOURNAL_ID, 1)


def test_a_block_too_full_is_refused() -> None:
    with pytest.raises(UsageError, match="492 bytes"):
        encode_block(JOURNAL_ID, 1, 1, 0, bytes(BLOCK_SPACE + 1))
