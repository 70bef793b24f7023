"""KML 2.2: a line for each stretch without a gap, points with a time stamp along it, pins for what to look at."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

from lxml import etree

from offtake.errors import UsageError
from offtake.export.aside import Together, write_aside
from offtake.export.inputs import ExportInput, Segment
from offtake.export.marks import Mark, marks_of
from offtake.export.values import (
    ExportCounts,
    checked_position,
    clean_label,
    decimal_text,
    iso_utc,
    mean_sea_level_m,
)
from offtake.track.fix import Fix
from offtake.track.segments import GAP_S

# The root declares the namespace for all; the elements inside are made without one, so that they are written
# without prefixes, which some readers do not understand.
NAMESPACE = "http://www.opengis.net/kml/2.2"
# Readers refuse a text of ten megabytes in one element; a longer line is drawn in parts that share a vertex.
LINE_VERTICES_MAX = 20_000
STAMP_S = 60.0
# Name, colour (alpha, blue, green, red), scale of the pin, and its turn in degrees: an opaque orange line, and pins
# told apart by size and turn as well as by colour (blue, vermilion, yellow and sky blue of the palette that Okabe and
# Ito made for the colour-blind; from memory). No picture of ours: that would be a second file, or an address to fetch.
_LINE_STYLE = "way"
_STYLES = (
    (_LINE_STYLE, "ff0080ff", "0.5", "0"),
    ("gap", "ffb27200", "0.9", "90"),
    ("glitch", "ff005ed5", "1.3", "180"),
    ("event", "ff42e4f0", "0.7", "0"),
    ("input_high", "ffe9b456", "1.1", "0"),
    ("input_low", "ffe9b456", "1.1", "180"),
)
_LINE_WIDTH = "3"


def write_kml(
    inputs: ExportInput,
    path: Path,
    *,
    gap_s: float = GAP_S,
    stamp_s: float = STAMP_S,
    replace: bool = False,
    among: Together | None = None,
) -> ExportCounts:
    """Write the positions of ``inputs`` to ``path``; epochs without a position are left out.

    Each stretch is a line with its time span; its first and last position, and one at least every ``stamp_s``
    seconds, are points with a time stamp too. Heights are above mean sea level, and ``absolute``; a line one of whose
    positions has no height lies on the ground. Gaps, glitches and events are pins at the position they are shown at,
    with their time and a description (those of a run without one are left out and counted), supply voltages apart,
    which are a table's matter. What has no UTC has no time stamp. ``gap_s`` and errors as in
    :func:`offtake.export.gpx.write_gpx`; :class:`~offtake.errors.UsageError` too when ``stamp_s`` is not positive.
    """
    if not stamp_s > 0:
        raise UsageError(f"a time stamp every {stamp_s} s", expected="a positive number of seconds")
    positions = segments = 0
    pins = [mark for mark in marks_of(inputs) if mark.kind != "supply"]
    placed: dict[int, list[Mark]] = {}
    for mark in pins:
        if mark.place is not None:
            placed.setdefault(mark.run, []).append(mark)
    marks = sum(map(len, placed.values()))
    with write_aside(path, replace=replace, among=among) as handle, etree.xmlfile(handle, encoding="UTF-8") as xml:
        xml.write_declaration()
        with xml.element(f"{{{NAMESPACE}}}kml", nsmap={None: NAMESPACE}), xml.element("Document"):
            xml.write(_leaf("name", clean_label(inputs.label) or "track"))
            for style in _STYLES:
                xml.write(_style(*style))
            for track in inputs.tracks:
                with xml.element("Folder"):
                    xml.write(_leaf("name", f"run {track.run}"))
                    for number, segment in enumerate(inputs.segments(track, gap_s), start=1):
                        for placemark in _placemarks(segment, f"run {track.run}, part {number}", stamp_s):
                            xml.write(placemark)
                        positions += len(segment)
                        segments += 1
                    for mark in placed.get(track.run, ()):
                        xml.write(_pin(mark))
    return ExportCounts(positions, segments, inputs.epochs - positions, marks, len(pins) - marks)


def _placemarks(segment: Segment, name: str, stamp_s: float) -> Iterator[etree._Element]:
    fixes = [fix for _, fix in segment]
    if len(fixes) > 1:
        for start in range(0, len(fixes) - 1, LINE_VERTICES_MAX - 1):
            yield _line(fixes[start : start + LINE_VERTICES_MAX], name)
    for fix in _stamped(fixes, stamp_s):
        yield _stamp_point(fix)


def _stamped(fixes: list[Fix], stamp_s: float) -> Iterator[Fix]:
    """Yield first and last fix and enough between them that no two are further apart than need be."""
    last: Fix | None = None
    for index, fix in enumerate(fixes):
        if last is None or index == len(fixes) - 1 or fix.tick_us - last.tick_us >= stamp_s * 1e6:
            last = fix
            yield fix


def _placemark(name: str, style: str, time: etree._Element | None, description: str = "") -> etree._Element:
    """A placemark without its geometry; its children stand in the order of the schema."""
    placemark = etree.Element("Placemark")
    # A line for each: some text tools take a file without line ends badly.
    placemark.tail = "\n"
    if name:
        placemark.append(_leaf("name", name))
    if description:
        placemark.append(_leaf("description", description))
    if time is not None:
        placemark.append(time)
    placemark.append(_leaf("styleUrl", f"#{style}"))
    return placemark


def _line(fixes: list[Fix], name: str) -> etree._Element:
    times = [fix.utc for fix in fixes if fix.utc is not None]
    placemark = _placemark(name, _LINE_STYLE, _span(min(times), max(times)) if times else None)
    line = etree.SubElement(placemark, "LineString")
    high = all(mean_sea_level_m(fix) is not None for fix in fixes)
    if high:
        line.append(_leaf("altitudeMode", "absolute"))
    else:
        line.append(_leaf("tessellate", "1"))
        line.append(_leaf("altitudeMode", "clampToGround"))
    line.append(_leaf("coordinates", " ".join(_coordinates(fix, high) for fix in fixes)))
    return placemark


def _stamp_point(fix: Fix) -> etree._Element:
    time = None if fix.utc is None else _moment(fix.utc)
    return _with_point(_placemark("" if fix.utc is None else iso_utc(fix.utc), _LINE_STYLE, time), fix)


def _pin(mark: Mark) -> etree._Element:
    assert mark.place is not None
    time = None
    if mark.utc is not None and mark.end_utc is not None and mark.end_utc > mark.utc:
        time = _span(mark.utc, mark.end_utc)
    elif mark.utc is not None:
        time = _moment(mark.utc)
    return _with_point(_placemark(f"run {mark.run}, {mark.name}", _pin_style(mark), time, mark.description), mark.place)


def _pin_style(mark: Mark) -> str:
    if mark.kind == "event" and mark.cause in ("high", "low"):
        return f"input_{mark.cause}"
    return mark.kind if mark.kind in ("gap", "glitch") else "event"


def _with_point(placemark: etree._Element, fix: Fix) -> etree._Element:
    point = etree.SubElement(placemark, "Point")
    high = mean_sea_level_m(fix) is not None
    point.append(_leaf("altitudeMode", "absolute" if high else "clampToGround"))
    point.append(_leaf("coordinates", _coordinates(fix, high)))
    return placemark


def _span(begin: dt.datetime, end: dt.datetime) -> etree._Element:
    span = etree.Element("TimeSpan")
    span.append(_leaf("begin", iso_utc(begin)))
    span.append(_leaf("end", iso_utc(end)))
    return span


def _moment(utc: dt.datetime) -> etree._Element:
    stamp = etree.Element("TimeStamp")
    stamp.append(_leaf("when", iso_utc(utc)))
    return stamp


def _coordinates(fix: Fix, high: bool) -> str:
    latitude, longitude = checked_position(fix)
    text = f"{decimal_text(longitude)},{decimal_text(latitude)}"
    height = mean_sea_level_m(fix)
    return f"{text},{decimal_text(height)}" if high and height is not None else text


def _style(name: str, colour: str, scale: str, turn: str) -> etree._Element:
    style = etree.Element("Style", id=name)
    icon = etree.SubElement(style, "IconStyle")
    icon.append(_leaf("color", colour))
    icon.append(_leaf("scale", scale))
    icon.append(_leaf("heading", turn))
    line = etree.SubElement(style, "LineStyle")
    line.append(_leaf("color", colour))
    line.append(_leaf("width", _LINE_WIDTH))
    return style


def _leaf(name: str, text: str) -> etree._Element:
    element = etree.Element(name)
    element.text = text
    return element
