"""From an edge file on the disk to the right verdict, in both formats."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from offtake.probe.edge_csv import read_edge_csv
from offtake.probe.edge_probe import probe_edges
from offtake.probe.edge_vcd import read_edge_vcd
from offtake.probe.edges import EdgeCapture
from offtake.probe.model import Framing
from probe_lines import Case, capture_of
from probe_verdicts import Outcome, outcome
from vcd import VCDWriter

CASES = (
    Case("text", 9_600, errors=1e-2, seed=1),
    Case("b562", 115_200, Framing.parse("8E1"), True, 1e-3, seed=1),
    Case("rtcm3", 38_400, Framing.parse("8N2"), errors=1e-3, seed=1),
    Case("mixed", 460_800, inverted=True, errors=1e-4, seed=1),
)


def nanoseconds(capture: EdgeCapture) -> list[tuple[int, int]]:
    """Time and new level of each edge, after the level at the start; the end of the recording repeats the last."""
    levels = (np.arange(len(capture.times_s) + 1) + capture.level_before) % 2
    times = np.concatenate([[0.0], capture.times_s])
    lines = [(round(time * 1e9), int(level)) for time, level in zip(times, levels, strict=True)]
    return [*lines, (round(capture.ended_s * 1e9), lines[-1][1])]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.kind)
@pytest.mark.parametrize("kind", ["csv", "vcd"])
def test_an_edge_file_gives_the_right_verdict(case: Case, kind: str, tmp_path: Path) -> None:
    capture = capture_of(case, 2.1)
    path = tmp_path / f"pad.{kind}"
    if kind == "csv":
        text = "".join(f"{time_ns / 1e3:.3f},{level}\n" for time_ns, level in nanoseconds(capture))
        path.write_text("time_us,pad\n" + text, encoding="ascii")
        read = read_edge_csv(path)
    else:
        with path.open("w", encoding="ascii") as file, VCDWriter(file, timescale="1 ns") as writer:
            pad = writer.register_var("board", "pad", "wire", size=1, init=int(capture.level_before))
            for time_ns, level in nanoseconds(capture)[1:]:
                writer.change(pad, time_ns, level)
        read = read_edge_vcd(path, "pad")
    assert len(read.times_s) == len(capture.times_s)
    assert read.times_s == pytest.approx(capture.times_s, abs=1e-9)
    verdict = probe_edges(read)
    assert outcome(case, verdict, can_invert=True) is Outcome.RIGHT, verdict
    assert verdict.measured_baud == pytest.approx(case.baud, rel=0.017)
