"""The Python of the project passes ruff and mypy --strict as host/pyproject.toml sets them up."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest


def run(root: Path, *command: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=root, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]


@pytest.mark.parametrize("folder", ["host/offtake", "tests", "firmware"])
def test_ruff_is_clean(repo_root: Path, folder: str) -> None:
    assert list((repo_root / folder).rglob("*.py"))
    run(repo_root, "ruff", "check", "--config", "host/pyproject.toml", folder)


def test_mypy_is_clean(repo_root: Path) -> None:
    run(repo_root, "mypy", "--config-file", "host/pyproject.toml", "--strict", "host/offtake")
