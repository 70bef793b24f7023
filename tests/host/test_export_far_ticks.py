"""Times that no logger has: a run's start that tells absurd ticks, damaged or made up, is exported all the same."""

from __future__ import annotations

import csv
from dataclasses import replace
from functools import reduce
from operator import xor
from pathlib import Path

import numpy as np
import pytest
from journal_maker import Maker, run_start
from numpy.typing import NDArray
from offtake.export.geojson import write_geojson
from offtake.export.inputs import ExportInput
from offtake.generated.records import Raw, RunStart, Supply
from offtake.jobs.export import export
from offtake.journal.events import RunEvent
from offtake.track.fix import Track
from offtake.track.timeline import TimeLine
from table_writers import write_events_csv, write_events_parquet

SUPPLY = (Supply.CODE, 0, Supply(3300, 5).encode())
LEAP = 2**32 - 2**24 - 1
"""The furthest that a tick can go on from one frame to the next."""


def epoch(second: int) -> tuple[int, int, bytes]:
    body = f"GNRMC,1200{second:02d}.00,A,0130.5,N,00230.25,E,0.0,,010524,,,A"
    return Raw.CODE, 0, f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


def journal(path: Path, blocks: list[tuple[int, list[tuple[int, int, bytes]]]]) -> Path:
    """A journal of one run whose ticks are said to be 4.3 s long."""
    maker = Maker(len(blocks) + 2)
    maker.run = 1
    maker.block(0, [(RunStart.CODE, 0, replace(run_start(), tick_ns=2**32 - 1).encode())])
    for open_tick, frames in blocks:
        maker.block(open_tick % 2**32, frames)
    path.write_bytes(maker.used())
    return path


@pytest.mark.parametrize("with_supply", [False, True])
def test_ticks_beyond_64_bits_are_no_crash(tmp_path: Path, with_supply: bool) -> None:
    # Some 600 times 2^32 ticks of 2^32 ns are more than 2^63 us.
    frames = [[epoch(n % 60), *([SUPPLY] if with_supply else [])] for n in range(600)]
    source = journal(tmp_path / "far.jnl", [(LEAP * (n + 1), frame) for n, frame in enumerate(frames)])
    done = export(source, ["gpx", "geojson", "csv", "parquet"], tmp_path / "far")
    assert done.summary.fixes == 600


class BeyondTheCalendar(TimeLine):
    """A time line on which every tick lies past the year 9999."""

    @property
    def usable(self) -> bool:
        return True

    def stamp_many(self, ticks_us: NDArray[np.int64]) -> tuple[NDArray[np.datetime64], NDArray[np.float64]]:
        return np.full(ticks_us.shape, "NaT", dtype="datetime64[us]"), np.full(ticks_us.shape, np.inf)


def test_an_event_past_the_calendar_has_no_time_and_the_export_is_whole(tmp_path: Path) -> None:
    event = RunEvent(1, 5, "supply", "", 0, "supply 3.30 V", 5, supply_mv=3300)
    inputs = ExportInput([Track(1, (), timeline=BeyondTheCalendar())], events=[event])
    write_geojson(inputs, tmp_path / "late.geojson")
    write_events_parquet(inputs, tmp_path / "late.parquet")
    write_events_csv(inputs, tmp_path / "late.csv")
    with (tmp_path / "late.csv").open(newline="", encoding="utf-8") as lines:
        (row,) = csv.DictReader(lines)
    assert (row["utc"], row["utc_uncertainty_s"], row["supply_mv"]) == ("", "", "3300")
