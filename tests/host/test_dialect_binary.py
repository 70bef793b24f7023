"""Values of binary messages: what is read, what is absent, what is refused and what is said about it."""

from __future__ import annotations

import datetime as dt
import math
import struct
from pathlib import Path
from typing import Any

import pytest
from binary_frames import PVT, decode, frame_b562, frame_rtcm, pvt
from hypothesis import given
from hypothesis import strategies as st
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import Message
from offtake.dialects.registry import chosen_dialects
from offtake.generated.dialects import B562, RTCM3

MEMORY = "From memory: check against your receiver's interface manual."


def one(key: int, payload: bytes) -> Message:
    (message,) = decode(frame_b562(key, payload))
    assert (message.dialect, message.talker, message.key) == ("b562", "", f"{key >> 8:02X} {key & 0xFF:02X}")
    return message


def values_of(key: int, payload: bytes) -> dict[str, Any]:
    message = one(key, payload)
    assert message.state == "decoded", message.reason
    return dict(message.values)


# Layouts are from memory, as in the dialect's definition; struct takes them apart a second time here.


def test_position_velocity_time() -> None:
    assert PVT.size == 92
    message = one(0x0107, pvt())
    assert (message.name, message.state, message.offset) == ("position_velocity_time", "decoded", 0)
    assert dict(message.values) == {
        "time_of_week_us": 129_618_250_000,
        "date_valid": True,
        "time_valid": True,
        "time_resolved": True,
        "date": dt.date(2024, 1, 1),
        "time_of_day_us": 43_200_250_000,
        "time_accuracy_ns": 21,
        "fix_type": "3d",
        "fix_ok": True,
        "differential": False,
        "heading_valid": False,
        "carrier_solution": "code_only",
        "satellites_used": 17,
        "longitude_deg": -120.25,
        "latitude_deg": -47.5,
        "height_m": 123.456,
        "altitude_m": 132.756,
        "horizontal_accuracy_m": 0.901,
        "vertical_accuracy_m": 1.502,
        "velocity_north_m_s": 1.0,
        "velocity_east_m_s": -0.5,
        "velocity_down_m_s": 0.02,
        "speed_m_s": 1.118,
        "course_deg": 333.43495,
        "speed_accuracy_m_s": 0.09,
        "course_accuracy_deg": 2.5,
        "pdop": 1.37,
        "position_void": False,
        "heading_deg": None,
    }


def test_flags_say_what_is_absent() -> None:
    without_fix = values_of(0x0107, pvt(fix=0, flags=0))
    absent = {name for name, value in without_fix.items() if value is None}
    assert absent == {
        "longitude_deg", "latitude_deg", "height_m", "altitude_m", "velocity_north_m_s", "velocity_east_m_s",
        "velocity_down_m_s", "speed_m_s", "course_deg", "heading_deg",
    }  # fmt: skip
    without_time = values_of(0x0107, pvt(valid=0, year=0, month=0, day=0))
    assert (without_time["date"], without_time["time_of_day_us"]) == (None, None)
    assert values_of(0x0107, pvt(flags=1 | 1 << 5))["heading_deg"] == 90.0
    assert values_of(0x0107, pvt(flags=1 | 2 << 6))["carrier_solution"] == "rtk_fixed"
    assert values_of(0x0107, pvt(flags=1 | 3 << 6))["carrier_solution"] == "other"
    assert values_of(0x0107, pvt(pdop=9999))["pdop"] is None


@pytest.mark.parametrize(
    ("changes", "date", "time_us"),
    [
        # The whole seconds are those of the nearest one; nanoseconds bring it back before or after it.
        ({"nano": -1000}, dt.date(2024, 1, 1), 43_199_999_999),
        ({"nano": -1}, dt.date(2024, 1, 1), 43_199_999_999),
        ({"hour": 0, "nano": -250_000_000}, dt.date(2023, 12, 31), 86_399_750_000),
        ({"hour": 0, "nano": 0}, dt.date(2024, 1, 1), 0),
        ({"month": 3, "hour": 0, "nano": -1}, dt.date(2024, 2, 29), 86_399_999_999),
        # A leap second.
        ({"hour": 23, "minute": 59, "second": 60, "nano": 500_000_000}, dt.date(2024, 1, 1), 86_400_500_000),
    ],
)
def test_nanoseconds_around_midnight(changes: dict[str, int], date: dt.date, time_us: int) -> None:
    values = values_of(0x0107, pvt(**changes))
    assert (values["date"], values["time_of_day_us"]) == (date, time_us)


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"latitude": 900_000_001}, "latitude_deg: 90.0000001 is above 90"),
        ({"longitude": -1_800_000_001}, "longitude_deg: -180.0000001 is below -180"),
        ({"hour": 24}, ": 24:00:00 is not a time of day"),
        ({"second": 60}, ": 12:00:60 is not a time of day"),
        ({"month": 13}, "date: day 1, month 13, year 2024 is no date"),
        ({"day": 0}, "date: day 0, month 1, year 2024 is no date"),
        ({"year": 1979}, "date: year 1979 is outside 1980 to 2199"),
        ({"year": 65_535}, "outside 1980 to 2199"),
        ({"tow_ms": 604_800_000}, "time_of_week_us: 604800000000 is above 604799999000"),
    ],
)
def test_values_out_of_range_make_a_message_invalid(changes: dict[str, int], reason: str) -> None:
    decoder = StreamDecoder(chosen_dialects())
    (message,) = decode(frame_b562(0x0107, pvt(**changes)), decoder)
    assert message.state == "invalid"
    assert reason in message.reason
    assert message.values["satellites_used"] == 17
    assert (decoder.counts.invalid, decoder.counts.decoded) == (1, 0)


