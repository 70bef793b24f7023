"""The C harness: compiled on first use, kept in a cache folder named by the hash of its sources, bound by
cffi.

cffi's ABI mode is used (a plain shared library, the declarations in ``native/api.h`` read word for word), so
that neither Python's headers nor setuptools are needed; calls release the interpreter lock.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import cffi  # type: ignore[import-untyped]

from offtake.errors import InputOutputError

SOURCES = Path(__file__).with_name("native")
INCLUDE = Path("/usr/include/simavr")
FLAGS = ["-std=gnu99", "-O2", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-fPIC", "-shared"]
SHARED_STRUCTS = (
    "bench_config_t",
    "bench_card_config_t",
    "bench_event_t",
    "bench_write_t",
    "bench_uart_stats_t",
    "bench_passive_t",
    "bench_card_stats_t",
    "bench_profile_t",
    "bench_pages_t",
    "bench_part_config_t",
    "bench_sensor_stats_t",
)


def cache_folder() -> Path:
    """The folder for built harnesses: ``.build`` of the working tree, else the user's cache folder."""
    root = Path(__file__).resolve().parents[3]
    if (root / "shared_spec").is_dir() and os.access(root, os.W_OK):
        return root / ".build"
    base = os.environ.get("XDG_CACHE_HOME", "")
    return (Path(base) if base else Path.home() / ".cache") / "offtake"


def _source_files() -> list[Path]:
    return sorted(p for p in SOURCES.iterdir() if p.suffix in {".c", ".h"})


def source_hash() -> str:
    """Hash of every source and of the compiler's flags: a change of either makes another folder."""
    digest = hashlib.sha256(" ".join(FLAGS).encode())
    for path in _source_files():
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:16]


def _compile(target: Path) -> None:
    if not (INCLUDE / "sim_avr.h").is_file():
        raise InputOutputError(
            "the emulator's headers are missing",
            where=str(INCLUDE),
            expected="the Debian packages libsimavr-dev and libelf-dev (apt-get install them)",
        )
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, scratch = tempfile.mkstemp(suffix=".so", dir=target.parent)
    os.close(handle)
    sources = [str(p) for p in _source_files() if p.suffix == ".c"]
    command = ["gcc", *FLAGS, "-isystem", str(INCLUDE), "-o", scratch, *sources, "-lsimavr", "-lm"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except FileNotFoundError as error:
        Path(scratch).unlink()
        raise InputOutputError("no C compiler", where="gcc", expected="the Debian package gcc") from error
    if done.returncode != 0:
        Path(scratch).unlink()
        raise InputOutputError(
            f"the bench's C harness does not compile: {done.stderr.strip()[:2000]}",
            where=str(SOURCES),
            expected="gcc with the Debian packages libsimavr-dev (1.6) and libelf-dev",
        )
    os.replace(scratch, target)


def library_path() -> Path:
    """Path of the built harness, building it where it is missing or out of date.

    :raises InputOutputError: no compiler, or the Debian packages libsimavr-dev and libelf-dev are missing.
    """
    target = cache_folder() / f"bench-{source_hash()}" / "bench.so"
    if not target.is_file():
        _compile(target)
    return target


@cache
def load() -> tuple[cffi.FFI, Any]:
    """The cffi interface and the loaded library.

    :raises InputOutputError: it cannot be built or loaded.
    """
    ffi = cffi.FFI()
    ffi.cdef((SOURCES / "api.h").read_text(encoding="utf-8"))
    path = library_path()
    try:
        lib = ffi.dlopen(str(path))
    except OSError as error:
        raise InputOutputError(
            f"the bench's C harness does not load: {error}",
            where=str(path),
            expected="the Debian package libsimavr2",
        ) from error
    for index, name in enumerate(SHARED_STRUCTS):
        if lib.bench_abi(index) != ffi.sizeof(name):
            raise InputOutputError(f"{name} is laid out differently in C and in Python", where=str(path))
    return ffi, lib
