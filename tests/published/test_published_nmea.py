"""Published NMEA 0183 sentences, and agreement with two independent parsers on random well-formed ones.

Each published sentence stands with the name of the place it is published in. The values are those that the
PyPI parsers pynmea2 1.19.0 and pynmeagps 1.1.8 agree on.
"""

from __future__ import annotations

import datetime as dt
from functools import reduce
from operator import xor
from typing import Any

import pynmea2  # type: ignore[import-untyped]
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from offtake.dialects.registry import new_decoder
from pynmeagps import NMEAReader  # type: ignore[import-untyped]

SEEDED = settings(derandomize=True, deadline=None, max_examples=150, database=None)

PYNMEA2 = "pynmea2 sdist"
PYNMEAGPS = "pynmeagps sdist"

PUBLISHED: list[tuple[str, str, dict[str, Any]]] = [
    (
        "$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D",
        PYNMEA2,
        {
            "latitude_deg": pytest.approx(-19.484083, abs=5e-7),
            "longitude_deg": pytest.approx(24.1751, abs=5e-7),
            "altitude_m": 100.0,
            "geoid_separation_m": -33.9,
        },
    ),
    (
        "$GPGGA,201716.684,,,,,0,00,,,M,0.0,M,,0000*5F",
        PYNMEA2,
        {"latitude_deg": None, "longitude_deg": None, "altitude_m": None, "fix_quality": "none"},
    ),
    (
        "$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68",
        PYNMEA2,
        {
            "latitude_deg": pytest.approx(49.274167, abs=5e-7),
            "longitude_deg": pytest.approx(-123.185333, abs=5e-7),
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
        PYNMEAGPS,
        {
            "latitude_deg": pytest.approx(-53.450720, abs=5e-7),
            "longitude_deg": pytest.approx(2.240233, abs=5e-7),
        },
    ),
    (
        "$GPGSA,A,3,02,,,07,,09,24,26,,,,,1.6,1.6,1.0*3D",
        PYNMEA2,
        {"fix_type": "3d", "satellites": (2, 7, 9, 24, 26)},
    ),
    (
        "$GPGSV,3,1,09,12,28,063,33,14,63,000,32,22,68,150,26,25,40,109,23*7B",
        PYNMEA2,
        {"sentence_number": 1, "sentences_total": 3, "satellites_in_view": 9},
    ),
    (
        "$GPGSV,3,3,09,24,03,046,*47",
        PYNMEA2,
        {"satellites": ({"satellite_id": 24, "elevation_deg": 3, "azimuth_deg": 46, "cn0_db_hz": None},)},
    ),
    (
        "$GPVTG,108.53,T,,M,0.04,N,0.07,K,A*31",
        PYNMEA2,
        {"course_deg": 108.53, "course_magnetic_deg": None, "speed_kn": 0.04},
    ),
    (
        "$GPZDA,172809.456,12,07,1996,00,00*57",
        "Debian golang-github-adrianmo-go-nmea-dev 1.7.0",
        {"date": dt.date(1996, 7, 12), "time_of_day_us": ((17 * 60 + 28) * 60 + 9) * 1_000_000 + 456_000},
    ),
]


def decode(text: str) -> dict[str, Any]:
    decoder = new_decoder()
    (message,) = decoder.feed(text.encode("ascii") + b"\r\n")
    assert message.state == "decoded", message.reason
    assert decoder.counts.bad_checksum == 0
    return dict(message.values)


@pytest.mark.parametrize(
    ("text", "source", "expected"), PUBLISHED, ids=[f"{one[0][1:6]}-{one[1]}" for one in PUBLISHED]
)
def test_published_sentence(text: str, source: str, expected: dict[str, Any]) -> None:
    values = decode(text)
    assert {name: values[name] for name in expected} == expected, source


@pytest.mark.parametrize("text", [one[0] for one in PUBLISHED])
def test_published_checksum_matters(text: str) -> None:
    decoder = new_decoder()
    wrong = f"{int(text[-2:], 16) ^ 1:02X}"
    assert decoder.feed(f"{text[:-2]}{wrong}\r\n".encode()) == []
    assert decoder.counts.bad_checksum == 1


# Random well-formed sentences. Strategies draw the text of each column; an empty column is drawn often.


def blank(strategy: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.one_of(st.just(""), strategy, strategy)


def digits(low: int, high: int, width: int = 0) -> st.SearchStrategy[str]:
    return st.integers(low, high).map(lambda value: f"{value:0{width}d}")


def decimal(low: int, high: int, places: int) -> st.SearchStrategy[str]:
    return st.integers(low * 10**places, high * 10**places).map(
        lambda value: f"{value / 10**places:.{places}f}"
    )


@st.composite
def angles(draw: st.DrawFn, degrees_max: int, width: int, sides: str) -> str:
    if draw(st.integers(0, 5)) == 0:
        return ","
    places = draw(st.sampled_from([3, 4, 5, 7]))
    minutes = draw(st.integers(0, 60 * 10**places - 1))
    whole, fraction = divmod(minutes, 10**places)
    degrees = draw(st.integers(0, degrees_max - 1))
    return f"{degrees:0{width}d}{whole:02d}.{fraction:0{places}d},{draw(st.sampled_from(sides))}"


TALKERS = st.sampled_from(["GP", "GL", "GA", "GN"])
TIMES = st.tuples(digits(0, 23, 2), digits(0, 59, 2), digits(0, 59, 2), digits(0, 99, 2)).map(
    lambda parts: f"{parts[0]}{parts[1]}{parts[2]}.{parts[3]}"
)
DATES = st.dates(dt.date(1980, 1, 6), dt.date(2067, 12, 31))
LATITUDES = angles(90, 2, "NS")
LONGITUDES = angles(180, 3, "EW")
MODES = st.sampled_from("ADEFMNPRS")
DILUTION = blank(decimal(0, 99, 2))


@st.composite
def bodies(draw: st.DrawFn, name: str) -> str:
    def take(*parts: str | st.SearchStrategy[str]) -> str:
        drawn = [part if isinstance(part, str) else draw(part) for part in parts]
        return ",".join([draw(TALKERS) + name, *drawn])

    if name == "GGA":
        quality, count = digits(0, 8), blank(digits(0, 12, 2))
        altitude, geoid = blank(decimal(-500, 9000, 1)), blank(decimal(-99, 99, 1))
        return take(TIMES, LATITUDES, LONGITUDES, quality, count, DILUTION, altitude, "M", geoid, "M", "", "")
    if name == "GNS":
        modes = st.text("ADEFNPR", min_size=2, max_size=4)
        altitude, geoid = blank(decimal(-500, 9000, 1)), blank(decimal(-99, 99, 1))
        return take(
            TIMES, LATITUDES, LONGITUDES, modes, blank(digits(0, 40, 2)), DILUTION, altitude, geoid, "", ""
        )
    if name == "RMC":
        speed, course = blank(decimal(0, 500, 3)), blank(decimal(0, 359, 2))
        date = DATES.map(lambda day: day.strftime("%d%m%y"))
        return take(TIMES, st.sampled_from("AV"), LATITUDES, LONGITUDES, speed, course, date, "", "", MODES)
    if name == "GLL":
        return take(LATITUDES, LONGITUDES, TIMES, st.sampled_from("AV"), MODES)
    if name == "GSA":
        satellites = [blank(digits(1, 96, 2)) for _ in range(12)]
        return take(st.sampled_from("AM"), st.sampled_from("123"), *satellites, *[DILUTION] * 3)
    if name == "GSV":
        one = st.tuples(
            digits(1, 96, 2), blank(digits(0, 90, 2)), blank(digits(0, 359, 3)), blank(digits(0, 99, 2))
        )
        groups = st.lists(one.map(",".join), min_size=4, max_size=4)
        return take(digits(1, 9), digits(1, 9), digits(0, 99, 2), groups.map(",".join))
    if name == "VTG":
        angle, speed = blank(decimal(0, 359, 2)), blank(decimal(0, 500, 3))
        return take(angle, "T", angle, "M", speed, "N", speed, "K", MODES)
    if name == "ZDA":
        date = DATES.map(lambda day: day.strftime("%d,%m,%Y"))
        return take(TIMES, date, "00", "00")
    spread = blank(decimal(0, 999, 1))
    return take(TIMES, spread, spread, spread, blank(decimal(0, 359, 1)), spread, spread, spread)


NAMES = ("GGA", "GNS", "RMC", "GLL", "GSA", "GSV", "VTG", "ZDA", "GST")

# Our name -> the parser's name, for values that are plain numbers.
PLAIN_PYNMEAGPS = {
    "satellites_used": "numSV",
    "hdop": "HDOP",
    "pdop": "PDOP",
    "vdop": "VDOP",
    "altitude_m": "alt",
    "geoid_separation_m": "sep",
    "sentences_total": "numMsg",
    "sentence_number": "msgNum",
    "satellites_in_view": "numSV",
    "course_magnetic_deg": "cogm",
    "range_rms_m": "rangeRms",
    "ellipse_major_m": "stdMajor",
    "ellipse_minor_m": "stdMinor",
    "ellipse_orientation_deg": "orient",
    "latitude_sigma_m": "stdLat",
    "longitude_sigma_m": "stdLong",
    "altitude_sigma_m": "stdAlt",
    "speed_km_h": "sogk",
}
PLAIN_PYNMEA2 = {
    "satellites_used": "num_sats",
    "pdop": "pdop",
    "vdop": "vdop",
    "altitude_m": "altitude",
    "geoid_separation_m": "geo_sep",
    "sentences_total": "num_messages",
    "sentence_number": "msg_num",
    "satellites_in_view": "num_sv_in_view",
    "course_magnetic_deg": "mag_track",
    "range_rms_m": "rms",
    "ellipse_major_m": "std_dev_major",
    "ellipse_minor_m": "std_dev_minor",
    "ellipse_orientation_deg": "orientation",
    "latitude_sigma_m": "std_dev_latitude",
    "longitude_sigma_m": "std_dev_longitude",
    "altitude_sigma_m": "std_dev_altitude",
    "speed_km_h": "spd_over_grnd_kmph",
}


# The codes 0 to 8 in order, from memory.
QUALITIES = (
    "none",
    "autonomous",
    "differential",
    "precise",
    "rtk_fixed",
    "rtk_float",
    "estimated",
    "manual",
    "simulator",
)


def microseconds(time: dt.time | Any) -> int | None:
    if not isinstance(time, dt.time):
        return None
    return ((time.hour * 60 + time.minute) * 60 + time.second) * 1_000_000 + time.microsecond


def number(value: Any) -> float | None:
    return None if value in ("", None) else float(value)


@pytest.mark.parametrize("name", NAMES)
def test_agreement_with_pynmeagps(name: str) -> None:
    compared: set[str] = set()

    @SEEDED
    @given(bodies(name))
    def check(body: str) -> None:
        text = f"${body}*{reduce(xor, body.encode(), 0):02X}"
        ours = decode(text)
        theirs: Any = NMEAReader.parse(text.encode() + b"\r\n")
        for key, other in PLAIN_PYNMEAGPS.items():
            if key in ours:
                assert ours[key] == number(getattr(theirs, other)), key
                compared.add(key)
        for key, other in (("latitude_deg", "lat"), ("longitude_deg", "lon")):
            if key in ours:
                # It rounds to ten decimals.
                expected = number(getattr(theirs, other))
                assert ours[key] == (None if expected is None else pytest.approx(expected, abs=6e-11))
                compared.add(key)
        if "time_of_day_us" in ours:
            assert ours["time_of_day_us"] == microseconds(theirs.time)
            compared.add("time_of_day_us")
        if name == "RMC":
            assert ours["date"] == theirs.date
            assert (ours["speed_kn"], ours["course_deg"]) == (number(theirs.spd), number(theirs.cog))
        if name == "ZDA":
            assert ours["date"] == dt.date(theirs.year, theirs.month, theirs.day)
        if name == "VTG":
            assert (ours["speed_kn"], ours["course_deg"]) == (number(theirs.sogn), number(theirs.cogt))
        if name == "GSA":
            satellites = [getattr(theirs, f"svid_{place:02d}") for place in range(1, 13)]
            assert ours["satellites"] == tuple(one for one in satellites if one != "")
            assert ours["fix_type"] == {1: "none", 2: "2d", 3: "3d"}[int(theirs.navMode)]
        if name == "GSV":
            names = ("svid", "elv", "az", "cno")
            for place, one in enumerate(ours["satellites"], start=1):
                assert list(one.values()) == [number(getattr(theirs, f"{key}_{place:02d}")) for key in names]

    check()
    assert compared


@pytest.mark.parametrize("name", NAMES)
def test_agreement_with_pynmea2(name: str) -> None:
    compared: set[str] = set()

    @SEEDED
    @given(bodies(name))
    def check(body: str) -> None:
        text = f"${body}*{reduce(xor, body.encode(), 0):02X}"
        ours = decode(text)
        theirs: Any = pynmea2.parse(text, check=True)
        for key, other in PLAIN_PYNMEA2.items():
            if key in ours:
                assert ours[key] == number(getattr(theirs, other)), key
                compared.add(key)
        for key, other, column in (
            ("latitude_deg", "latitude", "lat"),
            ("longitude_deg", "longitude", "lon"),
        ):
            if key in ours:
                # Where the column is empty it answers 0.0; here the value is absent.
                given_there = getattr(theirs, column) != ""
                expected = pytest.approx(getattr(theirs, other), abs=1e-12) if given_there else None
                assert ours[key] == expected
                compared.add(key)
        if "time_of_day_us" in ours:
            assert ours["time_of_day_us"] == microseconds(theirs.timestamp)
            compared.add("time_of_day_us")
        if name == "RMC":
            # Its two-digit years turn over at 1969, ours at 1980; the dates drawn lie where both agree.
            assert ours["date"] == theirs.datestamp
            assert ours["status"] == {"A": "valid", "V": "void"}[theirs.status]
        if name == "ZDA":
            assert ours["date"] == dt.date(theirs.year, theirs.month, theirs.day)
        if name == "GGA":
            assert ours["fix_quality"] == QUALITIES[theirs.gps_qual]
            assert ours["hdop"] == number(theirs.horizontal_dil)
        if name == "GSA":
            satellites = [getattr(theirs, f"sv_id{place:02d}") for place in range(1, 13)]
            assert ours["satellites"] == tuple(int(one) for one in satellites if one)
        if name == "GSV":
            names = ("sv_prn_num", "elevation_deg", "azimuth", "snr")
            for place, one in enumerate(ours["satellites"], start=1):
                assert list(one.values()) == [number(getattr(theirs, f"{key}_{place}")) for key in names]

    check()
    assert compared
