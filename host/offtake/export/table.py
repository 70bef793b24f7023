"""One row for each epoch, as comma-separated values (RFC 4180)."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from pathlib import Path

from offtake.export.aside import write_aside
from offtake.export.values import ExportCounts, checked_position, decimal_text, iso_utc
from offtake.track.fix import Fix, Track
from offtake.track.segments import GAP_S, split_segments


def write_csv(
    tracks: Sequence[Track], path: Path, *, gap_s: float = GAP_S, replace: bool = False
) -> ExportCounts:
    """Write every epoch of ``tracks``, those without a position too; an empty cell means absent.

    The header names each column with its unit. ``gap_s`` only decides the segments that are counted.
    Raises as :func:`offtake.export.aside.write_aside` does, and :class:`~offtake.errors.DamageError` for a
    position out of range.
    """
    positions = sum(fix.has_position for track in tracks for fix in track.fixes)
    segments = sum(1 for track in tracks for _ in split_segments(track, gap_s))
    with write_aside(path, replace=replace) as handle:
        text = io.TextIOWrapper(handle, encoding="utf-8", newline="")
        writer = csv.writer(text, lineterminator="\r\n")
        writer.writerow(_COLUMNS)
        for track in tracks:
            for fix in track.fixes:
                if fix.has_position:
                    checked_position(fix)
                writer.writerow([cell(fix) for cell in _COLUMNS.values()])
        text.detach()
    return ExportCounts(positions, segments, 0)


def _number(name: str) -> Callable[[Fix], str]:
    def cell(fix: Fix) -> str:
        value = getattr(fix, name)
        return "" if value is None else decimal_text(value)

    return cell


def _plain(name: str) -> Callable[[Fix], str]:
    def cell(fix: Fix) -> str:
        value = getattr(fix, name)
        return "" if value is None else str(value)

    return cell


def _utc(fix: Fix) -> str:
    return "" if fix.utc is None else iso_utc(fix.utc)


def _time_of_day_s(fix: Fix) -> str:
    return "" if fix.time_of_day_us is None else decimal_text(fix.time_of_day_us / 1e6)


def _after_loss(fix: Fix) -> str:
    return "1" if fix.after_loss else "0"


_COLUMNS: dict[str, Callable[[Fix], str]] = {
    "run": _plain("run"),
    "tick_us": _plain("tick_us"),
    "utc": _utc,
    "time_of_day_s": _time_of_day_s,
    "latitude_deg": _number("latitude_deg"),
    "longitude_deg": _number("longitude_deg"),
    "altitude_m": _number("altitude_m"),
    "geoid_separation_m": _number("geoid_separation_m"),
    "speed_m_s": _number("speed_m_s"),
    "course_deg": _number("course_deg"),
    "fix_quality": _plain("fix_quality"),
    "fix_type": _plain("fix_type"),
    "satellites_used": _plain("satellites_used"),
    "hdop": _number("hdop"),
    "vdop": _number("vdop"),
    "pdop": _number("pdop"),
    "after_loss": _after_loss,
}
