"""The portable C passes gcc's warnings and cppcheck, and keeps those habits that a search can check."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

FOLDERS = ("firmware/core", "firmware/generated")
# What the core asks of a board, for the computer that runs the tests.
HOST_PORT = "firmware/port/host"
WARNINGS = ["-std=c99", "-Wpedantic", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Wvla", "-Werror"]
PROTOTYPES = ["-Wstrict-prototypes", "-Wmissing-prototypes"]


def sources(root: Path, pattern: str) -> list[Path]:
    found = [path for folder in FOLDERS for path in sorted((root / folder).glob(pattern))]
    assert found, f"no {pattern} in {FOLDERS}"
    return found


def run(root: Path, command: list[str]) -> None:
    if shutil.which(command[0]) is None:
        pytest.fail(f"{command[0]} is not installed; host/setup tests installs it")
    done = subprocess.run(command, cwd=root, capture_output=True, text=True, check=False)
    assert done.returncode == 0, (done.stdout + done.stderr)[-6000:]


def test_gcc_has_no_warnings(repo_root: Path, tmp_path: Path) -> None:
    quotes = [f"-iquote{folder}" for folder in (*FOLDERS, HOST_PORT)]
    for source in sources(repo_root, "*.c"):
        output = str(tmp_path / (source.stem + ".o"))
        run(repo_root, ["gcc", *WARNINGS, *PROTOTYPES, "-O2", *quotes, "-c", str(source), "-o", output])


def test_every_header_stands_alone(repo_root: Path) -> None:
    quotes = [f"-iquote{folder}" for folder in (*FOLDERS, HOST_PORT)]
    for header in sources(repo_root, "*.h"):
        run(repo_root, ["gcc", *WARNINGS, *quotes, "-fsyntax-only", "-x", "c", str(header)])


def test_cppcheck_is_clean(repo_root: Path) -> None:
    includes = [f"-I{folder}" for folder in (*FOLDERS, HOST_PORT)]
    checks = ["--enable=warning,portability,performance", "--inline-suppr", "--suppress=missingIncludeSystem"]
    strict = ["--std=c99", "--error-exitcode=1", "--quiet"]
    run(repo_root, ["cppcheck", *checks, *strict, *includes, *map(str, sources(repo_root, "*.c"))])


# The project's habits: no vendor header, heap, floating point or struct laid over card bytes in the core.
BANNED = {
    "a vendor header": r"#\s*include\s*<(avr|util)/",
    "the heap": r"\b(malloc|calloc|realloc|free|alloca)\s*\(",
    "floating point": r"\b(float|double)\b",
    "a packed struct": r"__attribute__\s*\(\(\s*packed|#\s*pragma\s+pack",
}


@pytest.mark.parametrize("what", BANNED)
def test_core_does_without(repo_root: Path, what: str) -> None:
    comments = re.compile(r"/\*.*?\*/|//[^\n]*", re.DOTALL)
    for path in [*sources(repo_root, "*.c"), *sources(repo_root, "*.h")]:
        code = comments.sub("", path.read_text(encoding="utf-8"))
        found = re.search(BANNED[what], code)
        assert found is None, f"{path.relative_to(repo_root)} uses {what}: {found.group(0) if found else ''}"
