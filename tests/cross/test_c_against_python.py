"""C and Python from one definition: same bytes, same values, and the same verdict on every malformed input."""

from __future__ import annotations

import struct
import zlib
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from offtake.errors import UsageError
from offtake.generated.records import BLOCK_SPACE, MESSAGES, PACKETS, Status
from offtake.hostcore import codec as core
from offtake.journal import codec

U32 = st.integers(0, 2**32 - 1)
CODES = st.sampled_from(sorted(MESSAGES))


def number_fields(cls: Any) -> list[Any]:
    return [info for info in cls.FIELDS if info.is_number]


def records(cls: Any) -> st.SearchStrategy[Any]:
    def field(info: Any) -> st.SearchStrategy[Any]:
        if info.count is not None:
            return st.tuples(*[st.integers(info.low, info.high)] * info.count)
        if info.kind == "bytes":
            return st.binary(max_size=60) if info.size is None else st.binary(min_size=info.size, max_size=info.size)
        if info.kind == "text":
            return st.text("abcdef", max_size=60 if info.size is None else info.size)
        if info.choices is not None and not issubclass(info.choices, int):
            return st.sampled_from(list(info.choices))
        return st.integers(info.low, info.high)

    whole = st.fixed_dictionaries({info.name: field(info) for info in cls.FIELDS})
    later = [info.name for info in cls.FIELDS if info.optional]

    def cut(values: dict[str, Any], missing: int) -> Any:
        # The last so many of the fields that came later are not there.
        return cls(**{**values, **dict.fromkeys(later[len(later) - missing :])})

    return st.builds(cut, whole, st.integers(0, len(later))).filter(encodes)


def encodes(record: Any) -> bool:
    try:
        record.encode()
    except UsageError:
        return False
    return True


ANY_MESSAGE = st.one_of([records(MESSAGES[code]) for code in sorted(MESSAGES)])
ANY_PACKET = st.one_of([records(PACKETS[kind]) for kind in sorted(PACKETS)])


def wire_numbers(cls: Any, fixed: bytes) -> list[int]:
    """The record's numbers as the core orders them, read by the NumPy dtype, constants and byte strings as 0."""
    row = np.frombuffer(fixed, cls.DTYPE, count=1)[0] if cls.FIXED_SIZE else None
    names = cls.DTYPE.names or ()
    numbers = {info.name for info in number_fields(cls)}
    found: list[int] = []
    for name in names:
        found += np.atleast_1d(row[name]).tolist() if name in numbers else [0]
    return found


def agree(group: int, cls: Any, record: Any) -> None:
    data = record.encode()
    fixed = data[: cls.FIXED_SIZE].ljust(cls.FIXED_SIZE, b"\0")
    status, numbers = core.decode(group, cls.CODE, data)
    assert status == Status.OK
    assert numbers == wire_numbers(cls, fixed)
    if all(info.kind not in ("bytes", "text") or info.size is None for info in cls.FIELDS):
        written = core.encode(group, cls.CODE, numbers)
        assert written == fixed
        assert cls.decode(written[: len(data)] + data[cls.FIXED_SIZE :]) == (Status.OK, record)


@given(ANY_MESSAGE)
@settings(max_examples=400)
def test_messages_have_the_same_bytes_and_values(record: Any) -> None:
    agree(core.MESSAGES, type(record), record)


@given(ANY_PACKET)
@settings(max_examples=400)
def test_packets_have_the_same_bytes_and_values(record: Any) -> None:
    agree(core.PACKETS, type(record), record)


@given(st.lists(st.tuples(ANY_MESSAGE, st.integers(0, 2**32 - 1)), max_size=12), U32, st.integers(1, 2**32 - 1))
@settings(max_examples=200)
def test_a_sequence_written_in_c_is_read_in_python_and_back(items: list[Any], journal_id: int, number: int) -> None:
    from_c = [core.build_frame(r.CODE, tick, r.encode(), journal_id, number) for r, tick in items]
    from_python = [codec.encode_frame(r.CODE, tick, r.encode(), journal_id, number) for r, tick in items]
    assert from_c == from_python
    block: list[bytes] = []
    for frame in from_c:
        if sum(map(len, block)) + len(frame) > BLOCK_SPACE:
            break
        block.append(frame)
    data = codec.encode_block(journal_id, number, 7, 123, b"".join(block))
    status, header = core.check_block(data)
    assert (status, header.used_bytes, header.block_number) == (0, len(b"".join(block)), number)
    at = 17
    for (record, tick), frame in zip(items, block, strict=False):
        seed = codec.frame_seed(journal_id, number)
        python_status, parsed = codec.parse_frame(data, at, 17 + header.used_bytes, seed)
        core_status, seen = core.parse_frame(data[at : 17 + header.used_bytes], journal_id, number)
        assert (python_status, core_status) == (Status.OK, 0)
        assert (parsed.code, parsed.tick_offset, parsed.end - at) == (seen.code, seen.tick_offset, seen.size)
        assert parsed.tick_offset == tick
        payload = data[at + seen.payload_at : at + seen.payload_at + seen.length]
        assert codec.decode_payload(seen.code, payload) == (Status.OK, record)
        at += len(frame)


