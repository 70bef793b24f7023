"""RTCM 3: published frames, and agreement with an independent parser on its own inputs and on random messages.

The 25 bytes of type 1005 are "widely reproduced as the standard's own example"; their geodetic position is pyproj's.
The frame of type 1230 is from "pyrtcm tests". The parser is PyPI pyrtcm 1.2.1.
"""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

import pytest
from crccheck.crc import Crc24LteA  # type: ignore[import-untyped]
from hypothesis import given, settings
from hypothesis import strategies as st
from offtake.dialects.checks import CHECKS
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import Message
from offtake.dialects.registry import chosen_dialects
from offtake.generated.dialects import RTCM3
from pyproj import Transformer
from pyrtcm import RTCMReader, RTCMStreamError  # type: ignore[import-untyped]

SEEDED = settings(derandomize=True, deadline=None, max_examples=60, database=None)

STATION = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")
BIASES = bytes.fromhex("D300044CE00080EDEDD6")


def decode(stream: bytes) -> list[Message]:
    decoder = StreamDecoder(chosen_dialects())
    return decoder.feed(stream) + decoder.finish()


def framed(payload: bytes) -> bytes:
    """A frame around ``payload``, its check by the independent library."""
    body = b"\xd3" + len(payload).to_bytes(2, "big") + payload
    return body + int(Crc24LteA.calc(body)).to_bytes(3, "big")


def test_crc24q_check_value() -> None:
    # CRC-24Q (catalogue: 24/LTE-A), poly 864CFB, init 0, of ASCII 123456789: CDE703 (crccheck 1.3.1's table).
    assert CHECKS["crc24q"].compute(b"123456789") == Crc24LteA.calc(b"123456789") == 0xCDE703


def test_crc24q_of_the_published_frame() -> None:
    # 360B98 over the first 22 bytes; the residue over all 25 is 0 (computed; pyrtcm 1.2.1 agrees).
    compute = CHECKS["crc24q"].compute
    assert compute(STATION[:22]) == 0x360B98
    assert compute(STATION) == 0
    # The frame of type 1230 (pyrtcm tests).
    assert compute(BIASES[:-3]) == 0xEDEDD6


def test_published_station() -> None:
    # Type 1005, station 2003, ECEF 1114104.5999, -4850729.7108, 3975521.4643 m (the standard's own example).
    (message,) = decode(STATION)
    assert (message.name, message.key, message.state, message.raw) == (
        "reference_station", "1005", "decoded", STATION,
    )  # fmt: skip
    values = message.values
    assert (values["number"], values["station_id"]) == (1005, 2003)
    place: list[Any] = [values[f"ecef_{axis}_m"] for axis in "xyz"]
    assert place == [1114104.5999, -4850729.7108, 3975521.4643]
    # Geodetic 38.80475943, -77.06477360, 114.561 m (pyproj).
    longitude, latitude, height = Transformer.from_crs("EPSG:4978", "EPSG:4979", always_xy=True).transform(*place)
    assert (round(latitude, 8), round(longitude, 8), round(height, 3)) == (38.80475943, -77.0647736, 114.561)


def test_published_frame_of_a_message_that_is_not_declared() -> None:
    # The frame of type 1230 (pyrtcm tests).
    (message,) = decode(BIASES)
    assert (message.key, message.state, message.values) == ("1230", "unknown", {})


