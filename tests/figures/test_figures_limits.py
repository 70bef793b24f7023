"""tests/limits.toml is read strictly, and the two commands explain themselves."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from figure_limits import LIMITS_FILE, load_limits
from offtake.errors import InputOutputError, SpecError

TEXT = LIMITS_FILE.read_text(encoding="utf-8")


def test_the_committed_file_is_whole() -> None:
    limits = load_limits()
    assert set(limits.boards) == {"atmega328p_16mhz", "atmega328p_8mhz"}
    assert limits.targets.stall_share_up_to_115200 == 0.70
    assert limits.memory.ram_bytes == 2048


WORST = r"receive_worst_cycles = [\d.]+"
NUMBER = r"\(expected a number, 0 or above\)"


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (r"\[targets\]", "[goals]", r"unknown key 'goals' \(expected one of limits, targets\)"),
        (r"\[limits\.atmega328p_8mhz\.cost\]", "[limits.other.cost]", "limits: unknown key 'other'"),
        (
            r"(?s)(\[limits\.atmega328p_16mhz\.cost\].*?)receive_worst_cycles",
            r"\1most",
            "16mhz.cost: unknown key 'most'",
        ),
        (rf"(?s)(\[limits\.atmega328p_16mhz\.cost\].*?){WORST}", r"\1", "key 'receive_worst_cycles' is missing"),
        (WORST, "receive_worst_cycles = true", f"targets.receive_worst_cycles: True {NUMBER}"),
        (WORST, "receive_worst_cycles = -1", f"targets.receive_worst_cycles: -1 {NUMBER}"),
        (WORST, "receive_worst_cycles = nan", f"targets.receive_worst_cycles: nan {NUMBER}"),
        (WORST, "receive_worst_cycles = '366'", f"targets.receive_worst_cycles: '366' {NUMBER}"),
        (r"38400 = ", "38401 = ", "stall_ms: unknown key '38401'"),
        (r"sustained_bd = [\d_]+", "", "limits.atmega328p_16mhz: key 'sustained_bd' is missing"),
        (r"sustained_bd = [\d_]+", "sustained_bd = 'fast'", "limits.atmega328p_16mhz.sustained_bd: 'fast'"),
        (r"\[targets\]", "[targets", "not TOML"),
        (r"\[targets\]", "targets = 3\n[other]", "unknown key 'other'"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, old: str, new: str, told: str) -> None:
    text, changes = re.subn(old, new, TEXT, count=1)
    assert changes == 1
    path = tmp_path / "limits.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SpecError, match=told) as caught:
        load_limits(path)
    assert str(caught.value).startswith(str(path))


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputOutputError, match=r"none\.toml: cannot read the limits"):
        load_limits(tmp_path / "none.toml")


@pytest.mark.parametrize(("name", "module"), [("stalls", "stall_table"), ("costs", "cost_table")])
def test_the_commands_explain_themselves(repo_root: Path, name: str, module: str) -> None:
    script = repo_root / "tests" / name
    assert os.access(script, os.X_OK)
    subprocess.run(["bash", "-n", str(script)], check=True)
    command = [sys.executable, str(repo_root / f"tests/figures/{module}.py")]
    shown = subprocess.run(
        [*command, "--help"], capture_output=True, text=True, check=True, env=os.environ | {"COLUMNS": "80"}
    )
    assert f"example: tests/{name} " in shown.stdout
    assert max(map(len, shown.stdout.splitlines())) <= 80
    wrong = subprocess.run([*command, "--board", "other"], capture_output=True, text=True, check=False)
    assert wrong.returncode == 2
