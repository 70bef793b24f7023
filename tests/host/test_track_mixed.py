"""Epochs of binary messages, and of text and binary that speak of the same moment."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import pytest
from binary_frames import frame_b562, pvt, sentence
from chunk_windows import windows_of
from offtake.dialects.message import Message
from offtake.dialects.stream import StreamChunk, TimedMessage
from offtake.track.epochs import MESSAGES_KEPT, Epoch, group_epochs
from track_reading import read_track

DAY_S = 86_400


def text(name: str, talker: str = "GN", **values: Any) -> Message:
    return Message("nmea0183", talker, name, 0, b"", "decoded", "", values)


def binary(name: str, second: float | None = None, **values: Any) -> Message:
    """A message at ``second`` of the GPS week."""
    given = values if second is None else {"time_of_week_us": round(second * 1e6), **values}
    return Message("b562", "", name, 0, b"", "decoded", "", given)


def solution(second: float, **values: Any) -> Message:
    usual = {
        "fix_type": "3d",
        "fix_ok": True,
        "latitude_deg": 1.5,
        "longitude_deg": 2.5,
        "time_of_day_us": round(((second - 18) % DAY_S) * 1e6),
        "date": dt.date(2031, 5, 4),
        "date_valid": True,
        "time_valid": True,
    }
    return binary("position_velocity_time", second, **(usual | values))


def gga(second: float, **values: Any) -> Message:
    usual = {
        "time_of_day_us": round(second * 1e6),
        "latitude_deg": 1.25,
        "longitude_deg": 2.25,
        "fix_quality": "autonomous",
    }
    return text("GGA", **(usual | values))


def epochs(*bursts: Sequence[Message], pause_us: int = 100_000) -> list[Epoch]:
    """Epochs of bursts with a pause between, a second apart."""
    timed = []
    for number, burst in enumerate(bursts):
        for place, message in enumerate(burst):
            timed.append(TimedMessage(message, number * 1_000_000 + place * 1000, 0 if place else pause_us, False))
    return list(group_epochs(timed, 1))


def test_binary_messages_of_one_time_of_week_are_one_epoch() -> None:
    found = epochs(
        *[
            [
                solution(second, speed_m_s=2.0),
                binary("dilution", second, hdop=1.5, vdop=2.0, pdop=2.5),
                binary("satellites", second, satellites_in_view=9, satellites=()),
                binary("end_of_epoch", second),
            ]
            for second in (100.0, 101.0, 102.0)
        ]
    )
    assert [one.mark.time_of_week_us for one in found] == [100_000_000, 101_000_000, 102_000_000]
    fix = found[1].fix
    assert (fix.hdop, fix.vdop, fix.pdop, fix.speed_m_s, fix.fix_type) == (1.5, 2.0, 2.5, 2.0, "3d")
    assert (fix.fix_quality, fix.satellites_in_view, fix.tick_us) == ("autonomous", 9, 1_000_000)


@pytest.mark.parametrize("paused", [True, False])
def test_text_and_binary_of_one_moment_are_one_epoch(paused: bool) -> None:
    day = 2 * DAY_S
    bursts = [[solution(day + 18 + n), gga(n), text("VTG", speed_kn=float(n))] for n in range(4)]
    found = epochs(*bursts) if paused else epochs([one for burst in bursts for one in burst])
    assert [one.fix.time_of_day_us for one in found] == [0, 1_000_000, 2_000_000, 3_000_000]
    assert [one.fix.speed_m_s for one in found] == pytest.approx([n * 1852 / 3600 for n in range(4)])
    # The binary position is not rounded to decimals of a minute.
    assert {one.fix.latitude_deg for one in found} == {1.5}


def test_text_and_binary_that_never_tell_both_times_meet_by_the_usual_leap_seconds() -> None:
    plain = {"time_of_day_us": None, "date": None, "date_valid": None, "time_valid": None}
    found = epochs(*[[gga(n), solution(18 + n, **plain)] for n in range(3)])
    assert [(one.fix.time_of_day_us, one.mark.time_of_week_us) for one in found] == [
        (n * 1_000_000, (18 + n) * 1_000_000) for n in range(3)
    ]


def test_the_stream_s_own_leap_seconds_count() -> None:
    said = [binary("leap_seconds", 20.0, leap_s=15)]
    position = {"fix_type": "3d", "fix_ok": True, "latitude_deg": 1.5, "longitude_deg": 2.5}
    found = epochs(said, *[[gga(n), binary("position", 15 + n, **position)] for n in range(10, 13)])
    assert [len(one.fix.source_offsets) for one in found] == [1, 2, 2, 2]
    assert found[0].mark.leap_s == 15
    # Half a second off, they are not the same moment.
    found = epochs(said, *[[gga(n), binary("position", 15.5 + n, **position)] for n in range(10, 13)])
    assert [len(one.fix.source_offsets) for one in found] == [1] * 7


def test_hundredths_of_a_second_meet_the_exact_time() -> None:
    # Eight epochs a second: text cuts .125 s to .12.
    found = epochs(
        *[[solution(18 + n / 8), gga(n * 100 // 8 / 100)] for n in range(8)],
    )
    assert len(found) == 8
    assert all(len(one.fix.source_offsets) == 2 for one in found)


def test_velocity_by_components() -> None:
    (one,) = epochs([solution(18, velocity_north_m_s=-3.0, velocity_east_m_s=-4.0, velocity_down_m_s=2.0)])
    assert (one.fix.speed_m_s, one.fix.climb_m_s) == (5.0, -2.0)
    assert one.fix.course_deg == pytest.approx(180 + 53.13010235)
    (still,) = epochs([solution(18, velocity_north_m_s=0.0, velocity_east_m_s=0.0, velocity_down_m_s=0.0)])
    assert (still.fix.speed_m_s, still.fix.course_deg, still.fix.climb_m_s) == (0.0, None, 0.0)
    (west,) = epochs([solution(18, speed_m_s=1.0, course_deg=-90.0)])
    assert west.fix.course_deg == 270.0


def test_sigmas_and_heading() -> None:
    sigmas = {"latitude_sigma_m": 3.0, "longitude_sigma_m": 4.0, "altitude_sigma_m": 6.0}
    (one,) = epochs([gga(1), text("GST", time_of_day_us=1_000_000, **sigmas), text("HDT", heading_deg=12.0)])
    assert (one.fix.horizontal_accuracy_m, one.fix.vertical_accuracy_m, one.fix.heading_deg) == (5.0, 6.0, 12.0)


@pytest.mark.parametrize(
    ("flags", "quality"),
    [
        ({}, "autonomous"),
        ({"differential": True}, "differential"),
        ({"differential": True, "carrier_solution": "rtk_float"}, "rtk_float"),
        ({"carrier_solution": "rtk_fixed"}, "rtk_fixed"),
        ({"fix_type": "dead_reckoning"}, "estimated"),
        ({"fix_type": "none"}, "none"),
        ({"fix_type": "time"}, "none"),
        ({"fix_ok": False}, "none"),
    ],
)
def test_quality_of_a_binary_solution(flags: dict[str, Any], quality: str) -> None:
    (one,) = epochs([solution(18, **flags)])
    assert one.fix.fix_quality == quality
    assert one.fix.has_position is (quality != "none")


def test_a_position_beside_a_status_that_denies_it_is_left_out() -> None:
    position = binary("position", 18, latitude_deg=1.5, longitude_deg=2.5)
    (one,) = epochs([position, binary("status", 18, fix_type="none", fix_ok=False)])
    assert (one.fix.has_position, one.fix.fix_quality) == (False, "none")
    (one,) = epochs([position, binary("status", 18, fix_type="3d", fix_ok=True)])
    assert (one.fix.has_position, one.fix.fix_quality) == (True, "autonomous")


def test_the_position_with_more_digits_stands() -> None:
    precise = binary("precise_position", 18, latitude_deg=1.500000004, longitude_deg=2.5, position_void=False)
    for burst in ([solution(18), precise], [precise, solution(18)]):
        (one,) = epochs(burst)
        assert one.fix.latitude_deg == 1.500000004
    void = binary("precise_position", 18, latitude_deg=1.500000004, longitude_deg=2.5, position_void=True)
    (one,) = epochs([solution(18), void])
    assert one.fix.latitude_deg == 1.5


@pytest.mark.parametrize(
    ("values", "trusted"),
    [
        ({}, True),
        ({"date_valid": False}, False),
        ({"time_valid": False}, False),
        ({"fix_ok": False}, True),
        ({"fix_ok": False, "date_valid": None}, False),
    ],
)
def test_whether_a_time_is_trusted(values: dict[str, Any], trusted: bool) -> None:
    (one,) = epochs([solution(18, **values)])
    assert one.mark.trusted is trusted


def test_the_mark_has_all_that_was_said_of_time() -> None:
    time = binary("gps_time", 30.0, week=2300, leap_s=18)
    (one,) = epochs([time, solution(30.0)])
    assert (one.mark.week, one.mark.time_of_week_us, one.mark.leap_s) == (2300, 30_000_000, 18)
    assert (one.mark.date, one.mark.time_of_day_us) == (dt.date(2031, 5, 4), 12_000_000)
    assert one.mark.week_bits is None


def test_over_the_week_s_end_and_midnight() -> None:
    week_s = 7 * DAY_S
    bursts = [[solution((week_s - 2 + n) % week_s), gga((DAY_S - 20 + n) % DAY_S)] for n in range(30)]
    assert [len(one.fix.source_offsets) for one in epochs(*bursts)] == [2] * 30


def test_a_stream_that_says_the_same_on_and_on_does_not_pile_up() -> None:
    found = epochs([gga(1), *[text("GSV", "GP", satellites_in_view=1, satellites=())] * (3 * MESSAGES_KEPT)])
    assert max(len(one.fix.source_offsets) for one in found) <= MESSAGES_KEPT


def real_burst(second: int) -> bytes:
    """One epoch as bytes: solution, satellites and dilution in frames, position and satellites used in text."""
    tow = (129_618_000 + second * 1000).to_bytes(4, "little")
    satellites = bytes([1, 2, 0, 0, 0, 5, 41, 45, 90, 0, 0, 0, 8, 0, 0, 0, 6, 9, 0, 20, 10, 0, 0, 0, 0, 0, 0, 0])
    dilution = b"".join(value.to_bytes(2, "little") for value in (150, 140, 70, 120, 90, 60, 65))
    frames = (
        frame_b562(0x0107, pvt(tow_ms=129_618_000 + second * 1000, second=second, nano=-250)),
        frame_b562(0x0135, tow + satellites),
        frame_b562(0x0104, tow + dilution),
    )
    text_part = (
        f"GNGGA,1200{second:02d}.00,4730.001,S,12015.001,W,1,12,0.9,100.0,M,5.0,M,,",
        "GNGSA,A,3,05,06,,,,,,,,,,,1.4,0.9,1.2,1",
    )
    return b"".join(frames) + b"".join(sentence(body) for body in text_part)


def test_a_real_mixed_stream() -> None:
    chunks = [StreamChunk(500 + n * 1_000_000, real_burst(n), False) for n in range(5)]
    track = read_track(windows_of(chunks), baud=57_600, run=1)
    assert len(track.fixes) == len(track.skies) == 5
    for number, fix in enumerate(track.fixes):
        assert fix.utc is not None
        assert abs(fix.utc - dt.datetime(2024, 1, 1, 12, 0, number, tzinfo=dt.UTC)) < dt.timedelta(milliseconds=1)
        assert (fix.latitude_deg, fix.longitude_deg) == (-47.5, -120.25)
        assert (fix.hdop, fix.pdop, fix.speed_m_s, fix.climb_m_s) == (0.9, 1.37, 1.118, -0.02)
        assert (fix.altitude_m, fix.height_m, fix.geoid_separation_m) == (132.756, 123.456, 5.0)
        assert (fix.satellites_used, fix.satellites_in_view, fix.horizontal_accuracy_m) == (17, 2, 0.901)
        assert len(fix.source_offsets) == 5
    sky = track.skies[0]
    assert [(one.system, one.satellite_id, one.used) for one in sky.satellites] == [
        ("glonass", 9, False),
        ("gps", 5, True),
        ("gps", 6, True),
    ]
    assert sky.utc == track.fixes[0].utc
