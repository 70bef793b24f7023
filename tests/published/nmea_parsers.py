"""What two independent parsers make of a sentence, under our names; and how both are compared with our values.

A name of ours that is missing from a parser's table is a value that this parser does not know.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import pynmea2  # type: ignore[import-untyped]
import pytest
from offtake.dialects.message import FieldValue
from pynmeagps import NMEAReader  # type: ignore[import-untyped]

Take = Callable[[Any], Any]

# Letters and codes to our names: from memory, as in the dialect's definition, but written down apart from it.
QUALITIES = (
    "none", "autonomous", "differential", "precise", "rtk_fixed", "rtk_float", "estimated", "manual", "simulator",
)  # fmt: skip
MODES = {
    "A": "autonomous", "D": "differential", "E": "estimated", "F": "rtk_float", "M": "manual", "N": "none",
    "P": "precise", "R": "rtk_fixed", "S": "simulator",
}  # fmt: skip
STATUSES = {"A": "valid", "V": "void"}
FIX_TYPES = {"1": "none", "2": "2d", "3": "3d"}
SELECTIONS = {"A": "automatic", "M": "manual"}
INTEGRITIES = {"S": "safe", "C": "caution", "U": "unsafe", "V": "not_given"}


def number(name: str) -> Take:
    def take(parsed: Any) -> float | None:
        value = getattr(parsed, name, None)
        return None if value in ("", None) else float(value)

    return take


def signed(name: str, side: str, negative: str) -> Take:
    value_of = number(name)

    def take(parsed: Any) -> Any:
        value = value_of(parsed)
        return -value if value is not None and getattr(parsed, side) == negative else value

    return take


def hexadecimal(name: str) -> Take:
    def take(parsed: Any) -> int | None:
        value = getattr(parsed, name, None)
        return None if value in ("", None) else int(str(value), 16)

    return take


def text(name: str) -> Take:
    def take(parsed: Any) -> str | None:
        value = getattr(parsed, name, None)
        return None if value in ("", None) else str(value)

    return take


def coded(name: str, names: Mapping[str, str]) -> Take:
    def take(parsed: Any) -> str | None:
        code = text(name)(parsed)
        return None if code is None else names.get(code, "other")

    return take


def quality(name: str) -> Take:
    def take(parsed: Any) -> str | None:
        code = text(name)(parsed)
        return None if code is None else QUALITIES[int(code)]

    return take


def modes(name: str) -> Take:
    def take(parsed: Any) -> tuple[str, ...] | None:
        letters = text(name)(parsed)
        return None if letters is None else tuple(MODES.get(letter, "other") for letter in letters)

    return take


def time_of_day(name: str) -> Take:
    def take(parsed: Any) -> int | None:
        time = getattr(parsed, name, None)
        if not isinstance(time, dt.time):
            return None
        return ((time.hour * 60 + time.minute) * 60 + time.second) * 1_000_000 + time.microsecond

    return take


def date(name: str) -> Take:
    def take(parsed: Any) -> dt.date | None:
        value = getattr(parsed, name, None)
        return value if isinstance(value, dt.date) else None

    return take


def date_parts(parsed: Any) -> dt.date | None:
    parts = (parsed.year, parsed.month, parsed.day)
    return None if any(part in ("", None) for part in parts) else dt.date(*(int(part) for part in parts))


def listed(pattern: str) -> Take:
    def take(parsed: Any) -> tuple[int, ...]:
        found = [number(pattern.format(place))(parsed) for place in range(1, 13)]
        return tuple(int(one) for one in found if one is not None)

    return take


def satellites(patterns: Mapping[str, str]) -> Take:
    def take(parsed: Any) -> tuple[dict[str, float | None], ...]:
        groups = [
            {name: number(pattern.format(place))(parsed) for name, pattern in patterns.items()} for place in range(1, 5)
        ]
        return tuple(group for group in groups if any(value is not None for value in group.values()))

    return take


@dataclass(frozen=True)
class Angle:
    """Degrees, and how far off the parser's may be."""

    degrees: float
    tolerance: float


def angle_pynmeagps(name: str) -> Take:
    def take(parsed: Any) -> Angle | None:
        value = number(name)(parsed)
        # It rounds to ten decimals.
        return None if value is None else Angle(value, 6e-11)

    return take


def angle_pynmea2(name: str, column: str) -> Take:
    def take(parsed: Any) -> Angle | None:
        # Where the column is empty it answers 0.0; here the value is absent.
        return Angle(getattr(parsed, name), 1e-12) if getattr(parsed, column) else None

    return take


