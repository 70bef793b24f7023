"""The columns of the exported tables: name, unit and meaning, stated once for every format, as Arrow arrays."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, Literal, TypeVar

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
from numpy.typing import NDArray

from offtake.arrow import of_flags, of_numbers, of_texts, of_words
from offtake.errors import DamageError
from offtake.export.marks import Mark
from offtake.export.values import CREATOR, checked_position, clean_label, require_positions, wrapped_deg
from offtake.track.fixes import NO_TIME, FixColumns, utc_us_of
from offtake.track.skies import SkyColumns
from offtake.track.values import SYSTEMS

ColumnKind = Literal["integer", "number", "text", "yes_no", "moment"]
Rows = TypeVar("Rows")
_UTC = pa.timestamp("us", "UTC")
_TYPES = {"integer": pa.int64(), "number": pa.float64(), "yes_no": pa.bool_(), "moment": _UTC}


@dataclass(frozen=True)
class Column(Generic[Rows]):
    """One column. ``unit`` is empty for text and yes or no, ``1`` for counts and ratios; ``word`` marks text of a few
    different values. ``values`` takes it from many rows at once, null where it is absent."""

    name: str
    kind: ColumnKind
    unit: str
    doc: str
    values: Callable[[Rows], pa.Array]
    word: bool = True


@dataclass(frozen=True)
class FixRows:
    """Epochs of one run, with the ``number`` of each in its track (shape (n,)). ``doubt`` says, by its place in
    ``doubts``, which kinds of glitch each is part of (shape (n,), -1: none)."""

    fixes: FixColumns
    number: NDArray[np.int64]
    doubt: NDArray[np.int32]
    doubts: tuple[str, ...]


def schema_of(columns: Sequence[Column[Any]], label: str = "") -> pa.Schema:
    """Return the Arrow schema: each field's metadata has ``doc`` and, where the column has one, ``unit``."""
    fields = [pa.field(column.name, _type(column), metadata=_metadata(column)) for column in columns]
    return pa.schema(fields, metadata={"creator": CREATOR, "label": clean_label(label)})


def _type(column: Column[Any]) -> pa.DataType:
    if column.kind == "text":
        return pa.dictionary(pa.int32(), pa.string()) if column.word else pa.string()
    return _TYPES[column.kind]


def _metadata(column: Column[Any]) -> dict[str, str]:
    return {"doc": column.doc} | ({"unit": column.unit} if column.unit else {})


def table_of(columns: Sequence[Column[Rows]], schema: pa.Schema, rows: Rows) -> pa.Table:
    """The ``rows`` as a table of ``schema``, which :func:`schema_of` made of ``columns``.

    Raises :class:`~offtake.errors.DamageError` for a position out of range and for a number that is not finite.
    """
    return pa.Table.from_arrays([column.values(rows) for column in columns], schema=schema)


# Arrays in which NumPy's stand-ins for what is absent are null


def numbers(values: NDArray[np.float64]) -> pa.Array:
    """Numbers, nan where absent."""
    if np.isinf(values).any():
        value = float(values[np.isinf(values)][0])
        raise DamageError(f"value {value} is not finite", expected="a finite number")
    return of_numbers(values, np.isnan(values))


def counts(values: NDArray[np.int64]) -> pa.Array:
    """Whole numbers, -1 where absent."""
    return of_numbers(values, values < 0)


def moments(utc_us: NDArray[np.int64]) -> pa.Array:
    """Microseconds since 1970 as times."""
    return of_numbers(utc_us, utc_us == NO_TIME, _UTC)


def words(codes: NDArray[np.signedinteger[Any]], names: Sequence[str]) -> pa.Array:
    """Words by their places in ``names``, -1 where absent."""
    return of_words(codes, codes < 0, names)


# Fixes


def _whole(name: str, unit: str, doc: str) -> Column[FixRows]:
    return Column(name, "integer", unit, doc, lambda rows: counts(getattr(rows.fixes, name)))


def _number(name: str, unit: str, doc: str) -> Column[FixRows]:
    return Column(name, "number", unit, doc, lambda rows: numbers(getattr(rows.fixes, name)))


def _word(name: str, doc: str) -> Column[FixRows]:
    def values(rows: FixRows) -> pa.Array:
        return words(getattr(rows.fixes, name), [clean_label(word) for word in rows.fixes.words])

    return Column(name, "text", "", doc, values)


def _run(rows: FixRows) -> pa.Array:
    return of_numbers(np.full(len(rows.fixes), rows.fixes.run, np.int64))


