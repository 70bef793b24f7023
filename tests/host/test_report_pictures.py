"""The report's pictures: what is drawn where, and their files."""

from __future__ import annotations

import hashlib
import struct
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from offtake.errors import InputOutputError, UsageError
from offtake.report.build import Report, build_report
from offtake.report.draw_bands import joined, lanes_of
from offtake.report.draw_map import thinned, track_picture, way_of
from offtake.report.draw_time import limits_of, plots_of
from offtake.report.palette import LIGHT
from offtake.report.pen import NARROW, WIDE, Pen, clock, elapsed, step_for
from offtake.report.series import RunSeries
from offtake.report.write import write_page, write_pictures
from offtake.track.fix import Fix
from report_worlds import START_UTC, World, make_hostile, make_input, make_run

EXPECTED = ("accuracy", "bands", "card", "cn0", "dilution", "height", "late", "rest_1", "rest_2", "satellites", "speed",
            "supply", "track")  # fmt: skip


@pytest.fixture(scope="module")
def series() -> RunSeries:
    return RunSeries(make_run(World(epochs=1200)))


@pytest.fixture(scope="module")
def report() -> Report:
    return build_report(make_input(World(epochs=1200)))


def test_pictures_are_written_once(report: Report, tmp_path: Path) -> None:
    folder = tmp_path / "new" / "pictures"
    paths = write_pictures(report, folder)
    assert sorted(path.name for path in paths) == [f"run1_{name}.png" for name in EXPECTED]
    for path in paths:
        data = path.read_bytes()
        assert data.startswith(b"\x89PNG\r\n\x1a\n")
        width, height = struct.unpack(">II", data[16:24])
        assert width == (2 * 380 if "rest" in path.name else 2 * WIDE.width)
        assert height > 100
        assert b"tIME" not in data
        assert b"Software" not in data
    before = {path: path.read_bytes() for path in paths}
    with pytest.raises(UsageError, match="exists already"):
        write_pictures(report, folder)
    assert write_pictures(report, folder, replace=True) == paths
    assert {path: path.read_bytes() for path in paths} == before


def test_no_name_of_a_log_becomes_a_path() -> None:
    for picture in build_report(make_hostile()).pictures:
        assert picture.name.replace("_", "").isalnum(), picture.name


