"""KML 2.2: a line for each stretch without a gap, and points with a time stamp along it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from lxml import etree

from offtake.errors import UsageError
from offtake.export.aside import write_aside
from offtake.export.values import ExportCounts, checked_position, clean_label, decimal_text, iso_utc
from offtake.track.fix import Fix, Track
from offtake.track.segments import GAP_S, split_segments

# The root declares the namespace for all; the elements inside are made without one, so that they are written
# without prefixes, which some readers do not understand.
NAMESPACE = "http://www.opengis.net/kml/2.2"
# Readers refuse a text of ten megabytes in one element; a longer line is drawn in parts that share a vertex.
LINE_VERTICES_MAX = 20_000
STAMP_S = 60.0
_STYLE = "track"
# Alpha, blue, green, red: an opaque orange that stands out on maps and pictures alike.
_LINE_COLOUR = "ff0080ff"


def write_kml(
    tracks: Sequence[Track],
    path: Path,
    *,
    label: str = "",
    gap_s: float = GAP_S,
    stamp_s: float = STAMP_S,
    replace: bool = False,
) -> ExportCounts:
    """Write the positions of ``tracks`` to ``path``; epochs without a position are left out.

    Each stretch is a line with its time span; its first and last position, and one at least every ``stamp_s``
    seconds, are points with a time stamp too. Heights are above mean sea level; a line one of whose positions
    has no height lies on the ground. ``label`` and ``gap_s`` as in :func:`offtake.export.gpx.write_gpx`.
    Raises as that does, and :class:`~offtake.errors.UsageError` when ``stamp_s`` is not positive.
    """
    if not stamp_s > 0:
        raise UsageError(f"a time stamp every {stamp_s} s", expected="a positive number of seconds")
    positions = segments = 0
    with write_aside(path, replace=replace) as handle, etree.xmlfile(handle, encoding="UTF-8") as xml:
        xml.write_declaration()
        with xml.element(f"{{{NAMESPACE}}}kml", nsmap={None: NAMESPACE}), xml.element("Document"):
            xml.write(_leaf("name", clean_label(label) or "track"))
            xml.write(_style())
            for track in tracks:
                with xml.element("Folder"):
                    xml.write(_leaf("name", f"run {track.run}"))
                    for number, segment in enumerate(split_segments(track, gap_s), start=1):
                        for placemark in _placemarks(segment, f"run {track.run}, track {number}", stamp_s):
                            placemark.tail = "\n"
                            xml.write(placemark)
                        positions += len(segment)
                        segments += 1
    epochs = sum(len(track.fixes) for track in tracks)
    return ExportCounts(positions, segments, epochs - positions)


def _placemarks(segment: list[Fix], name: str, stamp_s: float) -> Iterator[etree._Element]:
    if len(segment) > 1:
        for start in range(0, len(segment) - 1, LINE_VERTICES_MAX - 1):
            yield _line(segment[start : start + LINE_VERTICES_MAX], name)
    for fix in _stamped(segment, stamp_s):
        yield _point(fix)


def _stamped(segment: list[Fix], stamp_s: float) -> Iterator[Fix]:
    """Yield first and last fix and enough between them that no two are further apart than need be."""
    last: Fix | None = None
    for index, fix in enumerate(segment):
        if last is None or index == len(segment) - 1 or fix.tick_us - last.tick_us >= stamp_s * 1e6:
            last = fix
            yield fix


def _line(segment: list[Fix], name: str) -> etree._Element:
    placemark = etree.Element("Placemark")
    placemark.append(_leaf("name", name))
    times = [fix.utc for fix in segment if fix.utc is not None]
    if times:
        span = etree.SubElement(placemark, "TimeSpan")
        span.append(_leaf("begin", iso_utc(min(times))))
        span.append(_leaf("end", iso_utc(max(times))))
    placemark.append(_leaf("styleUrl", f"#{_STYLE}"))
    line = etree.SubElement(placemark, "LineString")
    high = all(fix.altitude_m is not None for fix in segment)
    if high:
        line.append(_leaf("altitudeMode", "absolute"))
    else:
        line.append(_leaf("tessellate", "1"))
    line.append(_leaf("coordinates", " ".join(_coordinates(fix, high) for fix in segment)))
    return placemark


def _point(fix: Fix) -> etree._Element:
    placemark = etree.Element("Placemark")
    if fix.utc is not None:
        placemark.append(_leaf("name", iso_utc(fix.utc)))
        stamp = etree.SubElement(placemark, "TimeStamp")
        stamp.append(_leaf("when", iso_utc(fix.utc)))
    placemark.append(_leaf("styleUrl", f"#{_STYLE}"))
    point = etree.SubElement(placemark, "Point")
    high = fix.altitude_m is not None
    if high:
        point.append(_leaf("altitudeMode", "absolute"))
    point.append(_leaf("coordinates", _coordinates(fix, high)))
    return placemark


def _coordinates(fix: Fix, high: bool) -> str:
    latitude, longitude = checked_position(fix)
    text = f"{decimal_text(longitude)},{decimal_text(latitude)}"
    return f"{text},{decimal_text(fix.altitude_m)}" if high and fix.altitude_m is not None else text


def _style() -> etree._Element:
    style = etree.Element("Style", id=_STYLE)
    icon = etree.SubElement(style, "IconStyle")
    icon.append(_leaf("scale", "0.5"))
    line = etree.SubElement(style, "LineStyle")
    line.append(_leaf("color", _LINE_COLOUR))
    line.append(_leaf("width", "3"))
    return style


def _leaf(name: str, text: str) -> etree._Element:
    element = etree.Element(name)
    element.text = text
    return element