SIGMAS_GPS = {
    "range_rms_m": "rangeRms", "ellipse_major_m": "stdMajor", "ellipse_minor_m": "stdMinor",
    "ellipse_orientation_deg": "orient", "latitude_sigma_m": "stdLat", "longitude_sigma_m": "stdLong",
    "altitude_sigma_m": "stdAlt",
}  # fmt: skip
SIGMAS_2 = {
    "range_rms_m": "rms", "ellipse_major_m": "std_dev_major", "ellipse_minor_m": "std_dev_minor",
    "ellipse_orientation_deg": "orientation", "latitude_sigma_m": "std_dev_latitude",
    "longitude_sigma_m": "std_dev_longitude", "altitude_sigma_m": "std_dev_altitude",
}  # fmt: skip
TIME_GPS, TIME_2 = {"time_of_day_us": time_of_day("time")}, {"time_of_day_us": time_of_day("timestamp")}
PLACE_GPS = {"latitude_deg": angle_pynmeagps("lat"), "longitude_deg": angle_pynmeagps("lon")}
PLACE_2 = {"latitude_deg": angle_pynmea2("latitude", "lat"), "longitude_deg": angle_pynmea2("longitude", "lon")}
HEIGHTS_GPS = {"hdop": number("HDOP"), "altitude_m": number("alt"), "geoid_separation_m": number("sep")}
DIFFERENTIAL_GPS = {"correction_age_s": number("diffAge")}
HEIGHTS_2 = {
    "altitude_m": number("altitude"), "geoid_separation_m": number("geo_sep"),
    "correction_age_s": number("age_gps_data"),
}  # fmt: skip

PYNMEAGPS: dict[str, dict[str, Take]] = {
    "GGA": {**TIME_GPS, **PLACE_GPS, **HEIGHTS_GPS, **DIFFERENTIAL_GPS, "fix_quality": quality("quality"),
            "satellites_used": number("numSV")},
    "RMC": {**TIME_GPS, **PLACE_GPS, "status": coded("status", STATUSES), "speed_kn": number("spd"),
            "course_deg": number("cog"), "date": date("date"), "magnetic_variation_deg": signed("mv", "mvEW", "W"),
            "mode": coded("posMode", MODES), "navigation_status": coded("navStatus", INTEGRITIES)},
    "GNS": {**TIME_GPS, **PLACE_GPS, **HEIGHTS_GPS, **DIFFERENTIAL_GPS, "modes": modes("posMode"),
            "satellites_used": number("numSV"), "navigation_status": coded("navStatus", INTEGRITIES)},
    "GLL": {**TIME_GPS, **PLACE_GPS, "status": coded("status", STATUSES), "mode": coded("posMode", MODES)},
    "GSA": {"selection": coded("opMode", SELECTIONS), "fix_type": coded("navMode", FIX_TYPES),
            "satellites": listed("svid_{:02d}"), "pdop": number("PDOP"), "hdop": number("HDOP"),
            "vdop": number("VDOP"), "system_id": hexadecimal("systemId")},
    "GSV": {"sentences_total": number("numMsg"), "sentence_number": number("msgNum"),
            "satellites_in_view": number("numSV"), "signal_id": hexadecimal("signalID"),
            "satellites": satellites({"satellite_id": "svid_{:02d}", "elevation_deg": "elv_{:02d}",
                                      "azimuth_deg": "az_{:02d}", "cn0_db_hz": "cno_{:02d}"})},
    "VTG": {"course_deg": number("cogt"), "course_magnetic_deg": number("cogm"), "speed_kn": number("sogn"),
            "speed_km_h": number("sogk"), "mode": coded("posMode", MODES)},
    "ZDA": {**TIME_GPS, "date": date_parts, "zone_h": number("ltzh"), "zone_min": number("ltzn")},
    "GST": {**TIME_GPS, **{ours: number(theirs) for ours, theirs in SIGMAS_GPS.items()}},
    "GBS": {**TIME_GPS, "latitude_error_m": number("errLat"), "longitude_error_m": number("errLon"),
            "altitude_error_m": number("errAlt"), "failed_satellite_id": number("svid"),
            "missed_probability": number("prob"), "bias_m": number("bias"), "bias_sigma_m": number("stddev"),
            "system_id": hexadecimal("systemId"), "signal_id": hexadecimal("signalId")},
    "HDT": {"heading_deg": number("headingT")},
    "DTM": {"datum": text("datum"), "datum_part": text("subDatum"),
            "latitude_offset_min": signed("latOfset", "NS", "S"),
            "longitude_offset_min": signed("lonOfset", "EW", "W"), "altitude_offset_m": number("alt"),
            "reference_datum": text("refDatum")},
}  # fmt: skip
"""Its station number is a whole number, ours a text with its leading zeros: not compared."""

