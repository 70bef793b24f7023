"""The columns of the exported tables: name, unit and meaning, stated once for every format."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Generic, Literal, NamedTuple, TypeVar

from offtake.errors import DamageError
from offtake.export.inputs import ExportInput
from offtake.export.marks import Mark, marks_of
from offtake.export.values import checked_position, clean_label
from offtake.track.fix import Fix, Satellite, Sky

Value = None | bool | int | float | str | dt.datetime
ColumnKind = Literal["integer", "number", "text", "yes_no", "moment"]
Row = TypeVar("Row")


@dataclass(frozen=True)
class Column(Generic[Row]):
    """One column. ``unit`` is empty for text and yes or no, ``1`` for counts and ratios; ``word`` marks text of a few
    different values. ``value`` takes it from a row; ``None`` is absent."""

    name: str
    kind: ColumnKind
    unit: str
    doc: str
    value: Callable[[Row], Value]
    word: bool = True


class FixRow(NamedTuple):
    """One epoch: its number in the run's track, and the kinds of glitch it is part of (empty: none)."""

    number: int
    fix: Fix
    doubt: str


class SatelliteRow(NamedTuple):
    """One satellite at one epoch."""

    sky: Sky
    satellite: Satellite


def _of_fix(name: str, kind: ColumnKind, unit: str, doc: str) -> Column[FixRow]:
    def value(row: FixRow) -> Value:
        told: Value = getattr(row.fix, name)
        return clean_label(told) if isinstance(told, str) else told

    return Column(name, kind, unit, doc, value)


def _position(row: FixRow, which: Literal[0, 1]) -> float | None:
    if row.fix.has_position:
        return checked_position(row.fix)[which]
    return None


def _time_of_day_s(row: FixRow) -> float | None:
    return None if row.fix.time_of_day_us is None else row.fix.time_of_day_us / 1e6


FIX_COLUMNS: tuple[Column[FixRow], ...] = (
    _of_fix("run", "integer", "1", "Number of the run."),
    Column("fix", "integer", "1", "Number of the epoch in its run, from 0.", lambda row: row.number),
    _of_fix("tick_us", "integer", "us", "The logger's time of the epoch's first byte, since power-up."),
    _of_fix("utc", "moment", "UTC", "The epoch's time; absent while no date is known."),
    Column("time_of_day_s", "number", "s", "The receiver's time since UTC midnight.", _time_of_day_s),
    Column("latitude_deg", "number", "deg", "Latitude, north positive.", lambda row: _position(row, 0)),
    Column("longitude_deg", "number", "deg", "Longitude, east positive, -180 to below 180.",
           lambda row: _position(row, 1)),
    _of_fix("altitude_m", "number", "m", "Height above mean sea level, as the receiver told it."),
    _of_fix("geoid_separation_m", "number", "m", "Mean sea level above the WGS84 ellipsoid."),
    _of_fix("height_m", "number", "m", "Height above the WGS84 ellipsoid, as the receiver told it."),
    _of_fix("speed_m_s", "number", "m/s", "Speed over ground."),
    _of_fix("course_deg", "number", "deg", "Direction of motion over ground, from true north."),
    _of_fix("climb_m_s", "number", "m/s", "Vertical speed, upwards positive."),
    _of_fix("heading_deg", "number", "deg", "Where the vehicle points, from true north."),
    _of_fix("fix_quality", "text", "", "Kind of solution, as the receiver's dialect names it."),
    _of_fix("fix_type", "text", "", "Dimensions of the solution: none, 2d, 3d, time or dead_reckoning."),
    _of_fix("satellites_used", "integer", "1", "Satellites in the solution."),
    _of_fix("satellites_in_view", "integer", "1", "Satellites in view."),
    _of_fix("hdop", "number", "1", "Horizontal dilution of precision."),
    _of_fix("vdop", "number", "1", "Vertical dilution of precision."),
    _of_fix("pdop", "number", "1", "Position dilution of precision."),
    _of_fix("horizontal_accuracy_m", "number", "m", "The receiver's own estimate of its horizontal error, one sigma."),
    _of_fix("vertical_accuracy_m", "number", "m", "The receiver's own estimate of its vertical error, one sigma."),
    _of_fix("speed_accuracy_m_s", "number", "m/s", "The receiver's own estimate of its speed's error, one sigma."),
    _of_fix("after_loss", "yes_no", "", "Whether bytes were lost since the epoch before, or within this one."),
    Column("glitch", "text", "", "Kinds of glitch this fix is part of, parted by spaces; absent: none found.",
           lambda row: row.doubt or None),
)  # fmt: skip


def _of_mark(name: str, kind: ColumnKind, unit: str, doc: str) -> Column[Mark]:
    def value(mark: Mark) -> Value:
        told: Value = getattr(mark, name)
        return (clean_label(told) or None) if isinstance(told, str) else told

    return Column(name, kind, unit, doc, value)


def _mark_position(mark: Mark, which: Literal[0, 1]) -> float | None:
    return None if mark.place is None else checked_position(mark.place)[which]


