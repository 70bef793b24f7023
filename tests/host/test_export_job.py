"""`offtake export` from journal to files: what it says of a run as a whole, and what it lists."""

from __future__ import annotations

import csv
from functools import reduce
from operator import xor
from pathlib import Path

import pytest
from journal_maker import Maker, run_start
from offtake.generated.records import EndReason, Raw, RunEnd, RunStart
from offtake.jobs.export import export

TICKS_PER_S = 250_000


def journal(path: Path, bursts: list[tuple[int, bytes]], end_s: int) -> Path:
    """A journal of one run with ``bursts`` at whole seconds, ended by a desk."""
    maker = Maker(len(bursts) + 3)
    maker.run = 1
    maker.block(0, [(RunStart.CODE, 0, run_start().encode())])
    for second, data in bursts:
        maker.block(second * TICKS_PER_S, [(Raw.CODE, 0, data)])
    maker.block(end_s * TICKS_PER_S, [(RunEnd.CODE, 0, RunEnd(EndReason.DESK).encode())])
    path.write_bytes(maker.used())
    return path


def rmc(second: int, latitude_min: float) -> bytes:
    body = (
        f"GNRMC,12{second // 60:02d}{second % 60:02d}.00,A,01{latitude_min:08.5f},N,00230.25000,E,9.72,0.0,010524,,,A"
    )
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


def test_the_way_leaves_out_a_jump_there_and_back(tmp_path: Path) -> None:
    # 5 m/s to the north is about 0.0027129 minutes of latitude a second at this latitude (110,575 m a degree).
    minutes = [30.0 + n * 5 / 110_575 * 60 for n in range(100)]
    jumped = [one + (0.5 if 50 <= n < 53 else 0.0) for n, one in enumerate(minutes)]
    source = journal(tmp_path / "j.jnl", [(1 + n, rmc(n, one)) for n, one in enumerate(jumped)], 101)
    done = export(source, ["csv"], tmp_path / "j")
    assert done.summary.distance_m == pytest.approx(99 * 5, abs=1)


def test_a_run_in_which_nothing_was_understood_is_one_gap(tmp_path: Path) -> None:
    source = journal(tmp_path / "n.jnl", [(1 + n, b"\x00\xffnoise") for n in range(20)], 30)
    done = export(source, ["csv", "gpx", "kml", "geojson"], tmp_path / "n")
    assert done.summary.epochs == 0
    with (tmp_path / "n_events.csv").open(newline="", encoding="utf-8") as lines:
        (gap,) = [row for row in csv.DictReader(lines) if row["kind"] == "gap"]
    assert (gap["cause"], gap["duration_s"], gap["first_fix"], gap["last_fix"]) == ("nothing_heard", "30", "", "")
