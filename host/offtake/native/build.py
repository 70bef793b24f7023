"""Compiles the C files beside it into a shared library, named by the hash of what it is made of."""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import cffi  # type: ignore[import-untyped]

from offtake.generated.records import (
    BLOCK_HEADER_SIZE,
    BLOCK_SIZE,
    FRAME_CHECK_SIZE,
    FRAME_HEAD_SIZE,
    FRAME_LENGTH_BITS,
    FRAME_TICK_SIZE_MAX,
    BlockHeader,
)
from offtake.journal.codec import CHECK_AT

_HERE = Path(__file__).resolve().parent
_BUILD = _HERE.parents[2] / ".build"
_FLAGS = ("-std=gnu99", "-O3", "-fPIC", "-shared")
_SECONDS = 60.0


def layout_flags() -> list[str]:
    """The layout's numbers, from the spec, as macros."""
    numbers = {
        "BLOCK_SIZE": BLOCK_SIZE,
        "BLOCK_HEADER_SIZE": BLOCK_HEADER_SIZE,
        "BLOCK_NUMBER_AT": BlockHeader.DTYPE.fields["block_number"][1],  # type: ignore[index]
        "CHECK_AT": CHECK_AT,
        "FRAME_HEAD_SIZE": FRAME_HEAD_SIZE,
        "FRAME_CHECK_SIZE": FRAME_CHECK_SIZE,
        "FRAME_LENGTH_BITS": FRAME_LENGTH_BITS,
        "FRAME_TICK_SIZE_MAX": FRAME_TICK_SIZE_MAX,
    }
    return [f"-D{name}={number}" for name, number in numbers.items()]


def load_library(more_flags: Sequence[str] = ()) -> tuple[cffi.FFI, Any] | None:
    """The cffi interface and the library, compiled (with ``more_flags``) if it is not there yet; None where that cannot
    be done: no compiler, or nowhere to put it."""
    flags = [*_FLAGS, *more_flags, *layout_flags()]
    digest = hashlib.sha256(" ".join(flags).encode())
    for path in sorted(_HERE.glob("*.[ch]")):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    target = _BUILD / f"kernels-{digest.hexdigest()[:16]}" / "kernels.so"
    if not target.is_file() and not _compiled(target, flags):
        return None
    ffi = cffi.FFI()
    for header in sorted(_HERE.glob("*.h")):
        ffi.cdef(re.sub(r"/\*.*?\*/", "", header.read_text(encoding="utf-8"), flags=re.DOTALL))
    try:
        return ffi, ffi.dlopen(str(target))
    except OSError:
        return None


def _compiled(target: Path, flags: list[str]) -> bool:
    scratch = ""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, scratch = tempfile.mkstemp(suffix=".so", dir=target.parent)
        os.close(handle)
        command = ["cc", *flags, "-o", scratch, *map(str, sorted(_HERE.glob("*.c")))]
        subprocess.run(command, capture_output=True, check=True, timeout=_SECONDS)
        os.replace(scratch, target)
    except (OSError, subprocess.SubprocessError):
        return False
    finally:
        # Gone already where all went well by renaming; an interrupt, too, leaves nothing.
        with suppress(OSError):
            os.unlink(scratch)
    return True