def _evidence(mark: Mark) -> str | None:
    """The figures as a JSON object; the units are at the end of their names."""
    if not mark.evidence:
        return None
    try:
        return json.dumps({clean_label(name): value for name, value in mark.evidence}, allow_nan=False)
    except ValueError as error:
        where = f"run {mark.run}, tick {mark.tick_us} us"
        raise DamageError("a figure of a glitch is not finite", where=where, expected="finite numbers") from error


EVENT_COLUMNS: tuple[Column[Mark], ...] = (
    _of_mark("run", "integer", "1", "Number of the run."),
    _of_mark("kind", "text", "", "gap, glitch, loss, damage, event, run_start, run_end or supply."),
    _of_mark("cause", "text", "", "Why the gap, which glitch, the cause of loss, reset or end, the event's level."),
    _of_mark("tick_us", "integer", "us", "The logger's time of the beginning, since power-up."),
    _of_mark("end_tick_us", "integer", "us", "The logger's time of the end, since power-up."),
    _of_mark("utc", "moment", "UTC", "Time of the beginning; absent while no date is known."),
    _of_mark("end_utc", "moment", "UTC", "Time of the end; absent while no date is known."),
    _of_mark("utc_uncertainty_s", "number", "s", "How far the times may be off (95 %), where given by the time line."),
    Column("duration_s", "number", "s", "From beginning to end by the logger's ticks.", lambda mark: mark.seconds),
    _of_mark("count", "integer", "1", "Bytes (ring_full, settings, card) or others lost, blocks missing, brief edges."),
    _of_mark("merged", "integer", "1", "How many events are told as this one."),
    _of_mark("first_fix", "integer", "1", "Number of the first fix concerned; of a gap, the fix before it."),
    _of_mark("last_fix", "integer", "1", "Number of the last fix concerned; of a gap, the fix after it."),
    Column("latitude_deg", "number", "deg", "Latitude of the position it is shown at, north positive.",
           lambda mark: _mark_position(mark, 0)),
    Column("longitude_deg", "number", "deg", "Longitude of the position it is shown at, east positive.",
           lambda mark: _mark_position(mark, 1)),
    _of_mark("place_s", "number", "s", "How much later than the beginning the position it is shown at is."),
    _of_mark("supply_mv", "integer", "mV", "Supply voltage of the board, the least."),
    _of_mark("card_busy_ms", "integer", "ms", "Longest time the card was busy with a block."),
    Column("evidence", "text", "", "Figures for it as a JSON object; their units are at the end of their names.",
           _evidence, word=False),
    Column("text", "text", "", "The whole in words.", lambda mark: mark.text, word=False),
)  # fmt: skip


def _of_sky(name: str, kind: ColumnKind, unit: str, doc: str) -> Column[SatelliteRow]:
    return Column(name, kind, unit, doc, lambda row: getattr(row.sky, name))


def _of_satellite(name: str, kind: ColumnKind, unit: str, doc: str) -> Column[SatelliteRow]:
    def value(row: SatelliteRow) -> Value:
        told: Value = getattr(row.satellite, name)
        return clean_label(told) if isinstance(told, str) else told

    return Column(name, kind, unit, doc, value)


SATELLITE_COLUMNS: tuple[Column[SatelliteRow], ...] = (
    _of_sky("run", "integer", "1", "Number of the run."),
    _of_sky("tick_us", "integer", "us", "The logger's time of the epoch's first byte, since power-up."),
    _of_sky("utc", "moment", "UTC", "The epoch's time; absent while no date is known."),
    _of_satellite("system", "text", "", "gps, glonass, galileo, beidou, qzss, navic or sbas; absent: not known."),
    _of_satellite("satellite_id", "integer", "1", "The satellite's number in the dialect that told it."),
    _of_satellite("signal_id", "integer", "1", "Number of the signal in the dialect that told it."),
    _of_satellite("elevation_deg", "number", "deg", "Height over the horizon."),
    _of_satellite("azimuth_deg", "number", "deg", "Direction, from true north."),
    _of_satellite("cn0_db_hz", "number", "dBHz", "Carrier to noise density ratio; absent when not tracked."),
    _of_satellite("used", "yes_no", "", "Whether it is in the solution; absent: not said."),
)


def fix_rows(inputs: ExportInput) -> Iterator[FixRow]:
    """Every epoch of every track, in order."""
    for track in inputs.tracks:
        doubts = inputs.doubts(track.run)
        for index, fix in enumerate(track.fixes):
            yield FixRow(index, fix, doubts.get(index, ""))


def event_rows(inputs: ExportInput) -> tuple[Mark, ...]:
    """Every gap, glitch and event, run by run, by time."""
    return marks_of(inputs)


def satellite_rows(inputs: ExportInput) -> Iterator[SatelliteRow]:
    """Every satellite of every epoch that told of some, in order."""
    for track in inputs.tracks:
        for sky in track.skies:
            for satellite in sky.satellites:
                yield SatelliteRow(sky, satellite)
