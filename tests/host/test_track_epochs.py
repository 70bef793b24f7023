"""Which messages make an epoch, and what the epoch says."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from operator import xor

import pytest
from chunk_windows import windows_of
from offtake.dialects.stream import StreamChunk
from offtake.track.fix import Fix, Track
from track_reading import read_track

BAUD = 57_600


def sentences(*bodies: str) -> bytes:
    return b"".join(f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode() for body in bodies)


def track_of(*bursts: Sequence[str], period_us: int = 1_000_000) -> Track:
    """Decode one burst of sentences for each period, the first one at 500 us."""
    chunks = [StreamChunk(500 + number * period_us, sentences(*burst), False) for number, burst in enumerate(bursts)]
    return read_track(windows_of(chunks), baud=BAUD, run=1)


def joined(*bursts: Sequence[str]) -> Track:
    """Decode the same sentences on a line without any pause."""
    data = b"".join(sentences(*burst) for burst in bursts)
    return read_track(windows_of([StreamChunk(500, data, False)]), baud=BAUD, run=1)


def gga(time: str, *, quality: str = "1", lat: str = "0130.5,N", used: str = "07") -> str:
    return f"GNGGA,{time},{lat},00230.25,E,{quality},{used},1.1,12.5,M,-3.5,M,,"


def gns(time: str, *, modes: str = "AA") -> str:
    return f"GNGNS,{time},0130.5,N,00230.25,E,{modes},15,1.1,12.5,-3.5,,,V"


def rmc(time: str, *, status: str = "A", mode: str = "A", date: str = "010203") -> str:
    return f"GNRMC,{time},{status},0130.5,N,00230.25,E,10.0,90.0,{date},,,{mode},V"


def vtg(speed: str) -> str:
    return f"GNVTG,45.0,T,,M,{speed},N,,K,A"


GSA = "GNGSA,A,3,01,02,03,04,,,,,,,,,2.5,1.5,2.0,1"
GSV = "GPGSV,1,1,01,05,45,000,30,1"
GLL = "GNGLL,0130.5,N,00230.25,E,{time},A,A"
ZDA = "GNZDA,{time},01,02,2003,00,00"


def test_one_epoch_of_the_usual_sentences_with_the_date_in_zda_only() -> None:
    time = "120000.00"
    burst = [vtg("1.0"), gns(time), gga(time), GSA, GSV, GLL.format(time=time), ZDA.format(time=time)]
    track = track_of(burst)
    (fix,) = track.fixes
    assert fix.utc is not None
    assert fix.utc.isoformat() == "2003-02-01T12:00:00+00:00"
    assert fix.latitude_deg == pytest.approx(1.50833333)
    assert (fix.altitude_m, fix.geoid_separation_m) == (12.5, -3.5)
    assert fix.course_deg == 45.0
    assert fix.speed_m_s == pytest.approx(1852 / 3600)
    assert (fix.fix_quality, fix.fix_type, fix.satellites_used) == ("autonomous", "3d", 15)
    assert (fix.hdop, fix.vdop, fix.pdop) == (1.1, 2.0, 2.5)
    assert (fix.run, fix.tick_us, fix.after_loss) == (1, 500, False)
    assert len(fix.source_offsets) == len(burst)
    assert fix.source_offsets[0] == 0


SECOND_BURSTS = [[gga(f"1200{n:02d}"), vtg(f"{n}.0"), GSA, GSV] for n in range(5)]
LEADING_BURSTS = [[vtg(f"{n}.0"), GSA, gga(f"1200{n:02d}"), GLL.format(time=f"1200{n:02d}")] for n in range(5)]


@pytest.mark.parametrize("bursts", [SECOND_BURSTS, LEADING_BURSTS], ids=["time first", "time last"])
@pytest.mark.parametrize("paused", [True, False])
def test_messages_without_a_time_go_to_their_own_epoch(bursts: list[list[str]], paused: bool) -> None:
    track = track_of(*bursts) if paused else joined(*bursts)
    knots = [fix.speed_m_s * 3600 / 1852 for fix in track.fixes if fix.speed_m_s is not None]
    assert knots == pytest.approx([0.0, 1.0, 2.0, 3.0, 4.0])
    starts = [fix.source_offsets[0] for fix in track.fixes]
    lengths = [len(sentences(*burst)) for burst in bursts]
    assert starts == [sum(lengths[:n]) for n in range(5)]
    if paused:
        assert [fix.tick_us for fix in track.fixes] == [500 + n * 1_000_000 for n in range(5)]


def test_a_pause_inside_an_epoch_does_not_part_it() -> None:
    first, second = sentences(gga("120000")), sentences(vtg("3.0"), GLL.format(time="120000"))
    chunks = [StreamChunk(0, first, False), StreamChunk(300_000, second, False)]
    (fix,) = read_track(windows_of(chunks), baud=BAUD, run=1).fixes
    assert fix.tick_us == 0
    assert fix.speed_m_s == pytest.approx(3 * 1852 / 3600)
    assert len(fix.source_offsets) == 3


def test_a_stream_that_begins_inside_an_epoch() -> None:
    track = track_of([vtg("9.0"), GSA], SECOND_BURSTS[1], SECOND_BURSTS[2])
    assert [fix.speed_m_s for fix in track.fixes] == pytest.approx([1852 / 3600, 2 * 1852 / 3600])


def test_stray_messages_make_no_epoch() -> None:
    assert track_of([vtg("1.0"), GSA, GSV], [vtg("1.0"), GSA, GSV]).fixes == ()


def test_a_frozen_time_of_day_still_gives_an_epoch_each_time() -> None:
    assert len(track_of(*[[gga("120000"), vtg("1.0")]] * 4).fixes) == 4
    assert len(joined(*[[gga("120000"), vtg("1.0")]] * 4).fixes) == 4


def test_no_time_yet_gives_epochs_without_time() -> None:
    empty = "GNGGA,,,,,,0,00,99.99,,,,,,"
    for track in (track_of(*[[empty, GSV]] * 3), joined(*[[empty, GSV]] * 3)):
        assert [(fix.utc, fix.time_of_day_us, fix.has_position) for fix in track.fixes] == [(None, None, False)] * 3
        assert [fix.fix_quality for fix in track.fixes] == ["none"] * 3


@pytest.mark.parametrize(
    "burst",
    [
        [gga("120000", quality="0")],
        [rmc("120000", status="V", mode="N")],
        [rmc("120000", status="V", mode="A")],
        [rmc("120000", status="A", mode="N")],
        [gns("120000", modes="NN")],
        ["GNGLL,0130.5,N,00230.25,E,120000,V,N"],
    ],
)
def test_a_position_the_receiver_does_not_vouch_for_is_left_out(burst: list[str]) -> None:
    (fix,) = track_of(burst).fixes
    assert not fix.has_position
    assert (fix.altitude_m, fix.speed_m_s, fix.course_deg) == (None, None, None)
    assert fix.fix_quality == "none"


def test_an_empty_position_is_absent() -> None:
    (fix,) = track_of(["GPGGA,201716.684,,,,,0,00,,,M,0.0,M,,0000"]).fixes
    assert (fix.latitude_deg, fix.longitude_deg, fix.has_position) == (None, None, False)
    assert fix.geoid_separation_m is None


def test_the_finer_quality_wins() -> None:
    (fix,) = track_of([rmc("120000", mode="D"), gga("120000", quality="4")]).fixes
    assert fix.fix_quality == "rtk_fixed"
    (fix,) = track_of([gns("120000", modes="NAD")]).fixes
    assert fix.fix_quality == "differential"


def test_speed_in_kilometres_an_hour_where_there_are_no_knots() -> None:
    (fix,) = track_of([gga("120000"), "GNVTG,,T,,M,,N,36.0,K,A"]).fixes
    assert fix.speed_m_s == pytest.approx(10.0)


def test_invalid_and_unknown_sentences_do_not_contribute() -> None:
    track = track_of([gga("120000", lat="9130.5,N"), "GNXTE,A,A,0.67,L,N", GLL.format(time="120000")])
    (fix,) = track.fixes
    assert (fix.altitude_m, fix.has_position) == (None, True)
    assert (track.counts.invalid, track.counts.unknown) == (1, 1)


def test_a_loss_is_told_at_the_epoch_it_touches() -> None:
    data = [sentences(gga(f"12000{n}"), vtg("1.0")) for n in range(4)]
    chunks = [StreamChunk(n * 1_000_000, one, n == 2) for n, one in enumerate(data)]
    fixes: tuple[Fix, ...] = read_track(windows_of(chunks), baud=BAUD, run=1).fixes
    assert [fix.after_loss for fix in fixes] == [False, False, True, False]


def bursts_of(*timed: tuple[float, Sequence[str]]) -> Track:
    """Decode bursts of sentences that begin at the given seconds."""
    chunks = [StreamChunk(round(at * 1e6), sentences(*burst), False) for at, burst in timed]
    return read_track(windows_of(chunks), baud=BAUD, run=1)


@pytest.mark.parametrize("pauses_s", [(0.1, 0.2), (0.2, 0.25), (0.1, 0.1)])
def test_shorter_pauses_inside_epochs_do_not_move_their_time(pauses_s: tuple[float, float]) -> None:
    """The longest pause is the one between epochs. It once was the last one, so a run's times came out 0.8 s off."""
    first, second = pauses_s
    timed = [
        part
        for n in range(20)
        for part in (
            (1.0 + n, [rmc(f"1200{n:02d}"), gga(f"1200{n:02d}")]),
            (1.0 + n + first, [GSA]),
            (1.0 + n + first + second, [GSV]),
        )
    ]
    track = bursts_of(*timed)
    assert [fix.tick_us for fix in track.fixes] == [1_000_000 * (1 + n) for n in range(20)]
    assert [fix.fix_type for fix in track.fixes] == ["3d"] * 20
    assert [sky.tick_us for sky in track.skies] == [1_000_000 * (1 + n) for n in range(len(track.skies))]
    # The run's end gives no longer pause to tell where the last epoch's satellites belong.
    assert len(track.skies) >= 19


