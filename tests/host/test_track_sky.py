"""The satellites of an epoch."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from offtake.dialects.message import Message
from offtake.track.fix import Satellite, Sky
from offtake.track.sky import SATELLITES_KEPT, SkyGather, system_of


def gsv(talker: str, *satellites: tuple[int, int | None], signal: int | None = None, count: int = 9) -> Message:
    groups = tuple(
        {"satellite_id": number, "elevation_deg": 45, "azimuth_deg": 90, "cn0_db_hz": cn0} for number, cn0 in satellites
    )
    values: dict[str, Any] = {
        "sentences_total": 1, "satellites_in_view": count, "satellites": groups, "signal_id": signal,
    }  # fmt: skip
    return Message("nmea0183", talker, "GSV", 0, b"", "decoded", "", values)


def gsa(talker: str, *numbers: int, system: int | None = None) -> Message:
    return Message("nmea0183", talker, "GSA", 0, b"", "decoded", "", {"satellites": numbers, "system_id": system})


def sky_of(*messages: Message) -> Sky | None:
    gather = SkyGather()
    for message in messages:
        gather.add(message)
    return gather.finish(1, 5)


def seen(*messages: Message) -> list[tuple[str | None, int, bool | None]]:
    sky = sky_of(*messages)
    assert sky is not None
    return [(one.system, one.satellite_id, one.used) for one in sky.satellites]


def test_systems_by_talker_system_number_and_range() -> None:
    # Number ranges are from memory of the standard and the extensions in wide use.
    assert system_of("GL", None, 70) == "glonass"
    assert system_of("GN", 3, 5) == "galileo"
    assert system_of("GN", 1, 46) == "sbas"
    assert [system_of("GN", None, n) for n in (5, 40, 70, 195, 210, 305, 999)] == [
        "gps", "sbas", "glonass", "qzss", "beidou", "galileo", None,
    ]  # fmt: skip
    assert system_of("GP", None, 46) == "sbas"
    assert system_of("GA", None, 5) == "galileo"
    assert system_of("XX", 14, 500) is None


def test_used_satellites_by_their_own_lists() -> None:
    messages = (
        gsa("GN", 5, system=1),
        gsa("GN", system=2),
        gsv("GP", (5, 40), (6, None)),
        gsv("GL", (70, 30)),
        gsv("GA", (5, 20)),
    )
    assert seen(*messages) == [("galileo", 5, None), ("glonass", 70, False), ("gps", 5, True), ("gps", 6, False)]
    assert seen(*reversed(messages)) == seen(*messages)


def test_used_satellites_that_no_sentence_listed() -> None:
    assert seen(gsv("GP", (5, 40)), gsa("GP", 5, 7)) == [("gps", 5, True), ("gps", 7, True)]
    assert sky_of(gsa("GP", 5, 7)) is None


def test_signals_of_one_satellite_are_kept_apart() -> None:
    sky = sky_of(gsv("GP", (5, 40), signal=1), gsv("GP", (5, 33), signal=6))
    assert sky is not None
    assert [(one.signal_id, one.cn0_db_hz) for one in sky.satellites] == [(1, 40), (6, 33)]


def test_a_satellite_told_twice_is_one() -> None:
    sky = sky_of(gsv("GP", (5, None)), gsv("GP", (5, 38)))
    assert sky is not None
    assert sky.satellites == (Satellite("gps", 5, 45, 90, 38, None, None),)
    assert (sky.run, sky.tick_us, sky.utc) == (1, 5, None)


def test_binary_groups_tell_their_own_system_and_use() -> None:
    groups = (
        {"system": "glonass", "satellite_id": 3, "cn0_db_hz": 30, "used": True, "elevation_deg": 10},
        {"system": "indoor", "satellite_id": 3, "cn0_db_hz": None, "used": False},
    )
    message = Message("b562", "", "satellites", 0, b"", "decoded", "", {"satellites_in_view": 2, "satellites": groups})
    assert seen(message) == [("glonass", 3, True), (None, 3, False)]


def test_in_view_is_the_sum_of_what_each_constellation_counts() -> None:
    gather = SkyGather()
    assert gather.in_view is None
    for message in (gsv("GP", count=9, signal=1), gsv("GP", count=5, signal=6), gsv("GL", count=4)):
        gather.add(message)
    assert gather.in_view == 13


def test_a_flood_of_satellites_is_bounded() -> None:
    sky = sky_of(*[gsv("GN", (number, 1), signal=signal) for number in range(200) for signal in range(8)])
    assert sky is not None
    assert len(sky.satellites) == SATELLITES_KEPT


@pytest.mark.parametrize("satellites", [None, "x", (1.5,), ({},), ({"satellite_id": None},)])
def test_what_is_no_satellite_is_passed_over(satellites: object) -> None:
    values: dict[str, Any] = {"sentences_total": 1, "satellites": satellites}
    assert sky_of(Message("nmea0183", "GP", "GSV", 0, b"", "decoded", "", values)) is None


def test_nothing_received_is_absent_however_it_is_said() -> None:
    sky = sky_of(gsv("GP", (5, 0), (7, 30)), gsv("GP", (5, None)))
    assert sky is not None
    assert [(one.satellite_id, one.cn0_db_hz) for one in sky.satellites] == [(5, None), (7, 30)]


@pytest.mark.parametrize("number", [True, -1, 2**31, 5.0, "5"])
def test_what_is_no_number_of_a_satellite_is_passed_over(number: object) -> None:
    groups = ({"satellite_id": number, "cn0_db_hz": 30}, {"satellite_id": 7, "signal_id": number, "cn0_db_hz": 30})
    values: dict[str, Any] = {"satellites": groups, "satellites_in_view": number, "system_id": number}
    gather = SkyGather()
    gather.add(Message("own", "GL", "sky", 0, b"", "decoded", "", values))
    gather.add(Message("own", "GL", "used", 0, b"", "decoded", "", {"satellites": (7, 2**31)}))
    assert gather.in_view is None
    sky = gather.finish(1, 5)
    assert sky is not None
    assert sky.satellites == (Satellite("glonass", 7, cn0_db_hz=30, used=True),)


@pytest.mark.parametrize("value", ["high", True, float("nan"), float("inf"), 10**400, dt.date(2001, 2, 3)])
def test_what_is_no_quantity_of_a_satellite_is_left_out(value: object) -> None:
    group = {"satellite_id": 7, "elevation_deg": value, "azimuth_deg": value, "cn0_db_hz": value, "used": "yes"}
    message = Message("own", "GP", "sky", 0, b"", "decoded", "", {"satellites": (group,)})  # type: ignore[dict-item]
    sky = sky_of(message)
    assert sky is not None
    assert sky.satellites == (Satellite("gps", 7),)