def test_limits_themselves_are_valid() -> None:
    values = values_of(0x0107, pvt(latitude=-900_000_000, longitude=1_800_000_000, tow_ms=604_799_999))
    assert (values["latitude_deg"], values["longitude_deg"]) == (-90.0, 180.0)


def test_a_short_payload_is_invalid_and_a_longer_one_is_read() -> None:
    short = one(0x0107, pvt()[:84])
    assert (short.state, short.reason) == ("invalid", "a payload of 84 bytes, expected at least 88")
    assert values_of(0x0107, pvt() + b"later fields")["pdop"] == 1.37


def satellites(*groups: bytes, said: int | None = None) -> bytes:
    head = struct.pack("<IBBH", 1000, 1, len(groups) if said is None else said, 0)
    return head + b"".join(groups)


def satellite(system: int, number: int, cn0: int, elevation: int, azimuth: int, residual: int, flags: int) -> bytes:
    return struct.pack("<BBBbhhI", system, number, cn0, elevation, azimuth, residual, flags)


def test_satellites() -> None:
    payload = satellites(satellite(0, 5, 44, 60, 359, -12, 0x5F), satellite(6, 24, 0, -91, 0, 0, 0x17 & ~8))
    assert values_of(0x0135, payload) == {
        "time_of_week_us": 1_000_000,
        "satellites_in_view": 2,
        "satellites": (
            {"system": "gps", "satellite_id": 5, "cn0_db_hz": 44, "elevation_deg": 60, "azimuth_deg": 359,
             "residual_m": -1.2, "used": True},
            {"system": "glonass", "satellite_id": 24, "cn0_db_hz": None, "elevation_deg": None, "azimuth_deg": 0,
             "residual_m": 0.0, "used": False},
        ),
    }  # fmt: skip
    assert values_of(0x0135, satellites())["satellites"] == ()
    assert values_of(0x0135, satellites(satellite(9, 1, 1, 1, 1, 1, 1)))["satellites"][0]["system"] == "other"


def test_a_count_beyond_the_payload_is_refused_and_a_longer_payload_is_not() -> None:
    message = one(0x0135, satellites(satellite(0, 5, 44, 60, 359, 0, 8), said=255))
    assert message.state == "invalid"
    assert message.reason == "satellites: 255 of them said, the payload has room for 1"
    two = satellites(satellite(0, 5, 44, 60, 359, 0, 8), satellite(0, 6, 44, 60, 359, 0, 8), said=1)
    assert len(values_of(0x0135, two)["satellites"]) == 1


def test_a_value_out_of_range_in_a_group_says_which_group() -> None:
    payload = satellites(satellite(0, 5, 44, 60, 10, 0, 8), satellite(0, 6, 44, 60, 361, 0, 8))
    assert one(0x0135, payload).reason == "satellites[1].azimuth_deg: 361 is above 360"


def test_the_other_messages() -> None:
    dilution = values_of(0x0104, struct.pack("<I7H", 1, 250, 200, 150, 120, 9999, 80, 60))
    assert dilution == {
        "time_of_week_us": 1000, "gdop": 2.5, "pdop": 2.0, "tdop": 1.5, "vdop": 1.2, "hdop": None,
    }  # fmt: skip
    utc = values_of(0x0121, struct.pack("<IIiHBBBBBB", 1, 30, -250_000_000, 2024, 3, 1, 0, 0, 0, 7))
    assert (utc["date"], utc["time_of_day_us"]) == (dt.date(2024, 2, 29), 86_399_750_000)
    # Valid time of week and week only: what comes without leap seconds is not UTC.
    unknown = values_of(0x0121, struct.pack("<IIiHBBBBBB", 1, 30, 0, 2024, 3, 1, 0, 0, 0, 3))
    assert (unknown["date"], unknown["time_of_day_us"]) == (None, None)
    gps = values_of(0x0120, struct.pack("<IihbBI", 5, -77, 2295, 18, 7, 12))
    assert (gps["time_of_week_us"], gps["fraction_ns"], gps["week"], gps["leap_s"]) == (5000, -77, 2295, 18)
    without = values_of(0x0120, struct.pack("<IihbBI", 5, -77, 2295, 18, 1, 12))
    assert (without["week"], without["leap_s"]) == (None, None)
    leap = values_of(0x0126, struct.pack("<IB3xBbBbiHH3xB", 9, 0, 2, 18, 1, 1, 3600, 2400, 7, 3))
    assert (leap["leap_s"], leap["leap_change_s"], leap["leap_event_in_s"]) == (18, 1, 3600)
    status = values_of(0x0103, struct.pack("<IBBBBII", 9, 2, 1, 0, 0, 27_000, 99_000))
    assert (status["fix_type"], status["fix_ok"], status["first_fix_ms"]) == ("2d", True, 27_000)
    assert values_of(0x0161, struct.pack("<I", 7)) == {"time_of_week_us": 7000}
    place = values_of(0x0102, struct.pack("<IiiiiII", 9, -5, 7, 1500, -1500, 900, 1000))
    assert (place["longitude_deg"], place["latitude_deg"]) == (-5e-7, 7e-7)
    assert (place["height_m"], place["altitude_m"], place["horizontal_accuracy_m"]) == (1.5, -1.5, 0.9)
    velocity = values_of(0x0112, struct.pack("<IiiiIIiII", 9, 100, -200, 50, 229, 224, -9_000_000, 30, 500_000))
    assert (velocity["velocity_north_m_s"], velocity["velocity_east_m_s"]) == (1.0, -2.0)
    assert (velocity["velocity_down_m_s"], velocity["speed_m_s"], velocity["course_deg"]) == (0.5, 2.24, -90.0)