PYNMEA2: dict[str, dict[str, Take]] = {
    "GGA": {**TIME_2, **PLACE_2, **HEIGHTS_2, "fix_quality": quality("gps_qual"), "satellites_used": number("num_sats"),
            "hdop": number("horizontal_dil"), "station_id": text("ref_station_id")},
    "RMC": {**TIME_2, **PLACE_2, "status": coded("status", STATUSES), "speed_kn": number("spd_over_grnd"),
            "course_deg": number("true_course"), "date": date("datestamp"),
            "magnetic_variation_deg": signed("mag_variation", "mag_var_dir", "W"),
            "mode": coded("mode_indicator", MODES), "navigation_status": coded("nav_status", INTEGRITIES)},
    "GNS": {**TIME_2, **PLACE_2, **HEIGHTS_2, "modes": modes("mode_indicator"), "satellites_used": number("num_sats"),
            "hdop": number("hdop"), "station_id": text("diferential")},
    "GLL": {**TIME_2, **PLACE_2, "status": coded("status", STATUSES), "mode": coded("faa_mode", MODES)},
    "GSA": {"selection": coded("mode", SELECTIONS), "fix_type": coded("mode_fix_type", FIX_TYPES),
            "satellites": listed("sv_id{:02d}"), "pdop": number("pdop"), "hdop": number("hdop"),
            "vdop": number("vdop")},
    "GSV": {"sentences_total": number("num_messages"), "sentence_number": number("msg_num"),
            "satellites_in_view": number("num_sv_in_view"),
            "satellites": satellites({"satellite_id": "sv_prn_num_{}", "elevation_deg": "elevation_deg_{}",
                                      "azimuth_deg": "azimuth_{}", "cn0_db_hz": "snr_{}"})},
    "VTG": {"course_deg": number("true_track"), "course_magnetic_deg": number("mag_track"),
            "speed_kn": number("spd_over_grnd_kts"), "speed_km_h": number("spd_over_grnd_kmph"),
            "mode": coded("faa_mode", MODES)},
    "ZDA": {**TIME_2, "date": date_parts, "zone_h": number("local_zone"), "zone_min": number("local_zone_minutes")},
    "GST": {**TIME_2, **{ours: number(theirs) for ours, theirs in SIGMAS_2.items()}},
    "GBS": {**TIME_2, "latitude_error_m": number("lat_err"), "longitude_error_m": number("lon_err"),
            "altitude_error_m": number("alt_err"), "failed_satellite_id": number("sat_prn_num_f"),
            "missed_probability": number("pro_miss"), "bias_m": number("est_bias"),
            "bias_sigma_m": number("est_bias_dev")},
    "HDT": {"heading_deg": number("heading")},
    "DTM": {"datum": text("datum"), "datum_part": text("subd_datum"),
            "latitude_offset_min": signed("lat", "lat_dir", "S"),
            "longitude_offset_min": signed("lon", "lon_dir", "W"), "altitude_offset_m": number("altitude"),
            "reference_datum": text("datum_code")},
}  # fmt: skip
"""It was written before the version 4.1 of the standard: no system and signal id, and no navigation status in GNS."""

PARSERS: dict[str, tuple[dict[str, dict[str, Take]], Callable[[str], Any]]] = {
    "pynmeagps": (PYNMEAGPS, lambda sentence: NMEAReader.parse(sentence.encode("ascii") + b"\r\n")),
    "pynmea2": (PYNMEA2, lambda sentence: pynmea2.parse(sentence, check=True)),
}


def _short(value: Any) -> str:
    groups = isinstance(value, tuple) and any(isinstance(one, dict) for one in value)
    return f"{len(value)} groups" if groups else repr(value)


def differences(parser: str, name: str, sentence: str, ours: Mapping[str, FieldValue]) -> tuple[list[str], set[str]]:
    """Values in which ``parser`` differs from ours on ``sentence``, with both, and the names compared."""
    takes, parse = PARSERS[parser]
    parsed = parse(sentence)
    wrong = []
    for key, take in takes[name].items():
        theirs = take(parsed)
        if isinstance(theirs, Angle):
            theirs = pytest.approx(theirs.degrees, abs=theirs.tolerance)
        if ours[key] != theirs:
            wrong.append(f"{key}: {_short(ours[key])}, {parser} {_short(theirs)}")
    return wrong, set(takes[name])
