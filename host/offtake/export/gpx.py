"""GPX 1.1: one track for each run, one segment for each stretch without a gap."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from lxml import etree

from offtake.export.aside import write_aside
from offtake.export.values import (
    CREATOR,
    ExportCounts,
    checked_position,
    clean_label,
    decimal_text,
    iso_utc,
)
from offtake.track.fix import Fix, Track
from offtake.track.segments import GAP_S, split_segments

# The root declares the namespace for all; the elements inside are made without one, so that they are written
# without prefixes, which some readers do not understand.
NAMESPACE = "http://www.topografix.com/GPX/1/1"
# GPX knows these kinds of fix only; another quality is told by the number of dimensions.
_QUALITY_FIX = {"differential": "dgps", "precise": "pps"}


def write_gpx(
    tracks: Sequence[Track],
    path: Path,
    *,
    label: str = "",
    gap_s: float = GAP_S,
    replace: bool = False,
) -> ExportCounts:
    """Write the positions of ``tracks`` to ``path``; epochs without a position are left out.

    ``label`` names the file's content; it may come from a log. ``gap_s``: a longer time between two positions
    parts segments. ``ele`` is height above mean sea level. Raises as
    :func:`offtake.export.aside.write_aside` does, and :class:`~offtake.errors.DamageError` for a position out
    of range.
    """
    positions = segments = 0
    with write_aside(path, replace=replace) as handle, etree.xmlfile(handle, encoding="UTF-8") as xml:
        xml.write_declaration()
        attributes = {"version": "1.1", "creator": CREATOR}
        with xml.element(f"{{{NAMESPACE}}}gpx", attributes, nsmap={None: NAMESPACE}):
            _write_metadata(xml, tracks, clean_label(label))
            for track in tracks:
                with xml.element("trk"):
                    xml.write(_leaf("name", f"run {track.run}"))
                    for segment in split_segments(track, gap_s):
                        _write_segment(xml, segment)
                        positions += len(segment)
                        segments += 1
    epochs = sum(len(track.fixes) for track in tracks)
    return ExportCounts(positions, segments, epochs - positions)


def _write_metadata(xml: etree._IncrementalFileWriter, tracks: Sequence[Track], label: str) -> None:
    first = min((fix.utc for track in tracks for fix in track.fixes if fix.utc is not None), default=None)
    if not label and first is None:
        return
    with xml.element("metadata"):
        if label:
            xml.write(_leaf("name", label))
        if first is not None:
            xml.write(_leaf("time", iso_utc(first)))


def _write_segment(xml: etree._IncrementalFileWriter, segment: list[Fix]) -> None:
    with xml.element("trkseg"):
        for fix in segment:
            xml.write(_point(fix))


def _point(fix: Fix) -> etree._Element:
    """Return a ``trkpt``; its children stand in the order of the schema."""
    latitude, longitude = checked_position(fix)
    point = etree.Element("trkpt", lat=decimal_text(latitude), lon=decimal_text(longitude))
    children = (
        ("ele", _decimal(fix.altitude_m)),
        ("time", None if fix.utc is None else iso_utc(fix.utc)),
        ("geoidheight", _decimal(fix.geoid_separation_m)),
        ("fix", _QUALITY_FIX.get(fix.fix_quality or "") or fix.fix_type),
        ("sat", None if fix.satellites_used is None else str(fix.satellites_used)),
        ("hdop", _decimal(fix.hdop)),
        ("vdop", _decimal(fix.vdop)),
        ("pdop", _decimal(fix.pdop)),
    )
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
