"""`tests/timelines`: how far UTC stamps are off on simulated runs, world by world."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "host"))

from timeline_worlds import WORLDS, World, errors_s

P95_LIMIT_MS = 2.0
MAX_LIMIT_MS = 500.0
"""No stamp may be a whole second off, nor near to it."""


def measure(world: World) -> dict[str, float | int | str]:
    """Figures of one world: errors of its bytes, in milliseconds, and how many lie within the uncertainty."""
    errors, uncertainty, line = errors_s(world)
    away = np.abs(errors) * 1e3
    return {
        "world": world.name,
        "p50_ms": float(np.median(away)),
        "p95_ms": float(np.percentile(away, 95)),
        "max_ms": float(away.max()),
        "within": float(np.mean(np.abs(errors) <= uncertainty)),
        "drift_ppm": float(line.drift_ppm or 0.0),
        "rejected": line.marks_rejected,
    }


def crossed(row: dict[str, float | int | str]) -> bool:
    """Whether a world breaks a limit."""
    return float(row["p95_ms"]) > P95_LIMIT_MS or float(row["max_ms"]) > MAX_LIMIT_MS or float(row["within"]) < 0.95


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="tests/timelines",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description=f"""\
How far the time line's UTC is off, on simulated runs: a logger's clock that is
wrong and drifts, a receiver that tells the time late, seldom or wrongly. The
true UTC of 2,000 random bytes of each run is compared with their stamps. The
exit code is 1 when 95 % are not within {P95_LIMIT_MS:.0f} ms, one is off by {MAX_LIMIT_MS:.0f} ms or
more, or fewer than 95 % lie within the uncertainty told with them.""",
        epilog="example: tests/timelines --json timelines.json",
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures to FILE too")
    options = parser.parse_args()
    rows = [measure(world) for world in WORLDS]
    print(f"{'simulated run':31}{'p50 ms':>8}{'p95 ms':>8}{'max ms':>8}{'within':>8}{'ppm':>8}{'out':>6}")
    for row in rows:
        mark = "  <- crossed" if crossed(row) else ""
        print(
            f"{row['world']:31}{row['p50_ms']:8.3f}{row['p95_ms']:8.3f}{row['max_ms']:8.3f}"
            f"{row['within']:8.1%}{row['drift_ppm']:z8.0f}{row['rejected']:6}{mark}"
        )
    if options.json:
        options.json.write_text(json.dumps({"schema": "offtake.timelines/1", "worlds": rows}, indent=2) + "\n")
    bad = sum(map(crossed, rows))
    print(f"timelines: {bad} of {len(rows)} worlds crossed a limit")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
