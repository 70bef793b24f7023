"""Columns hold the streaming decoder's values to the last bit: every kind of field, sound, absent and unsound."""

from __future__ import annotations

import datetime as dt
import random

import numpy as np
import pytest
from binary_frames import frame_b562, frame_rtcm, pvt, sentence
from bulk_checks import assert_bulk_is_streaming, stream_messages
from bulk_dialects import EVERY, every_column, every_message
from hypothesis import given, settings
from hypothesis import strategies as st
from offtake.dialects.binary import BinaryFramer
from offtake.dialects.bulk import MessageTable, decode_columns, find_messages
from offtake.dialects.message import Message
from offtake.dialects.sentences import SentenceFramer
from offtake.dialects.tables import AnyDialect
from offtake.generated.dialects import B562, DIALECTS, NMEA0183

ALL = tuple(DIALECTS.values())
NAMES = [one.name for one in NMEA0183.sentences]
KEYS = [one.keys[0] for one in B562.messages]
NUMBERS = [1005, 1006, 1077, 1087, 1124]
SEEDED = settings(derandomize=True, deadline=None, max_examples=50, database=None)


def table_of(stream: bytes, dialects: tuple[AnyDialect, ...] = ALL) -> MessageTable:
    (table,) = decode_columns(stream, find_messages(stream, dialects), dialects).values()
    return table


@pytest.mark.parametrize("wild", [0.0, 0.05, 0.3, 1.0])
def test_every_kind_of_field(wild: float) -> None:
    rng = random.Random(f"{wild}")
    seen = {"decoded": 0, "invalid": 0}
    for _ in range(12):
        stream = b"".join(every_message(rng, wild) for _ in range(100))
        assert assert_bulk_is_streaming(stream, EVERY) > 40
        for message in stream_messages(stream, EVERY):
            seen[message.state] = seen.get(message.state, 0) + 1
    assert seen["decoded"] > 100
    assert wild == 0.0 or seen["invalid"] > 100


def test_every_text_in_every_column() -> None:
    sentences = every_column()
    assert assert_bulk_is_streaming(b"".join(sentences), EVERY) == len(sentences) > 900


@pytest.mark.parametrize("form", ["{}", "1{}3.25", "12.3{}5", "1234567.8{}9", "{}1.5", "12345678{}"])
def test_every_character_in_a_number(form: str) -> None:
    """Digits lie between other characters: nothing but a digit may pass for one."""
    printable = [chr(code) for code in range(0x20, 0x7F) if chr(code) not in "$!*"]
    bodies = [f"GPHDT,{form.format(one)},T" for one in printable]
    bodies += [f"GPGSV,1,1,{form.format(one)[:4]}" for one in printable]
    bodies += [f"GPGLL,{one}130.5,N,001{one}0.5,E,12{one}000,A,A" for one in printable]
    assert assert_bulk_is_streaming(b"".join(map(sentence, bodies)), ALL) == len(bodies)


COLUMN = st.text(st.sampled_from("0123456789.-+AVNSEWMTK"), max_size=12) | st.sampled_from(
    ["", "120000.25", "4530.12345", "12345.6789", "A", "V", "N", "E", "M", "T", "1", "010203", "99.99", "-0.0"]
)


@SEEDED
@given(st.lists(st.tuples(st.sampled_from(NAMES), st.lists(COLUMN, max_size=24)), max_size=12))
def test_any_columns(sentences: list[tuple[str, list[str]]]) -> None:
    stream = b"".join(sentence(",".join([f"GN{name}", *columns])) for name, columns in sentences)
    assert_bulk_is_streaming(stream, ALL)


@SEEDED
@given(st.lists(st.tuples(st.sampled_from(KEYS), st.binary(max_size=130)), max_size=8))
def test_any_payload(frames: list[tuple[int, bytes]]) -> None:
    assert_bulk_is_streaming(b"".join(frame_b562(key, payload) for key, payload in frames), ALL)


