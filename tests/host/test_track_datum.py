"""Positions on another datum are not converted, and that is said; binary and text skies are not mixed."""

from __future__ import annotations

from binary_frames import frame_b562, sentence
from chunk_windows import windows_of
from offtake.dialects.stream import StreamChunk
from offtake.track.fix import Track
from track_reading import read_track

GGA = "GPGGA,120000.00,0130.50000,N,00230.25000,E,1,08,1.1,12.5,M,,M,,"


def track(*bodies: str) -> Track:
    data = b"".join(map(sentence, bodies))
    return read_track(windows_of([StreamChunk(1000, data, False)]), baud=57_600, run=1)


def test_another_datum_is_said_and_wgs84_is_not() -> None:
    assert track(GGA).notes == ()
    assert track("GPDTM,W84,,0.0,N,0.0,E,0.0,W84", GGA).notes == ()
    (note,) = track("GPDTM,999,,0.10,N,0.05,E,12.0,W84", GGA).notes
    assert "another datum" in note
    assert "999" in note
    (shifted,) = track("GPDTM,W84,,0.10,N,0.05,E,12.0,W84", GGA).notes
    assert "W84" in shifted


def binary_sky(week_ms: int) -> bytes:
    satellites = [(6, 1, 38, 40, 100, 1), (0, 5, 41, 60, 200, 1), (0, 9, 0, 10, 20, 0)]
    payload = week_ms.to_bytes(4, "little") + bytes((1, len(satellites), 0, 0))
    for system, number, level, elevation, azimuth, used in satellites:
        payload += bytes((system, number, level, elevation)) + azimuth.to_bytes(2, "little") + bytes(2)
        payload += (used << 3).to_bytes(4, "little")
    return frame_b562(0x0135, payload)


def test_the_binary_sky_stands_where_both_are_told() -> None:
    text = b"".join(map(sentence, (GGA, "GLGSV,1,1,01,65,40,100,38,1", "GPGSV,1,1,01,05,60,200,41,1")))
    # 12:00:00 UTC on a Sunday is 43,218 s of the GPS week.
    both = read_track(windows_of([StreamChunk(1000, text + binary_sky(43_218_000), False)]), baud=57_600, run=1)
    (sky,) = both.skies
    assert [(one.system, one.satellite_id, one.cn0_db_hz, one.used) for one in sky.satellites] == [
        ("glonass", 1, 38, True),
        ("gps", 5, 41, True),
        ("gps", 9, None, False),
    ]


def test_a_binary_position_without_an_accuracy_is_no_position() -> None:
    payload = (43_218_000).to_bytes(4, "little") + bytes(16) + b"\xff" * 8
    alone = read_track(windows_of([StreamChunk(1000, frame_b562(0x0102, payload), False)]), baud=57_600, run=1)
    assert not any(fix.has_position for fix in alone.fixes)
