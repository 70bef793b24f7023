"""The demo, run as a person runs it, held against demo_data/expected.toml and read back by an independent reader."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import gpxpy  # type: ignore[import-untyped]
import pytest
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource


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


def test_the_demo_fits_80_columns_and_says_that_all_held(demo: tuple[Path, str, str]) -> None:
    folder, text, _ = demo
    assert "FAILED" not in text
    lines = [line for line in text.splitlines() if "/" not in line or str(folder) not in line]
    assert max(len(line) for line in lines if "firmware.elf" not in line) <= 80
    assert text.count("holds   ") >= 4