@pytest.mark.parametrize(("coarse", "fine"), [(123, 45), (123, -45), (-123, 45), (-123, -45), (0, -99), (0, 0)])
def test_a_position_with_more_digits_is_rounded_once(coarse: int, fine: int) -> None:
    digits = (fine, fine, fine // 10, 3)
    payload = struct.pack("<B2xBIiiiibbbbII", 0, 0, 9, coarse, coarse, coarse, coarse, *digits, 1234, 1)
    values = values_of(0x0114, payload)
    assert values["longitude_deg"] == values["latitude_deg"] == (100 * coarse + fine) / 10**9
    assert values["height_m"] == (10 * coarse + fine // 10) / 10**4
    assert values["horizontal_accuracy_m"] == 0.1234
    assert values["position_void"] is False


def test_unknown_messages_are_counted_by_class_and_id() -> None:
    decoder = StreamDecoder(chosen_dialects())
    messages = decode(frame_b562(0x0A04, b"") + frame_b562(0x0A04, b"\x01") + frame_rtcm(b"\xff\xf0"), decoder)
    assert [(message.name, message.state) for message in messages] == [
        ("0A 04", "unknown"), ("0A 04", "unknown"), ("4095", "unknown"),
    ]  # fmt: skip
    assert decoder.counts.unknown_names == {"0A 04": 2, "4095": 1}
    assert decoder.counts.dialects["b562"].names == {"0A 04": 2}


@pytest.mark.parametrize("payload", [b"", b"\x3e"])
def test_a_frame_too_short_for_its_number_has_none(payload: bytes) -> None:
    (message,) = decode(frame_rtcm(payload))
    assert (message.name, message.key, message.state) == ("(no key)", "(no key)", "unknown")


def test_a_bad_check_is_counted_for_what_could_be_a_known_message_only() -> None:
    decoder = StreamDecoder(chosen_dialects())
    damaged = bytearray(frame_b562(0x0107, pvt()))
    damaged[40] ^= 1
    chance = bytes.fromhex("B5 62 77 77 02 00 00 00 00 00")
    too_short = bytes.fromhex("B5 62 01 07 02 00 00 00 00 00")
    assert decode(bytes(damaged) + chance + too_short, decoder) == []
    assert (decoder.counts.bad_checksum, decoder.counts.broken) == (1, 2)
    fault = decoder.faults[0]
    assert (fault.kind, fault.offset) == ("bad_checksum", 0)
    assert "computed" in fault.detail


KEYS = [("b562", key) for message in B562.messages for key in message.keys]
KEYS += [("rtcm3", key) for message in RTCM3.messages for key in message.keys]


@given(st.sampled_from(KEYS), st.binary(max_size=160))
def test_any_payload_does_no_harm(which: tuple[str, int], payload: bytes) -> None:
    dialect, key = which
    if dialect == "rtcm3":
        number = (key << 4 | (payload[:1] or b"\0")[0] & 0xF).to_bytes(2, "big")
        frame = frame_rtcm(number + payload)
    else:
        frame = frame_b562(key, payload)
    (message,) = decode(frame)
    assert (message.dialect, message.raw) == (dialect, frame)
    assert (message.state == "invalid") == bool(message.reason)
    assert message.state in ("decoded", "invalid")
    for value in message.values.values():
        assert not isinstance(value, float) or math.isfinite(value)


def test_layouts_from_memory_are_marked_so(repo_root: Path) -> None:
    assert [message.name for message in B562.messages if MEMORY not in message.doc] == []
    assert "from memory: check against your receiver's interface manual" in B562.doc
    page = (repo_root / "shared_spec/REFERENCE.md").read_text(encoding="utf-8")
    start = page.index("## Dialect b562")
    assert page[start : page.index("\n## ", start)].count(MEMORY) == len(B562.messages)
