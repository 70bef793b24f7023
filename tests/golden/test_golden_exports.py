"""Golden journals exported with today's code: the receiver's bytes and the measurements that they held."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from offtake.generated.records import MESSAGES
from offtake.jobs.export import export

HERE = Path(__file__).resolve().parent
JOURNALS = sorted(HERE.glob("release_*/*.jnl"))

each_journal = pytest.mark.parametrize("path", JOURNALS, ids=[f"{one.parent.name}/{one.name}" for one in JOURNALS])


def frames_of(path: Path) -> list[dict[str, Any]]:
    """The frames that the journal's file of values lists."""
    frames: list[dict[str, Any]] = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))["frames"]
    return frames


@each_journal
def test_the_receivers_bytes_come_out_whole(path: Path, tmp_path: Path) -> None:
    exported = export(path, ("raw",), tmp_path / "old")
    written = b"".join(file.path.read_bytes() for file in exported.files)
    frames = [one for one in frames_of(path) if one["name"] in ("raw", "raw_more")]
    assert written == b"".join(bytes.fromhex(one["values"]["data"]) for one in frames)
    assert written


@each_journal
def test_measurements_come_out_with_their_names_and_values(path: Path, tmp_path: Path) -> None:
    export(path, ("csv",), tmp_path / "old")
    expected: dict[str, list[dict[str, Any]]] = {}
    for frame in frames_of(path):
        if MESSAGES[frame["code"]].ROLE == "sensor":
            expected.setdefault(frame["name"], []).append({"run": frame["run"], **frame["values"]})
    files = {one.stem.removeprefix("old_measured_"): one for one in tmp_path.glob("old_measured_*.csv")}
    assert set(files) == set(expected)
    for name, rows in expected.items():
        with files[name].open(encoding="utf-8", newline="") as file:
            found = list(csv.DictReader(file))
        assert len(found) == len(rows)
        for cells, values in zip(found, rows, strict=True):
            # An analogue input that is not wired has no reading: nothing is written instead of its 0.
            assert all(cells[key] == str(value) or (value, cells[key]) == (0, "") for key, value in values.items())
