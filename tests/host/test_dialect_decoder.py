"""Framing and values of single sentences: what is read, what is refused, and what is said about it."""

from __future__ import annotations

import datetime as dt
from fractions import Fraction
from functools import reduce
from operator import xor
from typing import Any

import pytest
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import FAULTS_KEPT, UNKNOWN_NAMES_KEPT, Message
from offtake.dialects.registry import chosen_dialects


def sentence(body: str, start: str = "$") -> bytes:
    return f"{start}{body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


def decode(body: str) -> Message:
    (message,) = StreamDecoder(chosen_dialects()).feed(sentence(body))
    return message


GGA = "GPGGA,120000.25,{lat},{lon},{quality},07,1.1,{alt},M,-3.5,M,,"


def gga(lat: str = "0130.5,N", lon: str = "00230.25,E", quality: str = "1", alt: str = "12.5") -> str:
    return GGA.format(lat=lat, lon=lon, quality=quality, alt=alt)


def accounted(decoder: StreamDecoder) -> bool:
    counts = decoder.counts
    pending = counts.bytes_fed - decoder.pending_offset
    return counts.bytes_fed == counts.message_bytes + counts.line_end_bytes + counts.noise_bytes + pending


def test_values_carry_their_types() -> None:
    values = decode(gga()).values
    assert values["time_of_day_us"] == 43_200_250_000
    assert values["latitude_deg"] == float(1 + Fraction("30.5") / 60)
    assert values["longitude_deg"] == float(2 + Fraction("30.25") / 60)
    assert (values["fix_quality"], values["satellites_used"], values["hdop"]) == ("autonomous", 7, 1.1)
    assert (values["altitude_m"], values["geoid_separation_m"]) == (12.5, -3.5)
    assert values["correction_age_s"] is None
    assert values["station_id"] is None


def test_offset_and_raw_text_are_kept() -> None:
    decoder = StreamDecoder(chosen_dialects())
    first, second = decoder.feed(b"noise" + sentence(gga()) + sentence("GPVTG,,T,,M,1.0,N,1.852,K"))
    assert (first.offset, first.raw) == (5, sentence(gga())[:-2])
    assert second.offset == 5 + len(sentence(gga()))
    assert second.text.startswith("$GPVTG")
    assert accounted(decoder)
    assert decoder.counts.noise_bytes == 5


@pytest.mark.parametrize("talker", ["GP", "GL", "GA", "GB", "GQ", "GN", "BD", "II", "ZZ"])
def test_any_talker(talker: str) -> None:
    message = decode(talker + gga()[2:])
    assert (message.talker, message.name, message.state) == (talker, "GGA", "decoded")


def test_empty_columns_are_absent_not_zero() -> None:
    bodies = ("GPGGA,,,,,,,,,,M,,M,,", "GPRMC,,,,,,,,,,,", "GPGSA" + "," * 17, "GPVTG,,,,,,,,", "GPZDA,,,,,,")
    for body in bodies:
        message = decode(body)
        assert message.state == "decoded", message.reason
        assert all(value is None or value == () for value in message.values.values()), body


def test_trailing_columns_of_later_versions_are_absent_from_earlier_ones() -> None:
    message = decode("GPRMC,120000,A,0130.5,N,00230.25,E,1.0,90.0,010203")
    assert message.state == "decoded"
    assert message.values["date"] == dt.date(2003, 2, 1)
    assert (message.values["mode"], message.values["navigation_status"]) == (None, None)


def test_columns_beyond_those_known_are_passed_over() -> None:
    assert decode("GPZDA,120000,01,02,2003,00,00,new,newer").state == "decoded"


def test_latitude_is_rounded_once() -> None:
    # Minutes divided by 60, then added to degrees in floating point, are rounded twice; Fraction is exact.
    twice = 0
    for minutes in range(0, 6_000_000, 3_737):
        text = f"53{minutes // 100_000:02d}.{minutes % 100_000:05d}"
        value = decode(gga(lat=f"{text},N")).values["latitude_deg"]
        assert value == float(53 + Fraction(minutes, 6_000_000)), text
        twice += value != 53 + minutes / 100_000 / 60
    assert twice > 0


