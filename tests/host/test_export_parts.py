"""Long runs are exported part by part: the same tables, and no more than a part in memory."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from measured_logs import TICKS_PER_S, Log, own_descriptions, rmc
from offtake.export import positions as positions_module
from offtake.export.positions import Positions
from offtake.export.rows import PositionCounter
from offtake.generated.records import Event, Level, Pulses
from offtake.jobs import export_summary
from offtake.jobs.export import ExportResult, export
from offtake.track import parts
from offtake.track.analysis import Analysis, Gap
from offtake.track.fix import Fix, Track
from offtake.track.fixes import FixColumns
from offtake.track.summary import summarize

SECONDS = 1_500


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Gaps, a jump, and events before the first position."""
    log = Log().run(own_descriptions())
    for second in range(SECONDS):
        tick = (second + 2) * TICKS_PER_S
        if second < 5 or 700 <= second < 760:
            log.say(second + 2, "GNRMC,,V,,,,,,,,,,N")
        else:
            log.say(second + 2, rmc(second, 30 + second * 0.0027 + (0.5 if second in (900, 901) else 0.0)))
        if second % 90 == 1:
            log.put(Event.CODE, tick + 900, Event(Level.LOW, 0).encode())
        log.put(Pulses.CODE, tick + 1_000, Pulses(second, 10).encode())
    path = tmp_path_factory.mktemp("parts") / "a.jnl"
    path.write_bytes(log.data())
    return path


def exported(journal: Path, stem: Path, monkeypatch: pytest.MonkeyPatch, epochs: int | None) -> ExportResult:
    with monkeypatch.context() as patch:
        if epochs is not None:
            patch.setattr(parts, "PART_EPOCHS", epochs)
            patch.setattr(parts, "OVERLAP_EPOCHS", 120)
            patch.setattr(positions_module, "_ROWS_IN_STRETCH", 50)
        return export(journal, ["csv", "parquet", "geojson"], stem, replace=True)


def rows(path: Path) -> list[dict[str, Any]]:
    if path.suffix == ".parquet":
        found: list[dict[str, Any]] = pq.read_table(path).to_pylist()
        return found
    with path.open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