def test_page_is_written_whole_or_not_at_all(report: Report, tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    assert write_page(report, path) == len(report.html) == path.stat().st_size
    with pytest.raises(UsageError, match="exists already"):
        write_page(report, path)
    with pytest.raises(InputOutputError):
        write_page(report, tmp_path / "missing" / "page.html")
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(InputOutputError, match="cannot make the folder"):
        write_pictures(report, tmp_path / "file")


def test_settings_of_the_user_change_nothing(report: Report, monkeypatch: pytest.MonkeyPatch) -> None:
    import matplotlib

    picture = next(one for one in report.pictures if one.name == "run1_speed")
    before = hashlib.sha256(picture.png()).hexdigest()
    with matplotlib.rc_context(
        {"lines.linewidth": 9, "font.size": 40, "axes.facecolor": "red", "svg.fonttype": "path"}
    ):
        assert hashlib.sha256(picture.png()).hexdigest() == before
        assert matplotlib.rcParams["font.size"] == 40
        assert build_report(make_input(World(epochs=1200))).html == report.html


def test_doubted_fixes_do_not_set_the_maps_scale(series: RunSeries) -> None:
    way = way_of(series)
    picture = track_picture(series, way, "run1_track")
    west, east, south, north = picture.extents[0]
    sound = ~way.doubted
    assert way.doubted.sum() == 3
    assert np.all((way.east[sound] > west) & (way.east[sound] < east))
    assert np.all((way.north[sound] > south) & (way.north[sound] < north))
    assert float(way.east[way.doubted].max()) > east
    assert "3 fixes are doubted" in picture.caption


@pytest.mark.parametrize(("form", "place"), [(WIDE, 0), (NARROW, 1)])
def test_both_axes_of_the_map_have_one_scale(series: RunSeries, form: object, place: int) -> None:
    picture = track_picture(series, way_of(series), "run1_track")
    shape, sheet = picture.formats[place]
    assert shape is form
    west, east, south, north = picture.extents[place]
    across = (east - west) / (shape.width - shape.left - shape.right)
    assert (north - south) / (sheet.height - sheet.top - sheet.bottom) == pytest.approx(across)


def test_map_places_are_metres(series: RunSeries) -> None:
    """Against the invented way itself: the first fix of the second stay lies where the way led."""
    way = way_of(series)
    fixes = series.fixes
    first, last = fixes[int(way.index[0])], fixes[int(way.index[-1])]
    assert first.latitude_deg is not None
    assert last.latitude_deg is not None
    # 111.2 km a degree were used to invent it; the ellipsoid has 111.17 km at that latitude.
    assert way.north[-1] - way.north[0] == pytest.approx((last.latitude_deg - first.latitude_deg) * 111_170, rel=1e-3)


def test_thinned_way_stays_close_and_short(series: RunSeries) -> None:
    way = way_of(series)
    kept, step = thinned(way, 5.0)
    assert step == 5.0
    assert {0, len(way.index) - 1} <= set(kept.tolist())
    for index in np.flatnonzero(~way.doubted).tolist():
        near = kept[max(0, int(np.searchsorted(kept, index, side="right")) - 1)]
        apart = max(abs(way.east[index] - way.east[near]), abs(way.north[index] - way.north[near]))
        assert apart < 5.0
    assert len(thinned(way, 1e-6)[0]) <= len(way.index)


def test_a_way_that_fills_the_picture_is_drawn_coarser() -> None:
    run = make_run(World(epochs=300, calm=True))
    random = np.random.default_rng(4)
    places = random.uniform(-0.01, 0.01, (40_000, 2))
    fixes = tuple(
        Fix(1, number * 100_000, latitude_deg=-40 + float(lat), longitude_deg=10 + float(lon), fix_type="3d")
        for number, (lat, lon) in enumerate(places)
    )
    wild = replace(run, track=replace(run.track, fixes=fixes), analysis=replace(run.analysis, gaps=(), glitches=()))
    kept, step = thinned(way_of(RunSeries(wild)), 0.01)
    assert len(kept) <= 24_000
    assert step > 0.01


def test_lanes_tell_every_kind_that_occurred(series: RunSeries) -> None:
    labels = [lane.label for lane in lanes_of(series)]
    assert labels == [
        "gap: epochs without a position", "gap: bytes lost by the logger", "glitch: jumps of the position",
        "loss: the ring was full", "loss: a byte without its stop bit",
    ]  # fmt: skip


def test_bands_too_short_to_see_are_widened_and_joined() -> None:
    assert joined(((1.0, 1.0), (1.5, 1.5), (9.0, 20.0), (30.0, 30.0)), 2.0, 30.0) == [
        (1.0, 2.5), (9.0, 11.0), (28.0, 2.0),
    ]  # fmt: skip


def test_a_value_far_off_does_not_press_the_rest_flat(series: RunSeries) -> None:
    fixes = list(series.fixes)
    fixes[600] = replace(fixes[600], speed_m_s=800.0)
    run = replace(series.run, track=replace(series.run.track, fixes=tuple(fixes)))
    plots = {plot.name: plot for plot in plots_of(RunSeries(run))}
    limits = limits_of(plots["speed"])
    assert limits.greatest < 40
    assert limits.outside == 1
    # The card's busy times are there for their peaks.
    assert limits_of(plots["card"]).outside == 0


def test_shared_time_axis(report: Report) -> None:
    """Every picture over time has its axes at the same place and over the same span."""
    timed = [one for one in report.pictures if one.kind == "time"]
    spans = set()
    for picture in timed:
        for form, sheet in picture.formats:
            pen = Pen(form, sheet, LIGHT)
            assert picture.draw is not None
            picture.draw(pen)
            (axes,) = pen.figure.axes
            box = axes.get_position()
            assert (box.x0 * form.width, box.x1 * form.width) == pytest.approx((form.left, form.width - form.right))
            spans.add(axes.get_xlim())
    assert len(timed) == 10
    assert len(spans) == 1


@pytest.mark.parametrize(
    ("length_s", "marks", "step"), [(45, 8, 10), (2400, 8, 300), (86_400, 8, 10_800), (1e9, 8, 1.25e8)]
)
def test_time_marks_are_round(length_s: float, marks: int, step: float) -> None:
    assert step_for(length_s, marks) == step


def test_time_marks_are_read_as_people_write_them() -> None:
    assert [elapsed(s, 600) for s in (0, 600, 4200)] == ["0", "10 min", "1 h 10"]
    assert [elapsed(s, 30) for s in (30, 90)] == ["30 s", "1 min 30"]
    assert elapsed(200_000, 10_800) == "2 d 7 h"
    assert clock(START_UTC, 600, 300) == "21:50"
    assert clock(START_UTC, 8400, 3600) == "15 Mar"
    assert clock(START_UTC, 5, 5) == "21:40:05"
    assert clock(START_UTC, 1e15, 5) == ""


def test_a_track_of_one_fix_needs_no_key() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        report = build_report(make_input(World(epochs=1, calm=True, fixed_from=0.0)))
    assert report.pictures[0].draw is not None
