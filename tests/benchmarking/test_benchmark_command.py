"""tests/benchmarks explains itself, reads its limits strictly, and measures what it says."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import benchmark_table
import pytest
from bench_limits import BenchLimits, crossed, load_bench_limits, reached
from bench_rows import FOLDER_KIND, NAMES, Took, best, journals_beside, size_of
from bench_run import run_command
from offtake.errors import DamageError, InputOutputError, SpecError

HERE = Path(__file__).parent


def test_the_command_explains_itself() -> None:
    script = HERE.parent / "benchmarks"
    assert os.access(script, os.X_OK)
    subprocess.run(["bash", "-n", str(script)], check=True)
    command = [sys.executable, str(HERE / "benchmark_table.py")]
    shown = subprocess.run(
        [*command, "--help"], capture_output=True, text=True, check=True, env=os.environ | {"COLUMNS": "80"}
    )
    assert "example: tests/benchmarks " in shown.stdout
    assert max(map(len, shown.stdout.splitlines())) <= 80
    for wrong in (["--only", "nothing"], ["--largest", "1MiB"], ["--largest", "much"]):
        refused = subprocess.run([*command, *wrong], capture_output=True, text=True, check=False)
        assert refused.returncode == 2
        assert "Traceback" not in refused.stderr


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[targets", "not TOML"),
        ("[other]", r"the keys 'other' \(expected the tables limits, targets\)"),
        ("targets = 3\n[limits]", "targets: not a table"),
        ("[targets]\n[limits]\nspeed = 1", "limits: unknown key 'speed'"),
        ("[targets]\nverify = 0\n[limits]", "targets.verify: 0"),
        ("[targets]\nverify = true\n[limits]", "targets.verify: True"),
    ],
)
def test_what_is_wrong_with_the_limits_is_named(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "limits.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SpecError, match=told):
        load_bench_limits(NAMES, path)


def test_every_target_has_a_limit_that_is_no_stricter() -> None:
    committed = load_bench_limits(NAMES)
    assert set(committed.targets) <= set(committed.limits)
    assert not crossed(committed.limits, committed)


def test_limits_that_are_not_there_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputOutputError, match="cannot read the limits"):
        load_bench_limits(NAMES, tmp_path / "none.toml")


def test_ratios_are_held_from_below_growth_and_memory_from_above() -> None:
    limits = BenchLimits({"verify": 0.6, "peak_mib_raw": 300.0}, {"verify": 0.4, "growth_raw": 1.3})
    assert not crossed({"verify": 0.5, "growth_raw": 1.2}, limits)
    assert len(crossed({"verify": 0.3, "growth_raw": 1.4}, limits)) == 2
    assert not crossed({}, limits), "what was not measured is not judged"
    assert reached({"verify": 0.7, "peak_mib_raw": 301.0}, limits) == (1, 2)


def test_a_command_is_timed_with_its_memory() -> None:
    size = 50 * 2**20
    ran = run_command(
        [sys.executable, "-c", f"import time; a = b'x' * {size}; time.sleep(0.3); print(len(a))"], sampled=True
    )
    assert ran.output.strip() == str(size)
    assert ran.wall_s > 0.3 > ran.cpu_s
    assert size < ran.peak < 3 * size


def test_memory_counts_children_too() -> None:
    child = "import time; a = b'x' * (40 << 20); time.sleep(0.5)"
    start = f"subprocess.Popen([sys.executable, '-c', {child!r}])"
    code = f"import subprocess, sys; [one.wait() for one in [{start} for _ in 'ab']]"
    ran = run_command([sys.executable, "-c", code], sampled=True)
    assert ran.peak > 80 << 20


def test_a_command_that_fails_is_named() -> None:
    with pytest.raises(DamageError, match="exit code 3: out of paper"):
        run_command([sys.executable, "-c", "import sys; print('out of paper', file=sys.stderr); sys.exit(3)"])
    with pytest.raises(InputOutputError, match="cannot run none/such"):
        run_command(["none/such"])


def test_a_full_disk_is_told_before_anything_is_made(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(benchmark_table, "FOLDER", tmp_path)
    with pytest.raises(InputOutputError, match="GiB free"), benchmark_table.journal_of("text", 2**50):
        pass
    assert not list(tmp_path.rglob("*.jnl"))


def test_journals_are_removed_and_a_folder_holds_several(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(benchmark_table, "FOLDER", tmp_path)
    with benchmark_table.journal_of(FOLDER_KIND, 2**20) as journal:
        assert len(journals_beside(journal)) == 4
        assert size_of(journal) == 2**20
    assert not list(tmp_path.iterdir())


def test_the_best_round_counts() -> None:
    assert best([Took(2.0, 1.0, 8), Took(1.0, 3.0, 8)]).rate == 8.0