def test_signs_of_hemispheres_and_variation() -> None:
    values = decode("GPRMC,120000,A,0130.5,S,00230.25,W,1.0,90.0,010203,3.5,W").values
    assert values["latitude_deg"] == -float(1 + Fraction("30.5") / 60)
    assert values["longitude_deg"] == -float(2 + Fraction("30.25") / 60)
    assert values["magnetic_variation_deg"] == -3.5
    zero = decode(gga(lat="0000.0,S")).values["latitude_deg"]
    assert str(zero) == "0.0"


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (gga(lat="9000.0001,N"), "latitude_deg: '9000.0001' is more than 90 degrees"),
        (gga(lon="18000.0001,E"), "longitude_deg: '18000.0001' is more than 180 degrees"),
        (gga(lat="0160.0,N"), "60 minutes or more"),
        (gga(lat="130.5,N"), "is not ddmm.mmm"),
        (gga(lon="0230.5,E"), "is not dddmm.mmm"),
        (gga(lat="0130.5,E"), "hemisphere 'E' is neither N nor S"),
        (gga(lat="0130.5,"), "hemisphere '' is neither N nor S"),
        (gga(lat="01-0.5,N"), "is not ddmm.mmm"),
        (gga(alt="1e3"), "'1e3' is not a decimal number"),
        (gga(alt="nan"), "'nan' is not a decimal number"),
        (gga(alt="-12001"), "is below -12000"),
        (gga(alt="1000001"), "is above 1000000"),
        (gga().replace("12.5,M", "12.5,F"), "unit 'F' is not M"),
        (gga().replace(",07,", ",-1,"), "satellites_used: -1 is below 0"),
        (gga().replace(",07,", ",7.0,"), "not a whole number"),
        (gga().replace("120000.25", "240000"), "is not a time of day"),
        (gga().replace("120000.25", "126000"), "is not a time of day"),
        (gga().replace("120000.25", "120060"), "is not a time of day"),
        (gga().replace("120000.25", "12000"), "is not hhmmss.ss"),
        ("GPRMC,120000,A,,,,,,,311303", "day 31, month 13, year 2003 is no date"),
        ("GPRMC,120000,A,,,,,,,290203", "day 29, month 2, year 2003 is no date"),
        ("GPRMC,120000,A,,,,,,,10203", "is not ddmmyy"),
        ("GPRMC,120000,X,,,,,,,", "status: 'X' is none of A, V"),
        ("GPRMC,120000,A,,,,,,360.1,", "course_deg: 360.1 is above 360"),
        ("GPRMC,120000,A,,,,,,,,3.5,N", "'N' is neither E nor W"),
        ("GPZDA,120000,00,00,2003", "is no date"),
        ("GPZDA,120000,01,02,03", "four-digit year"),
        ("GPZDA,120000,01,,2003", "four-digit year"),
        ("GPZDA,120000,01,02,1979", "year 1979 is outside 1980 to 2199"),
        ("GPGSA,A,4" + "," * 15, "fix_type: '4' is none of 1, 2, 3"),
        ("GPGSA,A,3,x" + "," * 14, "satellites: 'x' is not a whole number"),
        ("GPGSA,A,3" + "," * 15 + ",G", "in base 16"),
        ("GPGSV,1,1,01,05,91,000,30", "elevation_deg: 91 is above 90"),
        ("GPGSV,1,1,01,05,45", "do not make whole groups of 4"),
        ("GPGSV,1,1,05" + ",05,45,000,30" * 5, "do not make whole groups of 4"),
        ("GPGSV,1,1", "2 columns, expected at least 3"),
        ("GPGGA,120000", "1 columns, expected at least 12"),
    ],
)
def test_wrong_values_make_a_message_invalid_with_a_reason(body: str, reason: str) -> None:
    decoder = StreamDecoder(chosen_dialects())
    (message,) = decoder.feed(sentence(body))
    assert message.state == "invalid"
    assert reason in message.reason
    assert (decoder.counts.invalid, decoder.counts.decoded) == (1, 0)


def test_an_invalid_message_keeps_its_sound_values() -> None:
    values: Any = decode(gga(lat="9100.0,N")).values
    assert "latitude_deg" not in values
    assert values["altitude_m"] == 12.5


def test_limits_themselves_are_valid() -> None:
    values = decode(gga(lat="9000.000,S", lon="18000.000,W")).values
    assert (values["latitude_deg"], values["longitude_deg"]) == (-90.0, -180.0)


def test_a_leap_second_is_a_time_of_day_only_before_midnight() -> None:
    assert decode("GPZDA,235960.5,31,12,2016").values["time_of_day_us"] == 86_400_500_000


@pytest.mark.parametrize(("year", "expected"), [("79", 2079), ("80", 1980), ("99", 1999), ("00", 2000)])
def test_two_digit_years(year: str, expected: int) -> None:
    date = decode(f"GPRMC,120000,A,,,,,,,0102{year}").values["date"]
    assert isinstance(date, dt.date)
    assert date.year == expected


def test_letters_not_listed_are_other_where_the_spec_says_so() -> None:
    assert decode(gga(quality="9")).values["fix_quality"] == "other"
    assert decode("GNGNS,120000,,,,,AXN,,,,").values["modes"] == ("autonomous", "other", "none")