def test_a_list_of_used_satellites_said_twice_without_a_system_stays_in_its_epoch() -> None:
    """Before version 4.1 a list for each system has no system number; satellites in view may lie between them."""
    gsa = ["GNGSA,A,3,01,02,,,,,,,,,,,2.5,1.5,2.0", "GNGSA,A,3,65,66,,,,,,,,,,,2.5,1.5,2.0"]
    gsv = ["GPGSV,1,1,01,01,45,000,30", "GLGSV,1,1,01,65,45,000,31"]
    timed = [(1.0 + n, [rmc(f"1200{n:02d}"), gga(f"1200{n:02d}"), gsa[0], gsv[0], gsa[1], gsv[1]]) for n in range(5)]
    track = bursts_of(*timed)
    assert [fix.tick_us for fix in track.fixes] == [1_000_000 * (1 + n) for n in range(5)]
    assert [len(sky.satellites) for sky in track.skies[:4]] == [4] * 4


def test_a_faster_sensor_between_the_epochs_does_not_move_their_time() -> None:
    headings = [(1.0 + n / 10, [f"HEHDT,{n}.0,T"]) for n in range(50)]
    epochs = [(1.03 + n, [rmc(f"1200{n:02d}"), gga(f"1200{n:02d}")]) for n in range(5)]
    track = bursts_of(*sorted([*headings, *epochs]))
    assert [fix.tick_us for fix in track.fixes] == [1_030_000 + 1_000_000 * n for n in range(5)]
