"""GPX 1.1: one track for each run, one segment for each stretch without a gap, way points for what to look at."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from lxml import etree

from offtake.export.aside import Together, write_aside
from offtake.export.inputs import ExportInput, Segment
from offtake.export.marks import Mark, marks_of
from offtake.export.values import (
    CREATOR,
    ExportCounts,
    checked_position,
    clean_label,
    decimal_text,
    iso_utc,
    mean_sea_level_m,
)
from offtake.track.fix import Fix, Track
from offtake.track.segments import GAP_S

# The root declares the namespace for all; the elements inside are made without one, so that they are written
# without prefixes, which some readers do not understand.
NAMESPACE = "http://www.topografix.com/GPX/1/1"
# GPX knows these kinds of fix only; another quality is told by the number of dimensions.
_QUALITY_FIX = {"differential": "dgps", "precise": "pps"}
_FIX_TYPES = ("none", "2d", "3d")


def write_gpx(
    inputs: ExportInput, path: Path, *, gap_s: float = GAP_S, replace: bool = False, among: Together | None = None
) -> ExportCounts:
    """Write the positions of ``inputs`` to ``path``; epochs without a position are left out.

    A fix without UTC has no ``time``. ``ele`` is height above mean sea level. Fixes of a glitch stay, and their ``cmt``
    says which. Gaps split segments; glitches and events are way points at the position they are shown at (those of a
    run without one are left out and counted), supply voltages apart, which are a table's matter. ``gap_s``: a longer
    time between two positions, in seconds, parts segments in a run without an analysis. Raises as
    :func:`offtake.export.aside.write_aside` does, and :class:`~offtake.errors.DamageError` for a position out of range.
    """
    positions = segments = 0
    pins = [mark for mark in marks_of(inputs) if mark.kind not in ("gap", "supply")]
    placed = [mark for mark in pins if mark.place is not None]
    with write_aside(path, replace=replace, among=among) as handle, etree.xmlfile(handle, encoding="UTF-8") as xml:
        xml.write_declaration()
        attributes = {"version": "1.1", "creator": CREATOR}
        with xml.element(f"{{{NAMESPACE}}}gpx", attributes, nsmap={None: NAMESPACE}):
            _write_metadata(xml, inputs.tracks, clean_label(inputs.label))
            for mark in placed:
                xml.write(_way_point(mark))
            for track in inputs.tracks:
                doubts = inputs.doubts(track.run)
                with xml.element("trk"):
                    xml.write(_leaf("name", f"run {track.run}"))
                    for segment in inputs.segments(track, gap_s):
                        _write_segment(xml, segment, doubts)
                        positions += len(segment)
                        segments += 1
    return ExportCounts(positions, segments, inputs.epochs - positions, len(placed), len(pins) - len(placed))


def _write_metadata(xml: etree._IncrementalFileWriter, tracks: Sequence[Track], label: str) -> None:
    first = min((fix.utc for track in tracks for fix in track.fixes if fix.utc is not None), default=None)
    if not label and first is None:
        return
    with xml.element("metadata"):
        if label:
            xml.write(_leaf("name", label))
        if first is not None:
            xml.write(_leaf("time", iso_utc(first)))


def _write_segment(xml: etree._IncrementalFileWriter, segment: Segment, doubts: dict[int, str]) -> None:
    with xml.element("trkseg"):
        for index, fix in segment:
            xml.write(_track_point(fix, doubts.get(index)))


def _track_point(fix: Fix, doubt: str | None) -> etree._Element:
    quality = _QUALITY_FIX.get(fix.fix_quality or "")
    children = (
        ("ele", _decimal(mean_sea_level_m(fix))),
        ("time", None if fix.utc is None else iso_utc(fix.utc)),
        ("geoidheight", _decimal(fix.geoid_separation_m)),
        ("cmt", f"doubtful: {doubt.replace('_', ' ')}" if doubt else None),
        ("fix", quality or (fix.fix_type if fix.fix_type in _FIX_TYPES else None)),
        ("sat", None if fix.satellites_used is None else str(fix.satellites_used)),
        ("hdop", _decimal(fix.hdop)),
        ("vdop", _decimal(fix.vdop)),
        ("pdop", _decimal(fix.pdop)),
    )
    return _point("trkpt", fix, children)


def _way_point(mark: Mark) -> etree._Element:
    assert mark.place is not None
    children = (
        ("ele", _decimal(mean_sea_level_m(mark.place))),
        ("time", None if mark.utc is None else iso_utc(mark.utc)),
        ("name", f"run {mark.run}, {mark.name}"),
        ("desc", mark.description),
        ("type", mark.kind.replace("_", " ")),
    )
    return _point("wpt", mark.place, children)


def _point(tag: str, fix: Fix, children: Sequence[tuple[str, str | None]]) -> etree._Element:
    """Return a point; its ``children`` stand in the order of the schema."""
    latitude, longitude = checked_position(fix)
    point = etree.Element(tag, lat=decimal_text(latitude), lon=decimal_text(longitude))
    for name, text in children:
        if text is not None:
            etree.SubElement(point, name).text = text
    # A line for each point: some text tools take a file without line ends badly.
    point.tail = "\n"
    return point


def _decimal(value: float | None) -> str | None:
    return None if value is None else decimal_text(value)


def _leaf(name: str, text: str) -> etree._Element:
    element = etree.Element(name)
    element.text = text
    return element