@pytest.mark.parametrize("bit", range(0, 8 * len(STATION), 7))
def test_published_check_matters(bit: int) -> None:
    damaged = bytearray(STATION)
    damaged[bit // 8] ^= 0x80 >> bit % 8
    assert decode(bytes(damaged)) == []


# Our names by the parser's, which are the standard's data fields.
STATION_FIELDS = {
    "number": "DF002", "station_id": "DF003", "realization_year": "DF021", "gps": "DF022", "glonass": "DF023",
    "galileo": "DF024", "computed_station": "DF141", "single_oscillator": "DF142", "quarter_cycle": "DF364",
}  # fmt: skip
METRES = {"ecef_x_m": "DF025", "ecef_y_m": "DF026", "ecef_z_m": "DF027"}
HEADER_FIELDS = {
    "number": "DF002", "station_id": "DF003", "more_follow": "DF393", "issue_of_station": "DF409",
    "reserved": "DF001_7", "clock_steering": "DF411", "external_clock": "DF412", "smoothed": "DF417",
    "smoothing": "DF418",
}  # fmt: skip
# The hundreds and tens of an observation message's number -> the field of its epoch time.
TIMES = {107: "DF004", 108: "DF034", 109: "DF248", 110: "DF004", 111: "DF428", 112: "DF427", 113: "DF546"}
MASKS = {"satellite_ids": ("DF394", 64), "signal_ids": ("DF395", 32)}


def check_agreement(message: Message) -> int:
    """Compare every value of a known message with the parser's; returns how many were compared."""
    theirs: Any = RTCMReader.parse(message.raw)
    values = dict(message.values)
    number = int(message.key)
    assert str(number) == theirs.identity
    if message.name.startswith("reference_station"):
        for ours, other in STATION_FIELDS.items():
            assert values.pop(ours) == getattr(theirs, other), ours
        lengths = METRES | ({"antenna_height_m": "DF028"} if number == 1006 else {})
        for ours, other in lengths.items():
            # It multiplies by 0.0001, which is rounded twice; ours is the nearest number to the decimal.
            assert values.pop(ours) == pytest.approx(getattr(theirs, other), abs=1e-8), ours
    else:
        for ours, other in HEADER_FIELDS.items():
            assert values.pop(ours) == getattr(theirs, other), ours
        assert values.pop("observation_time_ms") == getattr(theirs, TIMES[number // 10])
        if number // 10 == 108:
            assert values.pop("observation_day") == theirs.DF416
        for ours, (other, bits) in MASKS.items():
            mask = getattr(theirs, other)
            assert values.pop(ours) == tuple(at + 1 for at in range(bits) if mask >> (bits - 1 - at) & 1), ours
    assert values == {}, "values that were not compared"
    return len(message.values)


def known_keys() -> list[int]:
    return [key for message in RTCM3.messages for key in message.keys]


def test_the_messages_asked_for_are_declared() -> None:
    observations = [10 * tens + kind for tens in range(107, 114) for kind in range(1, 8)]
    assert sorted(known_keys()) == [1005, 1006, *observations]


@SEEDED
@given(st.sampled_from([1005, 1006]), st.binary(min_size=21, max_size=21))
def test_agreement_on_random_stations(number: int, rest: bytes) -> None:
    size = 19 if number == 1005 else 21
    bits = number << 8 * size - 12 | int.from_bytes(rest[:size], "big") & (1 << 8 * size - 12) - 1
    (message,) = decode(framed(bits.to_bytes(size, "big")))
    assert message.state == "decoded"
    assert check_agreement(message) >= 12


@pytest.mark.parametrize("number", [key for key in known_keys() if key > 1006])
def test_agreement_on_random_observations(number: int) -> None:
    @settings(SEEDED, max_examples=5)
    @given(
        st.binary(min_size=8, max_size=8),
        st.sets(st.integers(0, 63), max_size=4),
        st.sets(st.integers(0, 31), max_size=3),
        st.binary(min_size=200, max_size=200),
    )
    def check(start: bytes, satellites: set[int], signals: set[int], cells: bytes) -> None:
        # 73 bits before the masks, then the two masks, then more cells than these few satellites can have.
        head = number << 61 | int.from_bytes(start, "big") & (1 << 61) - 1
        satellite_mask = sum(1 << at for at in satellites)
        signal_mask = sum(1 << at for at in signals)
        bits = (head << 64 | satellite_mask) << 32 | signal_mask
        payload = (bits << 7 + 8 * len(cells) | int.from_bytes(cells, "big")).to_bytes(22 + len(cells), "big")
        (message,) = decode(framed(payload))
        assert message.state == "decoded"
        assert len(message.values["satellite_ids"]) == len(satellites)  # type: ignore[arg-type]
        check_agreement(message)

    check()


def inputs_of(folder: Path) -> list[bytes]:
    """The frames in the parser's own tests, each once, in order; payloads alone are framed."""
    assert folder.is_dir(), f"{folder} is missing: host/setup brings it"
    literals: list[bytes] = []
    for path in sorted(folder.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.keyword) and node.arg == "payload" and isinstance(node.value, ast.Constant):
                assert isinstance(node.value.value, bytes)
                literals.append(framed(node.value.value))
            elif isinstance(node, ast.Constant) and isinstance(node.value, bytes):
                literals.append(node.value)
    return list(dict.fromkeys(literals))


def test_agreement_on_the_parsers_own_inputs(repo_root: Path) -> None:
    messages = [
        message
        for data in inputs_of(repo_root / ".build/sources/pyrtcm-1.2.1/tests")
        for message in decode(data)
        if message.dialect == "rtcm3"
    ]
    refused = []
    for message in messages:
        try:
            assert RTCMReader.parse(message.raw).identity.split("_")[0] == message.key
        except RTCMStreamError:
            refused.append((message.key, message.raw[3:-3].hex()))
    # Whole frames that the parser cannot name: those too short for a number, and those too short for the subtype that
    # it takes for a part of the name. Its tests want it to refuse them.
    assert refused == [("4076", "fec0"), ("(no key)", "00"), ("(no key)", "00"), ("4076", "fec0")]
    known = [message for message in messages if message.state != "unknown"]
    assert [message.state for message in known] == ["decoded"] * len(known)
    compared = [check_agreement(message) for message in known]
    names = sorted({message.key for message in messages})
    assert names == ["(no key)", "1005", "1006", "1007", "1008", "1009", "1023", "1065", "1077", "1230", "4072", "4076"]
    assert (len(messages), len(known), sum(compared)) == (22, 8, 100)
