"""Compile ``firmware/core`` with the port to a computer into a shared library, named by the hash of its sources."""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cffi  # type: ignore[import-untyped]

from offtake.errors import InputOutputError

_ROOT = Path(__file__).resolve().parents[3]
_FOLDERS = ("firmware/core", "firmware/generated", "firmware/port/host")
_FLAGS = ("-std=c99", "-O2", "-g", "-Wall", "-Wextra", "-Werror", "-fPIC", "-shared")


def _sources() -> list[Path]:
    return sorted(path for folder in _FOLDERS for path in (_ROOT / folder).glob("*.[ch]"))


def library_path(*, sanitize: bool = False, beside: Sequence[Path] = (), options: Sequence[str] = ()) -> Path:
    """Path of the library, built where it is missing or out of date. InputOutputError shows what the compiler said.

    ``sanitize`` adds the undefined-behaviour sanitizer, which then ends the process at the first finding.
    ``beside`` are C files and headers to build into the same library, ``options`` further flags for the compiler.
    """
    flags = [*_FLAGS, *(["-fsanitize=undefined", "-fno-sanitize-recover=all"] if sanitize else []), *options]
    digest = hashlib.sha256(" ".join(flags).encode())
    for path in [*_sources(), *beside]:
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    target = _ROOT / ".build" / f"core-{digest.hexdigest()[:16]}" / "core.so"
    if not target.is_file():
        _compile(target, flags, beside)
    return target


def _compile(target: Path, flags: list[str], beside: Sequence[Path]) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, scratch = tempfile.mkstemp(suffix=".so", dir=target.parent)
    os.close(handle)
    includes = [f"-iquote{_ROOT / folder}" for folder in _FOLDERS]
    includes += [f"-iquote{folder}" for folder in sorted({path.parent for path in beside})]
    files = [str(path) for path in [*_sources(), *beside] if path.suffix == ".c"]
    try:
        done = subprocess.run(
            ["gcc", *flags, *includes, "-o", scratch, *files], capture_output=True, text=True, check=False
        )
    except FileNotFoundError as error:
        raise InputOutputError("no C compiler", where="gcc", expected="the Debian package gcc") from error
    if done.returncode != 0:
        Path(scratch).unlink()
        raise InputOutputError(f"the core does not compile: {done.stderr[-2000:]}", where="firmware/core")
    os.replace(scratch, target)


def load(path: Path, *, headers: Sequence[Path] = ()) -> tuple[cffi.FFI, Any]:
    """The cffi interface and the library at ``path``; a copy of the file under another name has state of its own.

    ``headers`` declare what was built in beside the core: plain declarations without preprocessor lines.
    """
    ffi = cffi.FFI()
    for header in (_ROOT / "firmware/port/host/host_api.h", *headers):
        ffi.cdef(re.sub(r"/\*.*?\*/", "", header.read_text(encoding="utf-8"), flags=re.DOTALL))
    return ffi, ffi.dlopen(str(path))