def _time_of_day_s(rows: FixRows) -> pa.Array:
    micros = rows.fixes.time_of_day_us
    return of_numbers(micros / 1e6, micros < 0)


def _latitude(rows: FixRows) -> pa.Array:
    require_positions(rows.fixes)
    return of_numbers(rows.fixes.latitude_deg, ~rows.fixes.has_position)


def _longitude(rows: FixRows) -> pa.Array:
    require_positions(rows.fixes)
    return of_numbers(wrapped_deg(rows.fixes.longitude_deg), ~rows.fixes.has_position)


FIX_COLUMNS: tuple[Column[FixRows], ...] = (
    Column("run", "integer", "1", "Number of the run.", _run),
    Column("fix", "integer", "1", "Number of the epoch in its run, from 0.",
           lambda rows: of_numbers(rows.number)),
    Column("tick_us", "integer", "us", "The logger's time of the epoch's first byte, since power-up.",
           lambda rows: of_numbers(rows.fixes.tick_us)),
    Column("utc", "moment", "UTC", "The epoch's time; absent while no date is known.",
           lambda rows: moments(rows.fixes.utc_us)),
    Column("time_of_day_s", "number", "s", "The receiver's time since UTC midnight.", _time_of_day_s),
    Column("latitude_deg", "number", "deg", "Latitude, north positive.", _latitude),
    Column("longitude_deg", "number", "deg", "Longitude, east positive, -180 to below 180.", _longitude),
    _number("altitude_m", "m", "Height above mean sea level, as the receiver told it."),
    _number("geoid_separation_m", "m", "Mean sea level above the WGS84 ellipsoid."),
    _number("height_m", "m", "Height above the WGS84 ellipsoid, as the receiver told it."),
    _number("speed_m_s", "m/s", "Speed over ground."),
    _number("course_deg", "deg", "Direction of motion over ground, from true north."),
    _number("climb_m_s", "m/s", "Vertical speed, upwards positive."),
    _number("heading_deg", "deg", "Where the vehicle points, from true north."),
    _word("fix_quality", "Kind of solution, as the receiver's dialect names it."),
    _word("fix_type", "Dimensions of the solution: none, 2d, 3d, time or dead_reckoning."),
    _whole("satellites_used", "1", "Satellites in the solution."),
    _whole("satellites_in_view", "1", "Satellites in view."),
    _number("hdop", "1", "Horizontal dilution of precision."),
    _number("vdop", "1", "Vertical dilution of precision."),
    _number("pdop", "1", "Position dilution of precision."),
    _number("horizontal_accuracy_m", "m", "The receiver's own estimate of its horizontal error, one sigma."),
    _number("vertical_accuracy_m", "m", "The receiver's own estimate of its vertical error, one sigma."),
    _number("speed_accuracy_m_s", "m/s", "The receiver's own estimate of its speed's error, one sigma."),
    Column("after_loss", "yes_no", "", "Whether bytes were lost since the epoch before, or within this one.",
           lambda rows: of_flags(rows.fixes.after_loss)),
    Column("glitch", "text", "", "Kinds of glitch this fix is part of, parted by spaces; absent: none found.",
           lambda rows: words(rows.doubt, rows.doubts)),
)  # fmt: skip


# Gaps, glitches and events: few enough that each may be looked at by itself


def _mark(
    name: str, kind: ColumnKind, unit: str, doc: str, value: Callable[[Mark], Any] | None = None, word: bool = True
) -> Column[Sequence[Mark]]:
    """A column of what ``value`` takes of each mark, or of the field of this name."""

    def values(marks: Sequence[Mark]) -> pa.Array:
        told = [_field(mark, name) if value is None else value(mark) for mark in marks]
        wrong = next((one for one in told if isinstance(one, float) and not math.isfinite(one)), None)
        if wrong is not None:
            raise DamageError(f"value {wrong} is not finite", expected="a finite number")
        if kind == "text":
            texts = of_texts(told)
            return texts.dictionary_encode() if word else texts
        try:
            return _of_marks(told, kind)
        except OverflowError as error:
            raise DamageError(f"a value does not fit: {error}", where=name, expected="64-bit numbers") from error

    column = Column(name, kind, unit, doc, values, word)
    return column


