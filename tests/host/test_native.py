"""The kernels in C: equal to what they stand in for, without warnings, clean under sanitizers, and not needed."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
from offtake.dialects.bulk.buffer import Buffer
from offtake.dialects.bulk.scan_sentences import SentenceScanner
from offtake.generated.dialects import DIALECTS
from offtake.native import OFF, build, kernels
from offtake.native.build import layout_flags

SEED = 20261126
SEEDS = 60 if not os.environ.get("OFFTAKE_LONG") else 3000
HERE = Path(__file__).resolve().parent
FOLDER = HERE.parents[1] / "host/offtake/native"
SOURCES = sorted(FOLDER.glob("*.c"))
WARNINGS = ["-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Wvla", "-Wstrict-prototypes", "-Wmissing-prototypes"]


def run(command: list[str], **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command, cwd=HERE, env={**os.environ, **environment}, capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize("source", SOURCES, ids=lambda path: path.name)
def test_gcc_has_no_warnings(source: Path, tmp_path: Path) -> None:
    command = ["gcc", "-std=gnu99", "-O3", *WARNINGS, "-Werror", *layout_flags(), "-include", "stdint.h"]
    done = run([*command, "-c", str(source), "-o", str(tmp_path / "one.o")])
    assert done.returncode == 0, done.stderr[-3000:]


def test_cppcheck_is_clean() -> None:
    checks = ["--enable=warning,portability,performance", "--inline-suppr", "--suppress=missingIncludeSystem"]
    done = run(["cppcheck", *checks, "--error-exitcode=1", "--quiet", *layout_flags(), *map(str, SOURCES)])
    assert done.returncode == 0, done.stderr[-3000:]


def test_hostile_input_is_clean_under_sanitizers() -> None:
    library = run(["gcc", "-print-file-name=libasan.so"]).stdout.strip()
    script = str(HERE / "native_sanitized.py")
    # numpy and the interpreter keep memory to the end, and are not at issue.
    options = "detect_leaks=0:abort_on_error=0"
    done = run([sys.executable, script, str(SEED), str(SEEDS)], LD_PRELOAD=library, ASAN_OPTIONS=options)
    assert done.stdout.endswith("done\n"), f"native_sanitized.py: {done.stdout[-40:]}\n{done.stderr[-4000:]}"


def test_crc32_is_that_of_zlib() -> None:
    # Every length up to beyond a few folds of 64 bytes, at every alignment, continued from any value.
    fast = kernels()
    assert fast is not None, "no kernels: is there a C compiler?"
    rng = random.Random(SEED)
    data = rng.randbytes(4096)
    stretches = [(start, start + size) for size in range(400) for start in (0, 1 + size % 15, 700)]
    seeds = [rng.choice([0, rng.randrange(2**32)]) for _ in stretches]
    starts, ends = (np.array(column, np.int64) for column in zip(*stretches, strict=True))
    found = fast.crc32_many(data, starts, ends, np.array(seeds, np.uint32))
    expected = [zlib.crc32(data[start:end], seed) for (start, end), seed in zip(stretches, seeds, strict=True)]
    assert found.tolist() == expected


def test_sentences_are_those_that_numpy_finds(monkeypatch: pytest.MonkeyPatch) -> None:
    from native_sanitized import stream

    scanner = SentenceScanner(DIALECTS["nmea0183"])
    streams = [stream(random.Random(seed)) for seed in range(40)]
    streams += [b"", b"$", b"$*", b"$*0", b"$*00", b"$*00\r", b"$$*00", b"!A*41!", b"$" + b"A" * 90 + b"*00"]
    fast = [scanner.find(Buffer(data)) for data in streams]
    assert sum(one.starts.size for one in fast) > 1000
    monkeypatch.setenv(OFF, "1")
    assert kernels() is None
    for data, found in zip(streams, fast, strict=True):
        plain = scanner.find(Buffer(data))
        assert found.starts.tolist() == plain.starts.tolist()
        assert found.ends.tolist() == plain.ends.tolist()
        assert found.messages.tolist() == plain.messages.tolist()


@pytest.mark.parametrize("trouble", ["no compiler", "nowhere to build", "broken library"])
def test_without_kernels_all_goes_on(trouble: str, tmp_path: Path) -> None:
    script = f"""
import os, pathlib
from offtake.native import build, kernels
build._BUILD = pathlib.Path({str(tmp_path / "build")!r})
trouble = {trouble!r}
if trouble == "no compiler":
    os.environ["PATH"] = {str(tmp_path)!r}
elif trouble == "nowhere to build":
    build._BUILD.write_text("a file")
else:
    build._compiled = lambda target, flags: (target.parent.mkdir(parents=True), target.write_bytes(b"no library"))
assert kernels() is None
assert not list(pathlib.Path({str(tmp_path)!r}).rglob("*.so")) or trouble == "broken library"
print("went on")
"""
    done = run([sys.executable, "-c", script])
    assert done.stdout == "went on\n", done.stderr[-2000:]


@pytest.mark.parametrize("trouble", [KeyboardInterrupt, OSError])
def test_a_compiler_that_is_interrupted_leaves_nothing(
    trouble: type[BaseException], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[list[Path]] = []

    def halfway(command: list[str], **_: object) -> None:
        Path(command[command.index("-o") + 1]).write_bytes(b"half a library")
        begun.append(list(tmp_path.rglob("*.so")))
        raise trouble

    monkeypatch.setattr(build, "_BUILD", tmp_path / "build")
    monkeypatch.setattr(subprocess, "run", halfway)
    if trouble is KeyboardInterrupt:
        with pytest.raises(KeyboardInterrupt):
            build.load_library()
    else:
        assert build.load_library() is None
    assert len(begun[0]) == 1
    assert list(tmp_path.rglob("*.so")) == []
