"""A copy of the core with a mistake in it, to show that the fuzzer finds one."""

from __future__ import annotations

import shutil
from pathlib import Path

from fuzz_build import ROOT
from offtake.errors import UsageError

FILE = "ot_frame.c"
RIGHT = "if (frame->size > size) {"
WRONG = "if (frame->size > size + (frame->tick_offset > 0xfffffu ? 1u : 0u)) {"
"""A frame with a late tick that reaches one byte past what there is passes for whole. No seed is like that."""


def planted_core(folder: Path) -> Path:
    """Copies ``firmware/core`` to ``folder`` (which must not exist) and plants the mistake; returns the folder.

    :raises UsageError: the line that is changed is not there any more.
    """
    shutil.copytree(ROOT / "firmware/core", folder)
    text = (folder / FILE).read_text(encoding="utf-8")
    if text.count(RIGHT) != 1:
        raise UsageError("the line to plant a mistake in has changed", where=FILE, expected=RIGHT)
    (folder / FILE).write_text(text.replace(RIGHT, WRONG), encoding="utf-8")
    return folder