@pytest.mark.parametrize("count", range(5))
@pytest.mark.parametrize("signal", ["", ",B"])
def test_satellites_in_view_by_group(count: int, signal: str) -> None:
    body = "GPGSV,1,1,04" + "".join(f",{n:02d},4{n},10{n},3{n}" for n in range(1, count + 1)) + signal
    values: Any = decode(body).values
    assert [one["satellite_id"] for one in values["satellites"]] == list(range(1, count + 1))
    assert [one["cn0_db_hz"] for one in values["satellites"]] == [30 + n for n in range(1, count + 1)]
    assert values["signal_id"] == (11 if signal else None)


def test_bad_checksum_is_counted_with_its_offset() -> None:
    decoder = StreamDecoder(chosen_dialects())
    bad = sentence(gga()).replace(b"12.5", b"12.6")
    assert [m.name for m in decoder.feed(b"\r\n" + bad + sentence(gga()))] == ["GGA"]
    assert decoder.counts.bad_checksum == 1
    (fault,) = decoder.faults
    assert (fault.kind, fault.offset) == ("bad_checksum", 2)
    assert "computed" in fault.detail


@pytest.mark.parametrize(
    ("stream", "kind"),
    [
        (b"$GPGGA,1200\r\n", "without_checksum"),
        (b"$GPGGA,12", "broken"),
        (b"$GPGGA,\x00", "broken"),
        (b"$GPGGA,\xe9", "broken"),
        (b"$GPGGA*4x", "broken"),
        (b"$GPGGA*\r\n", "broken"),
        (b"$" + b"A" * 300, "overlong"),
    ],
)
def test_what_is_no_sentence_is_counted_and_the_next_is_found(stream: bytes, kind: str) -> None:
    decoder = StreamDecoder(chosen_dialects())
    messages = decoder.feed(stream + sentence(gga()))
    assert [message.name for message in messages] == ["GGA"]
    assert getattr(decoder.counts, kind) == 1
    assert [fault.kind for fault in decoder.faults] == [kind]
    assert accounted(decoder)


def test_longest_sentence_and_one_byte_more() -> None:
    fill = 255 - len(sentence("GPTXT,"))
    assert len(StreamDecoder(chosen_dialects()).feed(sentence("GPTXT," + "x" * fill))) == 1
    decoder = StreamDecoder(chosen_dialects())
    assert decoder.feed(sentence("GPTXT," + "x" * (fill + 1))) == []
    assert decoder.counts.overlong == 1


def test_lower_case_checksum_and_bare_line_feed() -> None:
    text = sentence("GPVTG,,T,,M,1.0,N,1.852,K").replace(b"\r\n", b"\n")
    mark = text.index(b"*")
    assert len(StreamDecoder(chosen_dialects()).feed(text[:mark] + text[mark:].lower() + sentence(gga()))) == 2


def test_unknown_and_proprietary_sentences_are_counted_by_name() -> None:
    decoder = StreamDecoder(chosen_dialects())
    bodies = [
        ("GPXTE,A,A,0.67,L,N", "$"),
        ("PABC,1", "$"),
        ("AIVDM,1,1", "!"),
        ("GPPPP", "$"),
        ("G", "$"),
        ("", "$"),
    ]
    messages = decoder.feed(b"".join(sentence(*one) for one in bodies))
    assert [message.state for message in messages] == ["unknown"] * 6
    assert decoder.counts.unknown_names == {"GPXTE": 1, "PABC": 1, "AIVDM": 1, "GPPPP": 1, "G": 1, "": 1}
    assert (messages[1].talker, messages[1].name) == ("P", "ABC")


def test_a_proprietary_sentence_does_not_pass_for_a_standard_one() -> None:
    assert decode("P" + gga()[1:]).state == "unknown"


def test_memory_stays_bounded() -> None:
    decoder = StreamDecoder(chosen_dialects())
    for _ in range(300):
        decoder.feed(b"$" + b"A" * 997)
    for number in range(2 * FAULTS_KEPT):
        decoder.feed(b"$\x00" + sentence(f"ZZ{number:05d}"))
    assert len(decoder.faults) == FAULTS_KEPT
    assert len(decoder.counts.unknown_names) == UNKNOWN_NAMES_KEPT + 1
    assert decoder.counts.bytes_fed - decoder.pending_offset <= 255
    assert decoder.counts.unknown == sum(decoder.counts.unknown_names.values()) == 2 * FAULTS_KEPT


def test_a_sentence_is_not_joined_over_a_loss() -> None:
    text = sentence(gga())
    decoder = StreamDecoder(chosen_dialects())
    assert decoder.feed(text[:20]) == []
    decoder.lose()
    assert decoder.feed(text[20:]) == []
    assert decoder.counts.broken == 1
    decoder.finish()
    assert accounted(decoder)


def test_an_unfinished_sentence_at_the_end_is_counted() -> None:
    decoder = StreamDecoder(chosen_dialects())
    decoder.feed(sentence(gga())[:-3])
    decoder.finish()
    decoder.finish()
    assert (decoder.counts.broken, decoder.counts.decoded) == (1, 0)
    assert decoder.counts.noise_bytes == decoder.counts.bytes_fed
