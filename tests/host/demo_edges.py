"""Makes demo_data/unknown_pad.csv and .vcd: two seconds of an invented receiver's line, as a logic probe would give
them.

Run it to write the files anew: ``python tests/host/demo_edges.py``.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
from offtake.scenario import load_scenario
from offtake.scenario.wire import scenario_wire

BAUD = 38_400
OFF = 0.004
"""The invented receiver's clock is this much too fast."""
JITTER_BITS = 0.01
SECONDS = 2.2
NOTE = "INVENTED: a receiver of demo_data/kayak_survey.toml, heard at 38,400 baud with a clock 0.4 % too fast"


def edges_us(root: Path) -> list[int]:
    """Times of the edges in tenths of a microsecond; the line begins high."""
    scenario = load_scenario(root / "demo_data" / "kayak_survey.toml")
    receiver = dataclasses.replace(scenario.receiver, baud=BAUD, rate_hz=1)
    wire = scenario_wire(dataclasses.replace(scenario, receiver=receiver))
    rng = np.random.default_rng(38_400)
    times = wire.edges_s[wire.edges_s < SECONDS] / (1.0 + OFF)
    times = times + rng.normal(0.0, JITTER_BITS / BAUD, len(times))
    return [round(float(time) * 1e7) for time in times]


def texts(root: Path) -> dict[str, str]:
    """The files' contents by name."""
    csv = [f"# {NOTE}", "time_us,pad_3", "0,1"]
    vcd = [
        f"$comment {NOTE} $end", "$timescale 100 ns $end", "$scope module probe $end", "$var wire 1 ! pad_3 $end",
        "$upscope $end", "$enddefinitions $end", "#0", "1!",
    ]  # fmt: skip
    level = 1
    for time in edges_us(root):
        level ^= 1
        csv.append(f"{time / 10:.1f},{level}")
        vcd += [f"#{time}", f"{level}!"]
    end = round(SECONDS * 1e7)
    csv.append(f"{end / 10:.1f},{level}")
    vcd.append(f"#{end}")
    return {"unknown_pad.csv": "\n".join(csv) + "\n", "unknown_pad.vcd": "\n".join(vcd) + "\n"}


if __name__ == "__main__":
    checkout = Path(__file__).resolve().parents[2]
    for name, text in texts(checkout).items():
        (checkout / "demo_data" / name).write_text(text, encoding="ascii")
