"""What reading costs, held against something public over the same bytes: a ratio that falls far is a failure.

Processor time, the best of a few rounds, and limits at a third of what was measured: neither a slow computer nor a busy
one crosses them, but work done frame by frame where it was done by the window does. Both with the compiled loops and
without.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from bench_journal import KINDS, MIB, make_journal
from bench_run import run_command
from bench_side import timed
from offtake.native import OFF, kernels

SIDE = Path(__file__).with_name("bench_side.py")
ROUNDS = 2
SIZE = 8 * MIB

# Of zlib.crc32 over the same bytes: with the compiled loops, and without.
LEAST = {
    "text": {
        "blocks": (0.25, 0.08),
        "frames": (0.05, 0.02),
        "verified": (0.09, 0.025),
        "stream": (0.04, 0.014),
        "columns": (0.03, 0.01),
        "fixes": (0.007, 0.0025),
    },
    "sensors": {"verified": (0.02, 0.008), "columns": (0.009, 0.004)},
    "binary": {"stream": (0.03, 0.014), "fixes": (0.006, 0.004)},
}
CONSTRUCT = (80, 35)
PYNMEA2 = (2.5, 1.3)
MODES = pytest.mark.parametrize("plain", [False, True], ids=["compiled", "plain"])


@pytest.fixture(scope="module")
def journals(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One of each kind."""
    folder = tmp_path_factory.mktemp("journals")
    return {kind: make_journal(folder / f"{kind}.jnl", kind, SIZE).path for kind in KINDS}


def rates(works: list[str], path: Path, plain: bool) -> dict[str, float]:
    """Bytes a second of processor time, of each work the best of a few rounds in a process of its own."""
    if not plain and kernels() is None:
        pytest.skip("no C compiler here")
    names = ",".join(works * ROUNDS)
    ran = run_command([sys.executable, SIDE, names, path], environment={OFF: "1"} if plain else {})
    told = [json.loads(line) for line in ran.output.splitlines()]
    return {name: max(one["bytes"] / one["cpu_s"] for one in told if one["work"] == name) for name in works}


def public_rate(name: str, path: Path, size: int | None = None, rounds: int = 2) -> float:
    """Likewise, of what the works are held against."""
    return max(float(one["bytes"] / one["cpu_s"]) for one in (timed(name, path, size) for _ in range(rounds)))


@MODES
@pytest.mark.parametrize("kind", KINDS)
def test_work_against_zlibs_crc32(journals: dict[str, Path], kind: str, plain: bool) -> None:
    public = public_rate("crc32", journals[kind], rounds=20)
    found = rates(list(LEAST[kind]), journals[kind], plain)
    ratios = {name: rate / public for name, rate in found.items()}
    assert not {name: ratio for name, ratio in ratios.items() if ratio < LEAST[kind][name][plain]}


@MODES
def test_columns_against_construct(journals: dict[str, Path], plain: bool) -> None:
    path = journals["sensors"]
    public = public_rate("construct", path, 128 * 1024)
    assert rates(["columns"], path, plain)["columns"] > CONSTRUCT[plain] * public


@MODES
def test_sentences_to_fixes_against_pynmea2(journals: dict[str, Path], plain: bool) -> None:
    path = journals["text"]
    public = public_rate("sentences", path, 512 * 1024)
    assert rates(["line_fixes"], path, plain)["line_fixes"] > PYNMEA2[plain] * public


@pytest.fixture(scope="module")
def long_journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Many windows: whatever grows with a journal grows past the margin below."""
    return make_journal(tmp_path_factory.mktemp("long") / "text.jnl", "text", 80 * MIB).path


@pytest.mark.parametrize("work", ["verified", "stream", "columns", "fixes"])
def test_memory_does_not_grow_with_the_journal(long_journal: Path, work: str) -> None:
    small, large = (peak_mib(work, long_journal, mib) for mib in (24, 80))
    assert large < small + 24.0
    assert large < 200.0


def peak_mib(work: str, path: Path, mib: int) -> float:
    """The most memory that the work takes in a process of its own, over the first so many MiB."""
    ran = run_command([sys.executable, SIDE, work, path, str(mib * MIB)])
    return float(json.loads(ran.output)["peak_rss"] / MIB)
