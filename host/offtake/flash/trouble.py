"""What avrdude's complaint means, and what to do about it."""

from __future__ import annotations

import re

from offtake.errors import DamageError, InputOutputError, OfftakeError
from offtake.firmware_build import ToolError, telling_lines

SHOWN_LINES = 4
AGAIN = "the boot loader is untouched: check wires and supply, then repeat the command"
_CHIP = re.compile(r"device signature = 0x([0-9a-f]{6})", re.IGNORECASE)
_OTHER_CHIP = re.compile(r"expected signature for", re.IGNORECASE)
_DIFFERS = re.compile(r"verif\w+ (error|mismatch)|content mismatch|first mismatch", re.IGNORECASE)
_NO_PORT = re.compile(r"(cannot|can't|unable to) open port", re.IGNORECASE)
_WRITING = re.compile(r"writing \d+ bytes flash|Writing \|", re.IGNORECASE)
_SILENT = re.compile(r"not in sync|not responding|unable to open programmer", re.IGNORECASE)


def explained(error: ToolError, port: str) -> OfftakeError:
    """The error to show instead of an upload's: what happened in words, what to do, and the tool's telling lines.

    DamageError for a wrong chip and for flash that reads back different, InputOutputError otherwise.
    """
    said = error.output
    chip = _CHIP.search(said)
    lines = "\n" + telling_lines(said, SHOWN_LINES)
    if _OTHER_CHIP.search(said):
        names = f"another chip ({chip[1]})" if chip else "another chip"
        what = f"nothing was written: the boot loader names {names}"
        return DamageError(what + lines, where=port, expected="1e950f, an ATmega328P")
    if _DIFFERS.search(said):
        what = "what was read back differs from what was written"
        return DamageError(what + lines, where=port, expected="a steady line and supply; " + AGAIN)
    if _WRITING.search(said):
        return InputOutputError("the connection broke off while writing" + lines, where=port, expected=AGAIN)
    if _NO_PORT.search(said):
        return InputOutputError("avrdude cannot open the port" + lines, where=port, expected="nothing else using it")
    if _SILENT.search(said):
        what = "the boot loader stopped answering before anything was written"
        return InputOutputError(what + lines, where=port, expected="a steady line; " + AGAIN)
    return error
