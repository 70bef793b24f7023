"""Every fuzz target for a bounded number of executions, drawn from one seed."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from fuzz_targets import CORPUS, PLANTED, TARGETS, Target, replay, run, unavailable

SEED = 1
LONG = os.environ.get("OFFTAKE_LONG") == "1"


def require(target: Target) -> None:
    if reason := unavailable(target):
        pytest.skip(reason)


@pytest.mark.parametrize("name", TARGETS)
def test_nothing_is_found(name: str, tmp_path: Path) -> None:
    target = TARGETS[name]
    require(target)
    runs = target.runs * (20 if LONG else 1)
    result = run(target, tmp_path, seed=SEED, runs=runs)
    assert not result.reason, f"{result.reason}: {result.findings}\n{result.output[-4000:]}"
    assert result.executions >= runs
    assert result.coverage >= result.coverage_seeds > 0


def test_a_python_finding_is_saved_and_can_be_replayed(tmp_path: Path) -> None:
    require(PLANTED)
    result = run(PLANTED, tmp_path, seed=SEED, runs=PLANTED.runs)
    assert len(result.findings) == 1
    assert "IndexError" in result.reason
    passed, said = replay(PLANTED, result.findings[0])
    assert not passed
    assert "IndexError" in said
    assert replay(PLANTED, sorted((CORPUS / "frame").iterdir())[0])[0]