def _of_marks(told: Sequence[Any], kind: ColumnKind) -> pa.Array:
    absent = np.array([one is None for one in told], np.bool_)
    if kind == "moment":
        return of_numbers(np.array([utc_us_of(one) for one in told], np.int64), absent, _UTC)
    dtype = np.int64 if kind == "integer" else np.float64
    return of_numbers(np.array([0 if one is None else one for one in told], dtype), absent)


def _field(mark: Mark, name: str) -> Any:
    told = getattr(mark, name)
    return (clean_label(told) or None) if isinstance(told, str) else told


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


EVENT_COLUMNS: tuple[Column[Sequence[Mark]], ...] = (
    _mark("run", "integer", "1", "Number of the run."),
    _mark("kind", "text", "", "gap, glitch, loss, damage, event, run_start, run_end or supply."),
    _mark("cause", "text", "", "Why the gap, which glitch, the cause of loss, reset or end, the event's level."),
    _mark("tick_us", "integer", "us", "The logger's time of the beginning, since power-up."),
    _mark("end_tick_us", "integer", "us", "The logger's time of the end, since power-up."),
    _mark("utc", "moment", "UTC", "Time of the beginning; absent while no date is known."),
    _mark("end_utc", "moment", "UTC", "Time of the end; absent while no date is known."),
    _mark("utc_uncertainty_s", "number", "s", "How far the times may be off (95 %), where given by the time line."),
    _mark("duration_s", "number", "s", "From beginning to end by the logger's ticks.", lambda mark: mark.seconds),
    _mark("count", "integer", "1", "Bytes (ring_full, settings, card) or others lost, blocks missing, brief edges."),
    _mark("merged", "integer", "1", "How many events are told as this one."),
    _mark("first_fix", "integer", "1", "Number of the first fix concerned; of a gap, the fix before it."),
    _mark("last_fix", "integer", "1", "Number of the last fix concerned; of a gap, the fix after it."),
    _mark("latitude_deg", "number", "deg", "Latitude of the position it is shown at, north positive.",
          lambda mark: _mark_position(mark, 0)),
    _mark("longitude_deg", "number", "deg", "Longitude of the position it is shown at, east positive.",
          lambda mark: _mark_position(mark, 1)),
    _mark("place_s", "number", "s", "How much later than the beginning the position it is shown at is."),
    _mark("supply_mv", "integer", "mV", "Supply voltage of the board, the least."),
    _mark("card_busy_ms", "integer", "ms", "Longest time the card was busy with a block."),
    _mark("evidence", "text", "", "Figures for it as a JSON object; their units are at the end of their names.",
          _evidence, word=False),
    _mark("text", "text", "", "The whole in words.", lambda mark: mark.text, word=False),
)  # fmt: skip


# Satellites


def _for_each(skies: SkyColumns, of_sky: NDArray[np.int64]) -> NDArray[np.int64]:
    """What is told of each sky, for each of its satellites."""
    return np.repeat(of_sky, np.diff(skies.start))


def _satellite(name: str, unit: str, doc: str) -> Column[SkyColumns]:
    return Column(name, "number", unit, doc, lambda skies: numbers(getattr(skies, name)))


def _used(skies: SkyColumns) -> pa.Array:
    return of_flags(skies.used == 1, skies.used < 0)


SATELLITE_COLUMNS: tuple[Column[SkyColumns], ...] = (
    Column("run", "integer", "1", "Number of the run.",
           lambda skies: of_numbers(np.full(len(skies.satellite_id), skies.run, np.int64))),
    Column("tick_us", "integer", "us", "The logger's time of the epoch's first byte, since power-up.",
           lambda skies: of_numbers(_for_each(skies, skies.tick_us))),
    Column("utc", "moment", "UTC", "The epoch's time; absent while no date is known.",
           lambda skies: moments(_for_each(skies, skies.utc_us))),
    Column("system", "text", "", "gps, glonass, galileo, beidou, qzss, navic or sbas; absent: not known.",
           lambda skies: words(skies.system, SYSTEMS)),
    Column("satellite_id", "integer", "1", "The satellite's number in the dialect that told it.",
           lambda skies: counts(skies.satellite_id)),
    Column("signal_id", "integer", "1", "Number of the signal in the dialect that told it.",
           lambda skies: counts(skies.signal_id)),
    _satellite("elevation_deg", "deg", "Height over the horizon."),
    _satellite("azimuth_deg", "deg", "Direction, from true north."),
    _satellite("cn0_db_hz", "dBHz", "Carrier to noise density ratio; absent when not tracked."),
    Column("used", "yes_no", "", "Whether it is in the solution; absent: not said.", _used),
)  # fmt: skip
