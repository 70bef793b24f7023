"""The tutorial in DEVELOPERS.md, done word for word in a copy of the checkout, with what it shows and counts."""

from __future__ import annotations

import difflib
import os
import resource
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from kit_definitions import has_own_messages
from offtake.firmware_build import toolchain_missing
from tutorial_text import Command, Edit, Said, agrees, apply, said, section, steps

HEAD = "Tutorial: log something of your own"
SPEC = Path("shared_spec/messages.toml")
SPEC_LINES_MAX = 12
"""Lines touched by hand to add a message, with one call in the firmware: what the kit promises."""
CPU_S_MAX = 60.0
"""All commands together, of the processor's time, so that a busy computer fails no test."""


def copy_checkout(root: Path, to: Path) -> None:
    """The sources as they are now, committed in a repository of their own, so that the text may use git."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=root,
        capture_output=True,
        check=True,
    ).stdout
    for name in listed.decode().split("\0"):
        source = root / name
        if name and source.is_file():
            target = to / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(source, target)
    for words in (["init", "-q"], ["add", "-A"], ["commit", "-q", "-m", "as it was"]):
        who = ["-c", "user.name=A User", "-c", "user.email=user@example.invalid", "-c", "core.autocrlf=false"]
        subprocess.run(["git", *who, *words], cwd=to, check=True, capture_output=True)


def surroundings(place: Path) -> dict[str, str]:
    """Variables under which `offtake` is the one of the checkout that the shell stands in."""
    shims = place / "bin"
    shims.mkdir()
    run = f'exec "{sys.executable}" -c "import sys; from offtake.cli import main; sys.exit(main())" "$@"'
    shim = shims / "offtake"
    shim.write_text(f'#!/bin/sh\nexport PYTHONPATH="${{PYTHONPATH:-$PWD/host}}"\n{run}\n', encoding="utf-8")
    shim.chmod(0o755)
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHONPATH", "GIT_"))}
    return kept | {"PATH": f"{shims}:{os.environ['PATH']}", "TZ": "UTC", "COLUMNS": "80", "LC_ALL": "C.UTF-8"}


class Player:
    """Does what the text says, in the copy, and notes what it took."""

    def __init__(self, copy: Path, variables: dict[str, str]) -> None:
        self.copy = copy
        self.variables = variables

    def play(self, part: str) -> Said:
        """One part: what it took. AssertionError where it does not go as the text says."""
        spec_before = self._spec_lines()
        commands = edits = calls = 0
        for step in steps(part):
            if isinstance(step, Edit):
                apply(step, self.copy)
                edits += 1
                calls += sum("ot_log_" in line for line in step.added if step.path.startswith("firmware/"))
            else:
                commands += 1
                self._run(step)
        changes = difflib.ndiff(spec_before, self._spec_lines())
        spec_lines = sum(line.startswith("+ ") for line in changes)
        return Said(commands, edits, spec_lines, calls)

    def _spec_lines(self) -> list[str]:
        return [line for line in (self.copy / SPEC).read_text(encoding="utf-8").splitlines() if line.strip()]

    def _run(self, step: Command) -> None:
        done = subprocess.run(
            ["sh", "-c", step.line],
            cwd=self.copy,
            env=self.variables,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        said_so = f"$ {step.line}\n{done.stdout}{done.stderr}"
        assert done.returncode == 0, f"{said_so}\nexit code {done.returncode}"
        shown = "\n".join(step.shown)
        assert agrees(step, done.stdout), f"{said_so}\n\nthe text shows:\n{shown}"


def parts(text: str) -> list[str]:
    """The parts of the tutorial that say what they take."""
    return [part for part in text.split("\n### ") if said(part)]


@pytest.fixture
def text(repo_root: Path) -> str:
    return section((repo_root / "DEVELOPERS.md").read_text(encoding="utf-8"), HEAD)


@pytest.mark.skipif(has_own_messages(), reason="has messages from code 64 on: the tutorial adds the first")
@pytest.mark.skipif(bool(toolchain_missing()), reason="no AVR toolchain")
def test_the_tutorial_goes_as_written(text: str, repo_root: Path, tmp_path: Path) -> None:
    copy = tmp_path / "offtake"
    copy.mkdir()
    copy_checkout(repo_root, copy)
    player = Player(copy, surroundings(tmp_path))
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    for part in parts(text):
        took = player.play(part)
        assert said(part) == [took], part.splitlines()[0]
        assert took.spec_lines <= SPEC_LINES_MAX
        assert took.calls <= 1
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime < CPU_S_MAX


def test_the_tutorial_has_parts_with_steps(text: str) -> None:
    found = parts(text)
    assert len(found) >= 2
    assert all(any(isinstance(step, Edit) for step in steps(part)) for part in found)
    assert all(any(isinstance(step, Command) for step in steps(part)) for part in found)
