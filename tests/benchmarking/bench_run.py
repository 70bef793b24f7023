"""Runs one side of a comparison as a process of its own: how long it took, and the memory it had at the most."""

from __future__ import annotations

import os
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from offtake.errors import DamageError, InputOutputError

_SAMPLE_S = 0.02
_TOLD_MAX = 4096


@dataclass(frozen=True)
class Ran:
    """One run of a command. ``cpu_s`` includes its children. ``peak`` (bytes): the most memory that all its processes
    held together, what several share counted once; 0 where it was not looked at."""

    wall_s: float
    cpu_s: float
    peak: int
    output: str


def run_command(
    command: Sequence[str | Path], *, sampled: bool = False, environment: dict[str, str] | None = None
) -> Ran:
    """Run a command to its end, its memory ``sampled`` fifty times a second if asked for.

    :raises InputOutputError: it cannot be started. :raises DamageError: its exit code is not 0.
    """
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as told:
        began = time.perf_counter()
        try:
            process = subprocess.Popen(
                [str(part) for part in command],
                stdin=subprocess.DEVNULL, stdout=out, stderr=told, env=os.environ | (environment or {}),
            )  # fmt: skip
        except OSError as error:
            raise InputOutputError(f"cannot run {command[0]}: {error.strerror}") from error
        try:
            with _Sampler(process.pid, sampled) as sampler:
                _, status, usage = os.wait4(process.pid, 0)
        except BaseException:
            process.kill()
            process.wait()
            raise
        wall_s = time.perf_counter() - began
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        told.seek(0)
        if process.returncode:
            lines = told.read()[-_TOLD_MAX:].decode(errors="replace").strip().splitlines()
            what = " ".join(part.name if isinstance(part, Path) else part for part in command)
            raise DamageError(f"{what}: exit code {process.returncode}: {lines[-1] if lines else 'no word'}")
        cpu_s = usage.ru_utime + usage.ru_stime
        return Ran(wall_s, cpu_s, sampler.peak, out.read().decode(errors="replace"))


class _Sampler:
    """Looks again and again how much memory a process and its children hold. What the system itself keeps of a
    process's peak (ru_maxrss) begins with the size of the one that started it."""

    def __init__(self, pid: int, on: bool) -> None:
        self.peak = 0
        self._pid = pid
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True) if on else None

    def __enter__(self) -> _Sampler:
        if self._thread:
            self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        if self._thread:
            self._thread.join()

    def _watch(self) -> None:
        while not self._stop.wait(_SAMPLE_S):
            self.peak = max(self.peak, tree_pss(self._pid))


def tree_pss(pid: int) -> int:
    """Bytes of memory that a process and all below it hold; what several share counts once in all."""
    return sum(_pss(one) for one in _tree(pid))


def _tree(pid: int) -> Iterator[int]:
    yield pid
    try:
        for task in Path(f"/proc/{pid}/task").iterdir():
            for child in (task / "children").read_text().split():
                yield from _tree(int(child))
    except OSError:
        return  # It has ended meanwhile.


def _pss(pid: int) -> int:
    try:
        text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    except OSError:
        return 0
    return next((int(line.split()[1]) * 1024 for line in text.splitlines() if line.startswith("Pss:")), 0)


def warm(path: Path) -> None:
    """Read a file once, so that whoever reads it next finds it in the computer's memory."""
    with path.open("rb", buffering=0) as file:
        while file.read(1 << 22):
            pass
