"""The C side against shared_spec/vectors: the same files that the Python side is tested with.

The core takes packets apart in the ring (``ot_desk.c``), which the bench tests cover; here it reads their fields.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from offtake.generated.records import MESSAGES, PACKETS, Status
from offtake.hostcore import codec as core

FOLDER = Path(__file__).resolve().parents[2] / "shared_spec" / "vectors"
CASES: list[dict[str, Any]] = [
    case for path in sorted(FOLDER.glob("*.toml")) for case in tomllib.loads(path.read_text(encoding="utf-8"))["case"]
]


def of(layer: str) -> list[Any]:
    return [pytest.param(case, id=case["name"]) for case in CASES if case["layer"] == layer]


@pytest.mark.parametrize("case", of("block"))
def test_blocks(case: dict[str, Any]) -> None:
    status, header = core.check_block(bytes.fromhex(case["bytes"]))
    if status == Status.OK and case.get("journal_id", header.journal_id) != header.journal_id:
        status = Status.FOREIGN_JOURNAL  # the core's callers compare the id themselves
    assert Status(status).name.lower() == case["status"]
    if "values" in case:
        for name in ("version", "used_bytes", "journal_id", "block_number", "run_number", "open_tick"):
            assert getattr(header, name) == case["values"][name]


@pytest.mark.parametrize("case", of("frame"))
def test_frames(case: dict[str, Any]) -> None:
    data = bytes.fromhex(case["bytes"])
    status, frame = core.parse_frame(data, case["journal_id"], case["block_number"])
    assert Status(status).name.lower() == case["status"]
    if "values" in case:
        payload = data[frame.payload_at : frame.payload_at + frame.length]
        found = {"code": frame.code, "tick_offset": frame.tick_offset, "payload": payload.hex()}
        assert found == case["values"]
        again = core.build_frame(frame.code, frame.tick_offset, payload, case["journal_id"], case["block_number"])
        assert data.startswith(again)


@pytest.mark.parametrize("case", of("payload"))
def test_payloads(case: dict[str, Any]) -> None:
    status, numbers = core.decode(core.MESSAGES, case["code"], bytes.fromhex(case["bytes"]))
    assert Status(status).name.lower() == case["status"]
    if "values" in case:
        expected: list[int] = []
        for info in MESSAGES[case["code"]].FIELDS:
            # What is not there is 0 in C, where the struct was zeroed; a byte string counts as one 0.
            value = case["values"].get(info.name, [0] * (info.count or 1)) if info.is_number else 0
            if info.size is not None:
                expected += value if isinstance(value, list) else [value]
        assert numbers == expected


@pytest.mark.parametrize("case", [param for param in of("packet") if param.values[0]["status"] == "ok"])
def test_packet_fields(case: dict[str, Any]) -> None:
    cls = PACKETS[case["values"]["kind"]]
    numbers = {
        info.name: case["values"][info.name]
        for info in cls.FIELDS
        if info.kind not in ("bytes", "text") and info.size is not None
    }
    ordered = [numbers.get(name, 0) for name in (cls.DTYPE.names or ())]
    fixed = core.encode(core.PACKETS, cls.CODE, ordered)
    assert core.decode(core.PACKETS, cls.CODE, fixed) == (0, ordered)
    assert cls.decode(fixed)[0] == Status.OK
