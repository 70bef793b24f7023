"""The demo, run as a person runs it, held against demo_data/expected.toml and read back by an independent reader."""

from __future__ import annotations

import csv
import datetime as dt
import json
import os
import subprocess
import sys
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import gpxpy  # type: ignore[import-untyped]
import pytest
from offtake.jobs.measured import measured_batches
from offtake.journal.measured import gather
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from offtake.scenario import Scenario, load_scenario
from offtake.scenario.model import SensorsPlan
from offtake.scenario.truth import check_sensors


@pytest.fixture(scope="module", params=["firmware", "host core"])
def demo(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, str]:
    folder = tmp_path_factory.mktemp("demo") / "with a space"
    environment = dict(os.environ) | ({"OFFTAKE_NO_AVR": "1"} if request.param == "host core" else {})
    done = subprocess.run(
        [sys.executable, "-m", "offtake.demo", "-o", str(folder)],
        capture_output=True,
        text=True,
        env=environment,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return folder, done.stdout, str(request.param)


@pytest.fixture(scope="module")
def expected(repo_root: Path) -> dict[str, Any]:
    return tomllib.loads((repo_root / "demo_data/expected.toml").read_text(encoding="utf-8"))


def test_what_was_logged_is_what_was_sent(demo: tuple[Path, str, str], expected: dict[str, Any]) -> None:
    folder, _, _ = demo
    sent, logged = (folder / "sent.bin").read_bytes(), (folder / "kayak_run1.bin").read_bytes()
    assert expected["sent"]["bytes_at_least"] <= len(sent) <= expected["sent"]["bytes_at_most"]
    assert sent.startswith(logged)
    assert len(sent) - len(logged) <= expected["logged"]["lost_at_cut_at_most"]


def test_the_account_of_the_pulled_file(demo: tuple[Path, str, str], expected: dict[str, Any]) -> None:
    folder, _, recorder = demo
    data = (folder / "kayak.jnl").read_bytes()
    found = salvage(BytesSource(data))
    assert found.account.recovered + found.account.skipped_bytes == len(data)
    assert sum(run.lost_bytes for run in found.runs()) == expected["logged"]["counted_lost"]
    damaged = (found.account.skipped_bytes + 511) // 512
    assert recorder != "firmware" or damaged == expected["card"]["blocks_damaged"]


def test_the_track_by_an_independent_reader(demo: tuple[Path, str, str], expected: dict[str, Any]) -> None:
    folder, _, _ = demo
    track = expected["track"]
    points = [
        point
        for one in gpxpy.parse((folder / "kayak.gpx").read_text(encoding="utf-8")).tracks
        for segment in one.segments
        for point in segment.points
    ]
    assert track["fixes_at_least"] <= len(points) <= track["fixes_at_most"]
    assert points[0].time == track["first_utc"]
    assert points[0].latitude == pytest.approx(track["first_latitude_deg"], abs=1e-8)
    assert points[0].longitude == pytest.approx(track["first_longitude_deg"], abs=1e-8)
    for name, value in (
        ("south_deg", min(point.latitude for point in points)),
        ("north_deg", max(point.latitude for point in points)),
        ("west_deg", min(point.longitude for point in points)),
        ("east_deg", max(point.longitude for point in points)),
    ):
        assert value == pytest.approx(track[name], abs=1e-6)
    assert len(json.loads((folder / "kayak.geojson").read_text(encoding="utf-8"))["features"]) > 0


def _measured(folder: Path, message: str) -> list[dict[str, str]]:
    """A message's rows in the export, by Python's own reader."""
    with (folder / f"kayak_measured_{message}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_button_and_pulses_are_exported(demo: tuple[Path, str, str], expected: dict[str, Any]) -> None:
    folder, _, _ = demo
    sensors = expected["sensors"]
    events = _measured(folder, "event")
    assert [row["level"] for row in events] == ["low", "high"] * (sensors["button_turns"] // 2)
    first = dt.datetime.fromisoformat(events[0]["utc"])
    assert abs((first - sensors["first_press_utc"]).total_seconds()) * 1_000 <= sensors["first_press_within_ms"]
    counts = [int(row["count"]) for row in _measured(folder, "pulses")]
    assert counts == sorted(counts)
    assert sensors["pulses_at_least"] <= counts[-1] <= sensors["pulses_at_most"]


def test_voltages_and_air_are_exported(demo: tuple[Path, str, str], expected: dict[str, Any]) -> None:
    folder, _, recorder = demo
    if recorder != "firmware":
        assert not (folder / "kayak_measured_pressure.csv").exists(), "the core alone has no pressure sensor"
        return
    sensors = expected["sensors"]
    analogue = _measured(folder, "analogue")
    for column, name, count_mv in (("input_1_mv", "battery", 16_000 / 1_024), ("input_2_mv", "light", 5_000 / 1_024)):
        values = [int(row[column]) for row in analogue]
        assert max(values) == pytest.approx(sensors[f"{name}_high_mv"], abs=2 * count_mv)
        assert min(values) == pytest.approx(sensors[f"{name}_low_mv"], abs=2 * count_mv)
    air = _measured(folder, "pressure")
    for row, which in ((air[0], "first"), (air[-1], "last")):
        near = sensors["pressure_within_pa"], sensors["temperature_within_c"]
        assert float(row["pressure_pa"]) == pytest.approx(sensors[f"pressure_{which}_pa"], abs=near[0])
        assert float(row["temperature_c"]) == pytest.approx(sensors[f"temperature_{which}_c"], abs=near[1])


def _later(plan: SensorsPlan) -> SensorsPlan:
    assert plan.button is not None
    first, second, *others = plan.button.presses
    return replace(plan, button=replace(plan.button, presses=(first, (second[0] + 0.001, second[1]), *others)))


def _faster(plan: SensorsPlan) -> SensorsPlan:
    assert plan.pulses is not None
    rates = tuple((at_s, rate * 1.002) for at_s, rate in plan.pulses.rates)
    return replace(plan, pulses=replace(plan.pulses, rates=rates))


def _brighter(plan: SensorsPlan) -> SensorsPlan:
    assert plan.analogue_2 is not None
    points = tuple((at_s, mv + 40.0) for at_s, mv in plan.analogue_2.points)
    return replace(plan, analogue_2=replace(plan.analogue_2, points=points))


def _thinner(plan: SensorsPlan) -> SensorsPlan:
    assert plan.air is not None
    points = tuple((at_s, pa - 5.0, degc) for at_s, pa, degc in plan.air.points)
    return replace(plan, air=replace(plan.air, points=points))


@pytest.mark.parametrize(
    ("changed", "failed"),
    [(_later, 0), (_faster, 1), (_brighter, 3), (_thinner, 4)],
    ids=["later", "faster", "brighter", "thinner"],
)
def test_another_world_is_noticed(
    demo: tuple[Path, str, str], repo_root: Path, changed: Callable[[SensorsPlan], SensorsPlan], failed: int
) -> None:
    """Each of the demo's checks of the sensors can fail, and alone."""
    folder, _, recorder = demo
    scenario: Scenario = load_scenario(repo_root / "demo_data/kayak_survey.toml")
    assert scenario.sensors is not None
    found = salvage(BytesSource((folder / "kayak.jnl").read_bytes()))
    series = gather(measured_batches(found, 1))
    chip = recorder == "firmware"
    assert all(holds for _, holds in check_sensors(scenario, series, 69.0, chip=chip))
    other = replace(scenario, sensors=changed(scenario.sensors))
    results = [holds for _, holds in check_sensors(other, series, 69.0, chip=chip)]
    assert len(results) == (5 if chip else 2)
    assert [index for index, holds in enumerate(results) if not holds] == ([failed] if failed < len(results) else [])


def test_the_demo_fits_80_columns_and_says_that_all_held(demo: tuple[Path, str, str]) -> None:
    folder, text, _ = demo
    assert "FAILED" not in text
    lines = [line for line in text.splitlines() if "/" not in line or str(folder) not in line]
    assert max(len(line) for line in lines if "firmware.elf" not in line) <= 80
    assert text.count("holds   ") >= 4
