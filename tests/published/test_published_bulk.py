"""The bulk decoder on published checks, frames and sentences, and on the open test inputs of three parsers.

Sentences and values: as published where named, and as the PyPI parsers pynmea2 1.19.0 and pynmeagps 1.1.8 agree on.
"""

from __future__ import annotations

import ast
import datetime as dt
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from offtake.dialects.bulk import MessageTable, decode_columns, find_messages
from offtake.dialects.bulk.buffer import Buffer
from offtake.dialects.bulk.checks import KERNELS
from offtake.generated.dialects import DIALECTS

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "host"))
from bulk_checks import assert_bulk_is_streaming

ALL = tuple(DIALECTS.values())

# ASCII 123456789. CRCs: computed; they match the tables that PyPI crccheck 1.3.1 ships. Fletcher: 8-bit Fletcher of
# binary receiver frames, plain 8-bit wrap, computed.
CHECK_VALUES = {
    "crc16_ibm3740": 0x29B1,
    "crc16_xmodem": 0x31C3,
    "crc32": 0xCBF43926,
    "crc24q": 0xCDE703,
    "fletcher8": 0xDD15,
}
# Class to payload, and checksum: 8-bit Fletcher of binary receiver frames (sync B5 62), computed.
FLETCHER_FRAMES = [
    ("06 08 06 00 C8 00 01 00 01 00", "DE 6A"),
    ("06 01 03 00 F0 05 00", "FF 19"),
    ("0A 04 00 00", "0E 34"),
    ("05 01 02 00 06 01", "0F 38"),
]
# Type 1005, widely reproduced as the standard's own example; type 1230, pyrtcm tests.
STATION = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")
BIASES = bytes.fromhex("D300044CE00080EDEDD6")

SENTENCES: list[tuple[str, str, dict[str, Any]]] = [
    (
        "$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D",
        "pynmea2 sdist",
        {"latitude_deg": -19.484083, "longitude_deg": 24.1751, "altitude_m": 100.0, "geoid_separation_m": -33.9},
    ),
    (
        "$GPGGA,201716.684,,,,,0,00,,,M,0.0,M,,0000*5F",
        "pynmea2 sdist",
        {"latitude_deg": None, "longitude_deg": None},
    ),
    (
        "$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68",
        "pynmea2 sdist",
        {
            "latitude_deg": 49.274167,
            "longitude_deg": -123.185333,
            "speed_kn": 0.5,
            "course_deg": 54.7,
            "date": dt.date(1994, 11, 19),
        },
    ),
    (
        "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
        "npm nmea-simple 3.3.0",
        {"date": dt.date(1994, 3, 23), "speed_kn": 22.4, "course_deg": 84.4},
    ),
    (
        "$GNGLL,5327.04319,S,00214.41396,E,223232.00,A,A*68",
        "pynmeagps sdist",
        {"latitude_deg": -53.450720, "longitude_deg": 2.240233},
    ),
    (
        "$GPGSA,A,3,02,,,07,,09,24,26,,,,,1.6,1.6,1.0*3D",
        "pynmea2 sdist",
        {"fix_type": "3d", "satellites": (2, 7, 9, 24, 26)},
    ),
    (
        "$GPGSV,3,1,09,12,28,063,33,14,63,000,32,22,68,150,26,25,40,109,23*7B",
        "pynmea2 sdist",
        {"sentence_number": 1, "sentences_total": 3, "satellites_in_view": 9},
    ),
    (
        "$GPGSV,3,3,09,24,03,046,*47",
        "pynmea2 sdist",
        {"satellites": ({"satellite_id": 24, "elevation_deg": 3, "azimuth_deg": 46, "cn0_db_hz": None},)},
    ),
    ("$GPVTG,108.53,T,,M,0.04,N,0.07,K,A*31", "pynmea2 sdist", {"course_deg": 108.53, "speed_kn": 0.04}),
    (
        "$GPZDA,172809.456,12,07,1996,00,00*57",
        "Debian golang-github-adrianmo-go-nmea-dev 1.7.0",
        {"date": dt.date(1996, 7, 12), "time_of_day_us": ((17 * 60 + 28) * 60 + 9) * 1_000_000 + 456_000},
    ),
]


def only_table(stream: bytes) -> MessageTable:
    (table,) = decode_columns(stream, find_messages(stream, ALL), ALL).values()
    return table


@pytest.mark.parametrize("name", CHECK_VALUES)
def test_check_values(name: str) -> None:
    # Twice, with something between: a kernel works on stretches.
    starts = np.array([0, 11])
    computed = KERNELS[name](Buffer(b"123456789xy123456789"), starts, starts + 9)
    assert computed.tolist() == [CHECK_VALUES[name]] * 2


@pytest.mark.parametrize(("body", "check"), FLETCHER_FRAMES)
def test_published_fletcher_of_frames(body: str, check: str) -> None:
    frame = bytes.fromhex(f"B5 62 {body} {check}")
    assert find_messages(frame + frame, ALL).offset.tolist() == [0, len(frame)]
    for wrong in range(16):
        damaged = frame[:-2] + (int(check.replace(" ", ""), 16) ^ 1 << wrong).to_bytes(2, "big")
        assert len(find_messages(damaged, ALL)) == 0


def test_published_rtcm_frames() -> None:
    index = find_messages(STATION + b"\xd3" + BIASES, ALL)
    assert index.offset.tolist() == [0, len(STATION) + 1]
    station = only_table(STATION).row(0)
    # Station 2003, ECEF 1114104.5999, -4850729.7108, 3975521.4643 m (the standard's own example; pyrtcm agrees).
    assert [station[name] for name in ("station_id", "ecef_x_m", "ecef_y_m", "ecef_z_m")] == [
        2003, 1114104.5999, -4850729.7108, 3975521.4643,
    ]  # fmt: skip


@pytest.mark.parametrize(("text", "source", "values"), SENTENCES)
def test_published_sentences(text: str, source: str, values: dict[str, Any]) -> None:
    decoded = only_table(text.encode("ascii")).row(0)
    for name, expected in values.items():
        wanted = pytest.approx(expected, abs=5e-7) if name.endswith("itude_deg") and expected is not None else expected
        assert decoded[name] == wanted, source


def open_inputs(folder: Path) -> bytes:
    """Every file of a parser's source distribution as it is, and the bytes that its Python files spell out."""
    assert folder.is_dir(), f"{folder} is missing: host/setup brings it"
    parts: list[bytes] = []
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        data = path.read_bytes()
        parts.append(data)
        if path.suffix == ".py":
            nodes = ast.walk(ast.parse(data))
            parts += [node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, bytes)]
    return b"\n".join(parts)


# How many messages of known kinds lie in each: counted, so that the test cannot quietly run empty.
@pytest.mark.parametrize(("source", "known"), [("pynmea2-1.19.0", 74), ("pynmeagps-1.1.8", 16), ("pyrtcm-1.2.1", 20)])
def test_open_inputs_are_read_as_by_the_streaming_decoder(repo_root: Path, source: str, known: int) -> None:
    stream = open_inputs(repo_root / ".build/sources" / source)
    assert assert_bulk_is_streaming(stream, ALL) == known
    # And with a byte lost every few hundred.
    damaged = b"".join(stream[at : at + 299] for at in range(0, len(stream), 300))
    assert assert_bulk_is_streaming(damaged, ALL, range(0, len(damaged), 5000)) > 0
