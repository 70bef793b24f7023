"""Published NMEA 0183 sentences, and agreement with two independent parsers.

Each published sentence stands with the name of the place it is published in. The values are those that the
PyPI parsers pynmea2 1.19.0 and pynmeagps 1.1.8 agree on. They are asked too about random well-formed sentences and
about every sentence in the two parsers' own source distributions.
"""

from __future__ import annotations

import datetime as dt
import re
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nmea_parsers import PARSERS, differences
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.generated.dialects import NMEA0183

SEEDED = settings(derandomize=True, deadline=None, max_examples=60, database=None)

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
    decoder = StreamDecoder(chosen_dialects())
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
    decoder = StreamDecoder(chosen_dialects())
    wrong = f"{int(text[-2:], 16) ^ 1:02X}"
    assert decoder.feed(f"{text[:-2]}{wrong}\r\n".encode()) == []
    assert decoder.counts.bad_checksum == 1


# Random well-formed sentences. Strategies draw the text of each column; an empty column is drawn often.


def blank(strategy: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.one_of(st.just(""), strategy, strategy)


def digits(low: int, high: int, width: int = 0) -> st.SearchStrategy[str]:
    return st.integers(low, high).map(lambda value: f"{value:0{width}d}")


def decimal(low: int, high: int, places: int) -> st.SearchStrategy[str]:
    return st.integers(low * 10**places, high * 10**places).map(lambda value: f"{value / 10**places:.{places}f}")


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
        return take(TIMES, LATITUDES, LONGITUDES, modes, blank(digits(0, 40, 2)), DILUTION, altitude, geoid, "", "")
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
        one = st.tuples(digits(1, 96, 2), blank(digits(0, 90, 2)), blank(digits(0, 359, 3)), blank(digits(0, 99, 2)))
        groups = st.lists(one.map(",".join), min_size=4, max_size=4)
        return take(digits(1, 9), digits(1, 9), digits(0, 99, 2), groups.map(",".join))
    if name == "VTG":
        angle, speed = blank(decimal(0, 359, 2)), blank(decimal(0, 500, 3))
        return take(angle, "T", angle, "M", speed, "N", speed, "K", MODES)
    if name == "ZDA":
        date = DATES.map(lambda day: day.strftime("%d,%m,%Y"))
        return take(TIMES, date, "00", "00")
    if name == "HDT":
        return take(blank(decimal(0, 359, 2)), "T")
    if name == "GBS":
        error, chance = blank(decimal(0, 999, 1)), blank(decimal(0, 1, 3))
        bias, ids = blank(decimal(-99, 99, 1)), st.sampled_from(["", ",1,0", ",3,7", ",F,B"])
        return take(TIMES, error, error, error, blank(digits(1, 96, 2)), chance, bias, error) + draw(ids)
    if name == "DTM":
        offset, part = blank(decimal(0, 2, 4)), st.sampled_from(["", "A"])
        return take("W84", part, offset, "S", offset, "W", blank(decimal(-99, 99, 1)), "W84")
    spread = blank(decimal(0, 999, 1))
    return take(TIMES, spread, spread, spread, blank(decimal(0, 359, 1)), spread, spread, spread)


NAMES = ("GGA", "GNS", "RMC", "GLL", "GSA", "GSV", "VTG", "ZDA", "GST", "GBS", "HDT", "DTM")


def test_every_sentence_of_the_dialect_is_compared() -> None:
    assert {sentence.name for sentence in NMEA0183.sentences} == set(NAMES)
    # Every value is one that at least one of the parsers knows.
    for sentence in NMEA0183.sentences:
        known = {key for takes, _ in PARSERS.values() for key in takes[sentence.name]}
        assert {field.name for field in sentence.fields} == known


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("parser", PARSERS)
def test_agreement_on_random_sentences(parser: str, name: str) -> None:
    compared: set[str] = set()

    @SEEDED
    @given(bodies(name))
    def check(body: str) -> None:
        text = f"${body}*{reduce(xor, body.encode(), 0):02X}"
        wrong, keys = differences(parser, name, text, decode(text))
        assert wrong == []
        compared.update(keys)

    check()
    assert compared


SENTENCE = re.compile(rb"[$!][A-Z][A-Z0-9]{2,}[^*$\"'\\\r\n]*\*[0-9A-Fa-f]{2}")

NOT_A_LATITUDE = "$GPGGA,161405.680,37.352387,N,121.953086,W,1,10,0.01,-110.342552,M,0.000000,M,,0000,*4E"
TWO_SATELLITES = "$GLGSV,1,1,16,4,48,25,45,6,78,120,39,0*40"
# Parser and sentence -> what is different, and why. Whatever else differs fails the test; so does one that agrees.
DIFFERENT = {
    # Degrees with a fraction where the standard has ddmm.mmm. Both parsers read them as minutes; we refuse them.
    ("pynmea2", NOT_A_LATITUDE): "invalid: latitude_deg: '37.352387' is not ddmm.mmm",
    ("pynmeagps", NOT_A_LATITUDE): "invalid: latitude_deg: '37.352387' is not ddmm.mmm",
    # pynmea2 does not know the signal id of version 4.1: in a sentence with fewer than four satellites it takes it for
    # one more satellite's number.
    ("pynmea2", TWO_SATELLITES): "satellites: 2 groups, pynmea2 3 groups",
}


def sentences_of(folder: Path) -> list[str]:
    """Every sentence anywhere in a source distribution, each once, in order."""
    assert folder.is_dir(), f"{folder} is missing: host/setup brings it"
    files = [path for path in sorted(folder.rglob("*")) if path.is_file()]
    found = [match.decode("ascii") for path in files for match in SENTENCE.findall(path.read_bytes())]
    return list(dict.fromkeys(found))


@pytest.mark.parametrize(("source", "sentences", "known"), [("pynmea2-1.19.0", 121, 64), ("pynmeagps-1.1.8", 94, 6)])
def test_agreement_on_the_parsers_own_inputs(repo_root: Path, source: str, sentences: int, known: int) -> None:
    texts = sentences_of(repo_root / ".build/sources" / source)
    assert len(texts) == sentences
    different: dict[tuple[str, str], str] = {}
    seen = 0
    for text in texts:
        for message in StreamDecoder(chosen_dialects("nmea0183")).feed(text.encode("ascii")):
            seen += message.state != "unknown"
            for parser in PARSERS if message.state != "unknown" else ():
                if message.state == "invalid":
                    different[parser, text] = f"invalid: {message.reason}"
                elif wrong := differences(parser, message.name, text, message.values)[0]:
                    different[parser, text] = "; ".join(wrong)
    assert seen == known
    assert different == {key: what for key, what in DIFFERENT.items() if key[1] in texts}