@given(st.binary(max_size=40), U32, U32)
@settings(max_examples=1500)
def test_same_verdict_on_any_frame_bytes(data: bytes, journal_id: int, number: int) -> None:
    python_status, _ = codec.parse_frame(data, 0, len(data), codec.frame_seed(journal_id, number))
    assert python_status == core.parse_frame(data, journal_id, number)[0]


@given(CODES, st.integers(0, 2**32 - 1), st.binary(max_size=30), st.data())
@settings(max_examples=800)
def test_same_verdict_on_damaged_frames(code: int, tick: int, payload: bytes, data: st.DataObject) -> None:
    frame = bytearray(codec.encode_frame(code, tick, payload, 5, 9))
    if data.draw(st.booleans()):
        frame[data.draw(st.integers(0, len(frame) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    cut = bytes(frame[: data.draw(st.integers(0, len(frame)))])
    python_status, _ = codec.parse_frame(cut, 0, len(cut), codec.frame_seed(5, 9))
    assert python_status == core.parse_frame(cut, 5, 9)[0]


@given(st.integers(0, 2**35 - 1), st.integers(0, 3))
@settings(max_examples=500)
def test_same_verdict_on_any_tick_form(value: int, padding: int) -> None:
    # LEB128 of any length, shortest or not, right check and all: only the tick's form decides.
    groups = [value & 0x7F]
    while value > 0x7F:
        value >>= 7
        groups.append(value & 0x7F)
    groups += [0] * padding
    leb = bytes([g | 0x80 for g in groups[:-1]] + groups[-1:])
    body = struct.pack("<H", 2 << 9) + leb
    frame = body + struct.pack("<I", zlib.crc32(struct.pack("<II", 1, 2) + body))
    python_status, _ = codec.parse_frame(frame, 0, len(frame), codec.frame_seed(1, 2))
    assert python_status == core.parse_frame(frame, 1, 2)[0]


@given(st.integers(1, max(MESSAGES) + 2), st.binary(max_size=40))
@settings(max_examples=1500)
def test_same_verdict_and_values_on_any_payload(code: int, payload: bytes) -> None:
    python_status, record = codec.decode_payload(code, payload)
    status, numbers = core.decode(core.MESSAGES, code, payload)
    assert python_status == status
    if record is not None:
        expected: list[int] = []
        for info in type(record).FIELDS:
            value = getattr(record, info.name) if info.is_number else 0
            if info.size is not None:
                value = (0,) * (info.count or 1) if value is None else value
                expected += value if isinstance(value, tuple) else [int(value)]
        assert numbers == expected


@given(st.data())
@settings(max_examples=600)
def test_same_verdict_on_any_block(data: st.DataObject) -> None:
    used = data.draw(st.integers(0, 511))
    version = data.draw(st.sampled_from([1, 1, 1, 0, 2, 127]))
    magic = data.draw(st.sampled_from([0xD7, 0xD7, 0xD7, 0x00]))
    number = data.draw(st.integers(0, 3))
    body = bytearray(struct.pack("<BHIIHI", magic, used | version << 9, 1, number, 3, 4).ljust(508, b"\0"))
    for _ in range(data.draw(st.integers(0, 2))):
        body[data.draw(st.integers(17, 507))] = data.draw(st.integers(0, 255))
    check = zlib.crc32(body) ^ data.draw(st.sampled_from([0, 0, 0, 1 << 31]))
    block = bytes(body) + struct.pack("<I", check)
    block = block[: data.draw(st.sampled_from([512, 512, 512, 511, 0]))]
    assert codec.block_status(block) == core.check_block(block)[0]