@pytest.mark.parametrize("epochs", [200, 333])
def test_tables_of_a_run_in_parts_are_those_of_the_whole(
    epochs: int, journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = exported(journal, tmp_path / "whole", monkeypatch, None)
    dealt = exported(journal, tmp_path / "parts", monkeypatch, epochs)
    for ending in (".csv", "_fixes.parquet"):
        assert rows(tmp_path / f"parts{ending}") == rows(tmp_path / f"whole{ending}")
    kept = ("kind", "cause", "tick_us", "end_tick_us", "first_fix", "last_fix", "latitude_deg", "place_s")
    events = [
        [tuple(row[name] for name in kept) for row in rows(tmp_path / f"{one}_events.csv")]
        for one in ("whole", "parts")
    ]
    assert events[1] == events[0]
    assert {row[0] for row in events[0]} >= {"gap", "glitch", "event"}
    for name in ("tick_us", "latitude_deg", "longitude_deg", "place_s", "count"):
        some = [[row[name] for row in rows(tmp_path / f"{one}_measured_pulses.csv")] for one in ("whole", "parts")]
        assert some[1] == some[0], name
    assert [file.counts for file in dealt.files] == [file.counts for file in whole.files]
    assert dealt.summary is not None
    assert whole.summary is not None
    assert (dealt.summary.epochs, dealt.summary.fixes, dealt.summary.bounds, dealt.summary.first_utc) == (
        whole.summary.epochs, whole.summary.fixes, whole.summary.bounds, whole.summary.first_utc
    )  # fmt: skip
    assert dealt.summary.distance_m == pytest.approx(whole.summary.distance_m, rel=0.01)
    maps = [(tmp_path / f"{one}.geojson").read_bytes() for one in ("whole", "parts")]
    assert maps[0] == maps[1], "a map is drawn of the whole run"


def scattered(seed: int, count: int) -> FixColumns:
    """Positions in nearly the order of their ticks, some missing, some at one tick."""
    rng = np.random.default_rng(seed)
    ticks = np.sort(rng.integers(0, 20 * count, count)) + rng.integers(-30, 30, count)
    latitude = np.where(rng.random(count) < 0.2, np.nan, rng.uniform(-90, 90, count))
    longitude = np.where(
        np.isnan(latitude), np.nan, np.where(rng.random(count) < 0.1, 180.0, rng.uniform(-180, 180, count))
    )
    return FixColumns.from_columns(1, ticks, {"latitude_deg": latitude, "longitude_deg": longitude})


@pytest.mark.parametrize("seed", range(5))
def test_the_position_before_is_the_same_however_many_lie_on_disk(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(positions_module, "_ROWS_IN_STRETCH", 7)
    fixes = scattered(seed, 300)
    found = Positions()
    for first in range(0, 300, 60):
        found.add(fixes[first : first + 60], first)
    asked = np.random.default_rng(seed).integers(-50, 6_100, 500)
    places = found.before(asked)
    listed = sorted(((fix.tick_us, row) for row, fix in enumerate(fixes) if fix.has_position))
    for index, tick in enumerate(asked.tolist()):
        before = [one for one in listed if one[0] <= tick]
        tick_us, row = before[-1] if before else listed[0]
        assert (places.row[index], places.tick_us[index]) == (row, tick_us)
        assert places.latitude_deg[index] == fixes[row].latitude_deg
        assert -180.0 <= places.longitude_deg[index] < 180.0
        shown = found.at_row(1, row)
        assert shown is not None
        assert (shown.tick_us, shown.latitude_deg) == (tick_us, fixes[row].latitude_deg)
    missing = np.flatnonzero(~fixes.has_position).tolist()
    assert all(found.at_row(1, row) is None for row in [*missing, 300])
    nowhere = Positions().before(asked)
    assert np.isnan(nowhere.latitude_deg).all()


def test_positions_and_segments_are_counted_over_the_seams() -> None:
    fixes = scattered(3, 100)
    gaps = [Gap(1, "nothing_heard", 0, 1, None, None, one - 1, one) for one in (40, 41, 77)]
    whole = PositionCounter()
    whole.add(fixes, Analysis(1, 1.0, gaps=tuple(gaps)))
    for cuts in ([0, 50, 100], [0, 40, 77, 100], [0, 1, 2, 41, 99, 100]):
        counter = PositionCounter()
        for first, stop in pairwise(cuts):
            inside = [
                Gap(1, "nothing_heard", 0, 1, None, None, None, gap.last - first)
                for gap in gaps if gap.last is not None and first <= gap.last < stop
            ]  # fmt: skip
            counter.add(fixes[first:stop], Analysis(1, 1.0, gaps=tuple(inside)), continued=first > 0)
        assert counter.counts == whole.counts


def test_figures_of_parts_add_up() -> None:
    def fixes(*longitudes: float) -> list[Fix]:
        return [Fix(1, n, latitude_deg=1.0 + n, longitude_deg=one) for n, one in enumerate(longitudes)]

    for one, other in (([10.0, 20.0], [15.0, 30.0]), ([170.0, 179.0], [-179.0, -170.0]), ([-175.0], [175.0, 170.0])):
        summed = export_summary.SummaryOfParts()
        for part in (one, other):
            summed.add(Track(1, fixes(*part)), 5.0)
        joined = summarize([Track(1, [*fixes(*one), *fixes(*other)])], gap_s=1e9)
        total = summed.summary(1)
        assert (total.bounds, total.fixes, total.distance_m, total.runs) == (joined.bounds, joined.fixes, 10.0, 1)
    assert export_summary.SummaryOfParts().summary(0) == summarize([], way_m=0.0)