@SEEDED
@given(st.lists(st.tuples(st.sampled_from(NUMBERS), st.binary(min_size=2, max_size=60)), max_size=6))
def test_any_bits(frames: list[tuple[int, bytes]]) -> None:
    stream = b""
    for number, payload in frames:
        stream += frame_rtcm((number << 4 | payload[0] & 15).to_bytes(2, "big") + payload[1:])
    assert_bulk_is_streaming(stream, ALL)


def test_ordinary_messages_never_go_the_slow_way(monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernels must be sure of what receivers send day by day, or the bulk decoder is none."""
    rng = random.Random(2)
    stream = b""
    for _ in range(50):
        clock = f"{rng.randrange(24):02d}{rng.randrange(60):02d}{rng.randrange(60):02d}.{rng.randrange(100):02d}"
        north, east = rng.randrange(90) + rng.uniform(0, 0.599), rng.randrange(180) + rng.uniform(0, 0.599)
        decimals = rng.choice((1, 2, 5, 7, 8))
        place = f"{100 * north:010.5f},S,{100 * east:0{6 + decimals}.{decimals}f},W"
        height = rng.choice(("-33.9", "0.0", "1234.5678", "12", ""))
        stream += sentence(f"GNGGA,{clock},{place},4,12,0.85,{height},M,-33.9,M,1.0,0000")
        motion = f"{rng.uniform(0, 99):.3f},{rng.uniform(0, 360):.2f}"
        stream += sentence(f"GNRMC,{clock},A,{place},{motion},290224,3.1,W,A,V")
        stream += sentence(f"GNRMC,{clock},V,,,,,,,,,,N") + sentence(f"GNGLL,{place},{clock},A,A")
        stream += sentence(f"GNGNS,{clock},{place},ANNN,12,0.8,{height},-2.0,,,V")
        stream += sentence("GNGSA,A,3,02,05,,17,,,,,,,,,1.6,1.2,1.0,1") + sentence("GPGSV,2,2,05,21,-01,359,,7")
        stream += sentence("GPGSV,2,1,05,01,40,083,46,02,17,308,41,12,07,344,39,14,22,228,")
        stream += sentence("GPGSV,1,1,00,8")
        stream += sentence("GPVTG,108.53,T,,M,0.04,N,0.07,K,A") + sentence(f"GPZDA,{clock},01,12,2003,00,00")
        stream += sentence(f"GPGST,{clock},1.2,,,,0.5,0.6,1.1") + sentence(f"GPGBS,{clock},0.1,0.2,0.3,,,,,1,0")
        stream += sentence("GPHDT,274.07,T") + sentence("GPDTM,W84,,0.0,N,0.0,E,0.0,W84")
        stream += frame_b562(0x0107, pvt(nano=rng.randrange(-(10**6), 10**9), longitude=rng.randrange(10**9)))
        # Before the first fix the fields it does not vouch for hold anything.
        stream += frame_b562(0x0107, pvt(valid=0, month=13, hour=99, flags=0, longitude=2**31 - 1, course=-(2**31)))
        stream += frame_b562(0x0135, bytes(5) + b"\x02\0\0" + bytes(24)) + frame_b562(0x0161, bytes(4))
        stream += frame_rtcm((1005 << 4).to_bytes(2, "big") + rng.randbytes(17))
        stream += frame_rtcm((1077 << 4).to_bytes(2, "big") + rng.randbytes(60))
    expected = stream_messages(stream, ALL)
    assert [message for message in expected if message.state != "decoded"] == []

    def slow(*_: object) -> Message:
        raise AssertionError("one by one")

    for framer in (SentenceFramer, BinaryFramer):
        monkeypatch.setattr(framer, "judge", slow)
    tables = decode_columns(stream, find_messages(stream, ALL), ALL)
    assert sum(len(table) for table in tables.values()) == len(expected)


@pytest.mark.parametrize("valid", range(4))
def test_a_date_leans_on_its_time(valid: int) -> None:
    """A time a little before midnight sets the date back, so a date beside a wrong time is unsound."""
    leap = {"hour": 23, "minute": 59, "second": 60}
    for clock in ({}, {"hour": 24}, {"minute": 60}, {"second": 60}, leap, {"nano": -1}):
        for day in ({}, {"day": 0}, {"day": 30, "month": 2}, {"year": 0, "month": 0, "day": 0}, {"year": 2200}):
            midnight = {"hour": 0, "minute": 0, "second": 0}
            stream = frame_b562(0x0107, pvt(valid=valid, **(midnight | clock | day)))
            assert assert_bulk_is_streaming(stream, ALL) == 1


def test_columns_are_typed() -> None:
    table = table_of(sentence("GPRMC,120000.25,A,0130.5,S,00230.25,E,1.0,,010203,,,A,V") * 2)
    latitude, course, date, mode = (table.columns[name] for name in ("latitude_deg", "course_deg", "date", "mode"))
    assert latitude.values.dtype == np.float64
    assert latitude.values.tolist() == [-90.5 / 60, -90.5 / 60]
    assert latitude.shape.unit == "deg"
    assert course.absent.tolist() == [True, True]
    assert date.values.tolist() == [dt.date(2003, 2, 1)] * 2
    assert mode.shape.names[mode.values[0]] == "autonomous"
    assert table.talker is not None
    assert table.talker.value(1) == "GP"
    assert table.columns["time_of_day_us"].values.tolist() == [43_200_250_000] * 2


def test_groups_are_flat_with_offsets() -> None:
    bodies = ("GPGSV,1,1,02,05,45,010,30,07,20,100,,1", "GPGSV,1,1,00", "GPGSV,1,1,01,09,01,002,20")
    stream = b"".join(map(sentence, bodies))
    satellites = table_of(stream).columns["satellites"]
    assert satellites.offsets is not None
    assert satellites.offsets.tolist() == [0, 2, 2, 3]
    assert satellites.items is not None
    assert satellites.items["satellite_id"].values.tolist() == [5, 7, 9]
    assert satellites.items["cn0_db_hz"].absent.tolist() == [False, True, False]


def test_an_invalid_row_keeps_its_sound_values() -> None:
    good, bad = "GPHDT,10.5,T", "GPGLL,9130.0,N,00230.25,E,120000,A,A"
    table = table_of(sentence(bad) * 2)
    assert table.invalid.tolist() == [True, True]
    assert "latitude_deg" in table.reasons[0]
    assert "latitude_deg" not in table.row(0)
    assert table.row(1)["longitude_deg"] == 150.25 / 60
    assert not table_of(sentence(good)).invalid.any()


def test_rows_can_be_chosen() -> None:
    bodies = ("GPGSV,1,1,01,05,45,010,30", "GPGSV,1,1,00", "GPGSV,1,1,02,07,1,2,3,09,4,5,6")
    stream = b"".join(map(sentence, bodies))
    column = table_of(stream).columns["satellites"]
    chosen = column.take(np.array([2, 0, 2]))
    assert [chosen.value(row) for row in range(3)] == [column.value(2), column.value(0), column.value(2)]
    without = column.without(np.array([False, False, True]))
    assert [without.value(row) for row in range(3)] == [column.value(0), (), None]
    assert without.offsets is not None
    assert without.offsets.tolist() == [0, 1, 1, 1]


@pytest.mark.parametrize("column", ["9" * 30, "9" * 300, "1" * 101, "1." + "3" * 101, "9" * 5000])
@pytest.mark.parametrize("name", ["GPALL", "GPGRP", "PQXYZ", "GPPQX"])
def test_numbers_without_end_are_no_numbers(column: str, name: str) -> None:
    """They once stopped the decoder: a day of thirty digits fits no calendar, five thousand digits no integer."""
    (text,) = (one for one in EVERY if one.name == "every_text")
    longer = type(text.framing)(**{**vars(text.framing), "max_length": 65_000})  # type: ignore[arg-type]
    dialect = type(text)(**{**vars(text), "framing": longer})
    for place in range(1, 26):
        columns = [""] * 25
        columns[place - 1] = column
        assert_bulk_is_streaming(sentence(",".join([name, *columns])), (dialect,))
    assert_bulk_is_streaming(sentence(f"GPZDA,120000,{column[:30]},01,2003,00,00"), ALL)
