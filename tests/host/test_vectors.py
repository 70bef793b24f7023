"""The Python side against shared_spec/vectors: values both ways, and the error for each malformed input."""

from __future__ import annotations

import dataclasses
import tomllib
from enum import IntEnum, IntFlag
from pathlib import Path
from typing import Any

import crcmod.predefined  # type: ignore[import-untyped]
import pytest
from offtake.generated.records import MESSAGES, PACKETS, Status
from offtake.journal import codec
from offtake.records import Record

FOLDER = Path(__file__).resolve().parents[2] / "shared_spec" / "vectors"
CASES: list[dict[str, Any]] = [
    case for path in sorted(FOLDER.glob("*.toml")) for case in tomllib.loads(path.read_text(encoding="utf-8"))["case"]
]
crc16 = crcmod.predefined.mkPredefinedCrcFun("crc-ccitt-false")


def plain(record: Record) -> dict[str, Any]:
    """A record's values in the form of the vectors: what the bytes end before is left out."""
    values: dict[str, Any] = {}
    for member in dataclasses.fields(record):  # type: ignore[arg-type]
        value = getattr(record, member.name)
        if value is None:
            continue
        if isinstance(value, bytes):
            value = value.hex()
        elif isinstance(value, (IntEnum, IntFlag)):
            value = int(value)
        elif isinstance(value, tuple):
            value = list(value)
        values[member.name] = value
    return values


def unstuff(data: bytes) -> bytes | None:
    """COBS decoding, for this test only; None where it is no COBS."""
    out = bytearray()
    at = 0
    while at < len(data):
        count = data[at]
        piece = data[at + 1 : at + count]
        if count == 0 or 0 in piece or len(piece) != count - 1:
            return None
        out += piece
        at += count
        if count < 255 and at < len(data):
            out.append(0)
    return bytes(out) if data else None


def read_packet(data: bytes) -> tuple[Status, dict[str, Any] | None]:
    packet = unstuff(data)
    if packet is None:
        return Status.BAD_STUFFING, None
    if len(packet) < 4:
        return Status.SHORT_INPUT, None
    if crc16(packet[:-2]) != int.from_bytes(packet[-2:], "little"):
        return Status.BAD_PACKET_CHECK, None
    kind, sequence, fields = packet[0], packet[1], packet[2:-2]
    if kind not in PACKETS:
        return Status.UNKNOWN_CODE, None
    status, record = PACKETS[kind].decode(fields, exact=True)
    if record is None:
        return status, None
    assert record.encode() == fields
    return status, {"kind": kind, "sequence": sequence, **plain(record)}


def read_case(case: dict[str, Any]) -> tuple[Status, dict[str, Any] | None]:
    """Run the reader of the case's layer."""
    data = bytes.fromhex(case["bytes"])
    layer = case["layer"]
    if layer == "block":
        status = codec.block_status(data, case.get("journal_id"))
        return status, plain(codec.read_block_header(data)) if status is Status.OK else None
    if layer == "journal_header":
        status, header = codec.decode_journal_header(data)
        return status, plain(header) if header else None
    if layer == "frame":
        seed = codec.frame_seed(case["journal_id"], case["block_number"])
        status, frame = codec.parse_frame(data, 0, len(data), seed)
        if status is not Status.OK:
            return status, None
        payload = data[frame.payload_at : frame.payload_at + frame.payload_size]
        return status, {"code": frame.code, "tick_offset": frame.tick_offset, "payload": payload.hex()}
    if layer == "payload":
        status, record = codec.decode_payload(case["code"], data)
        return status, plain(record) if record else None
    assert layer == "packet"
    return read_packet(data)


@pytest.mark.parametrize("case", CASES, ids=[f"{case['layer']}: {case['name']}" for case in CASES])
def test_vector(case: dict[str, Any]) -> None:
    status, values = read_case(case)
    assert status.name.lower() == case["status"]
    assert values == case.get("values")


@pytest.mark.parametrize(
    "case", [case for case in CASES if case["status"] == "ok"], ids=lambda case: f"{case['layer']}: {case['name']}"
)
def test_valid_vectors_encode_to_the_same_bytes(case: dict[str, Any]) -> None:
    data = bytes.fromhex(case["bytes"])
    values = case["values"]
    layer = case["layer"]
    if layer == "block":
        frames = data[17 : 17 + values["used_bytes"]]
        place = values["journal_id"], values["block_number"], values["run_number"]
        assert codec.encode_block(*place, values["open_tick"], frames) == data
    elif layer == "journal_header":
        header = codec.require_journal_header(data, "vector")
        assert ("longer" in case["name"]) == (codec.encode_journal_header(header) != data)
    elif layer == "frame":
        payload = bytes.fromhex(values["payload"])
        where = case["journal_id"], case["block_number"]
        encoded = codec.encode_frame(values["code"], values["tick_offset"], payload, *where)
        assert data.startswith(encoded)
        assert ("follow" in case["name"]) == (len(encoded) < len(data))
    elif layer == "payload":
        record = MESSAGES[case["code"]].decode(data)[1]
        assert record is not None
        assert data.startswith(record.encode())
        assert ("grew" in case["name"]) == (len(record.encode()) < len(data))


def test_every_error_has_a_vector_and_every_name_is_unique() -> None:
    assert {case["status"] for case in CASES} == {status.name.lower() for status in Status}
    names = [(case["layer"], case["name"]) for case in CASES]
    assert len(set(names)) == len(names)


def test_every_message_and_packet_has_a_valid_and_an_invalid_vector() -> None:
    good = {case["code"] for case in CASES if case["layer"] == "payload" and case["status"] == "ok"}
    assert good == set(MESSAGES)
    kinds = {case["values"]["kind"] for case in CASES if case["layer"] == "packet" and case["status"] == "ok"}
    assert kinds == set(PACKETS)
