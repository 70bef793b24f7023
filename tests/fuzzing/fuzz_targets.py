"""The fuzz targets by name, and one run of one of them: command, figures, findings."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from fuzz_build import BUILD_FOLDER, C_TARGETS, fuzzer_missing, target_binary

HERE = Path(__file__).parent
CORPUS = HERE / "corpus"
WORK = BUILD_FOLDER / "fuzz"
TIMEOUT_S = 25
RSS_MB = 2048
GRACE_S = 120
"""For starting, and for a slow last input."""

_PROGRESS = re.compile(r"^#(\d+)\s+(\w+)\s+cov: (\d+) ft: (\d+) corp: (\d+)/", re.MULTILINE)
_STAT = re.compile(r"^stat::number_of_executed_units:\s+(\d+)", re.MULTILINE)
_REASONS = (
    re.compile(r"^FUZZ FINDING: (.+)$", re.MULTILINE),
    re.compile(r"runtime error: (.+)$", re.MULTILINE),
    re.compile(r"^SUMMARY: AddressSanitizer: (.+)$", re.MULTILINE),
    re.compile(r"=== Uncaught Python exception: ===\n(.+)$", re.MULTILINE),
    re.compile(r"^SUMMARY: libFuzzer: (.+)$", re.MULTILINE),
)


@dataclass(frozen=True)
class Target:
    """One fuzz target.

    ``seeds`` are folders of the corpus; ``length`` is the longest input in bytes; ``runs`` the executions of the
    bounded run in the tests.
    """

    name: str
    what: str
    seeds: tuple[str, ...]
    length: int
    runs: int

    @property
    def in_c(self) -> bool:
        """Whether it is a C target."""
        return self.name in C_TARGETS

    @property
    def engine(self) -> str:
        """The fuzzer that runs it."""
        return "libFuzzer" if self.in_c else "atheris"


TARGETS = {
    one.name: one
    for one in (
        Target("frame", "C: a frame and its message", ("frame",), 600, 60_000),
        Target("block", "C: a block and the frames in it", ("block",), 601, 40_000),
        Target("record", "C: messages, packets, journal header", ("record",), 80, 60_000),
        Target("header", "C: the journal's header block", ("header",), 513, 20_000),
        Target("fat", "C: power-up on a hostile card", ("fat",), 400, 1_200),
        Target("journal", "C: the search for a hostile journal's tip", ("journal",), 400, 800),
        Target("desk", "C: the desk's packets", ("desk",), 700, 500),
        Target("py_journal", "Python: salvage, verify, reader, stream", ("py_journal",), 8193, 600),
        Target("py_packets", "Python: packets of the link", ("py_packets",), 600, 3_000),
        Target("py_dialects", "Python: messages, fixes, track", ("py_dialects",), 800, 1_500),
        Target("py_card", "Python: the journal on a hostile card", ("fat",), 400, 1_500),
        Target("py_spec", "Python: spec and dialect files", ("py_spec",), 200, 400),
        Target("same_frame", "C against Python: frames", ("frame",), 609, 6_000),
        Target("same_block", "C against Python: blocks", ("block",), 601, 6_000),
    )
}
PLANTED = Target("planted", "a mistake on purpose", ("frame",), 600, 20_000)


@dataclass(frozen=True)
class Result:
    """What a run of a target came to. ``findings`` are files with the input that failed; ``reason`` says how."""

    target: str
    engine: str
    executions: int
    coverage_seeds: int
    coverage: int
    corpus: int
    findings: tuple[Path, ...]
    reason: str
    output: str


def unavailable(target: Target) -> str:
    """Why a target cannot run on this machine; empty when it can."""
    if target.in_c:
        return fuzzer_missing()
    return "" if importlib.util.find_spec("atheris") else "atheris is not installed (there is no wheel for this Python)"


def command(target: Target, *, core: Path | None = None) -> list[str]:
    """How a target's fuzzer is started, options and folders apart."""
    if target.in_c:
        return [str(target_binary(target.name, core=core))]
    return [sys.executable, str(HERE / "fuzz_python.py"), target.name]


def run(
    target: Target,
    work: Path,
    *,
    seed: int,
    runs: int | None = None,
    seconds: int | None = None,
    core: Path | None = None,
) -> Result:
    """Fuzzes a target from the committed seeds and what earlier runs left in ``work``; new inputs are kept there.

    :param runs: end after so many executions; else after ``seconds``.
    """
    corpus, found = work / "corpus" / target.name, work / "findings" / target.name
    corpus.mkdir(parents=True, exist_ok=True)
    found.mkdir(parents=True, exist_ok=True)
    before = set(found.iterdir())
    bound = f"-runs={runs}" if runs is not None else f"-max_total_time={seconds}"
    options = [bound, f"-seed={seed}", f"-artifact_prefix={found}/", f"-max_len={target.length}"]
    # A busy computer makes the first inputs slow: that is no finding; what takes for ever is.
    options += [f"-timeout={TIMEOUT_S}", f"-report_slow_units={TIMEOUT_S}"]
    options += [f"-rss_limit_mb={RSS_MB}", "-print_final_stats=1"]
    folders = [str(corpus), *(str(CORPUS / one) for one in target.seeds)]
    limit = (seconds or 600) + GRACE_S
    output, code = _start([*command(target, core=core), *options, *folders], limit)
    fresh = tuple(sorted(set(found.iterdir()) - before))
    return _result(target, output, code, fresh)


def replay(target: Target, path: Path, *, core: Path | None = None) -> tuple[bool, str]:
    """Runs one saved input: whether it passes, and what the target said."""
    output, code = _start([*command(target, core=core), f"-timeout={TIMEOUT_S}", str(path)], GRACE_S)
    return code == 0, output


def _start(words: list[str], limit_s: int) -> tuple[str, int]:
    environment = os.environ | {
        # No heap in the core, so nothing can leak there; looking for leaks fails where tracing is forbidden.
        "ASAN_OPTIONS": "detect_leaks=0:abort_on_error=1:symbolize=1",
        "UBSAN_OPTIONS": "print_stacktrace=1",
    }
    done = subprocess.run(
        words, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=limit_s, check=False
    )
    return done.stdout.decode("utf-8", "replace"), done.returncode


def _result(target: Target, output: str, code: int, findings: tuple[Path, ...]) -> Result:
    steps = _PROGRESS.findall(output)
    started = next((step for step in steps if step[1] == "INITED"), None)
    last = steps[-1] if steps else ("0", "", "0", "0", "0")
    counted = _STAT.search(output)
    reason = ""
    if code != 0 or findings:
        found = (pattern.search(output) for pattern in _REASONS)
        reason = next((match.group(1).strip() for match in found if match), f"ended with code {code}")
    return Result(
        target=target.name,
        engine=target.engine,
        executions=int(counted.group(1)) if counted else int(last[0]),
        coverage_seeds=int(started[2]) if started else 0,
        coverage=int(last[2]),
        corpus=int(last[4]),
        findings=findings,
        reason=reason,
        output=output,
    )
