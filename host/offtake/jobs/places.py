"""Tells a serial port from a file or a card, and keeps what is written off what is read."""

from __future__ import annotations

import os
import stat
from collections.abc import Sequence
from pathlib import Path

from offtake.errors import UsageError

_PORT_NAMES = ("/dev/tty", "/dev/cu.", "/dev/pts/")


def is_port(place: Path) -> bool:
    """Whether ``place`` is a serial port: a character device, or a name such as ports have that is not there now."""
    try:
        return stat.S_ISCHR(os.stat(place).st_mode)
    except OSError:
        return str(place).startswith(_PORT_NAMES)


def is_same(one: Path, other: Path) -> bool:
    """Whether both names lead to one file that is there."""
    try:
        return one.samefile(other)
    except OSError:
        return False


def require_apart(source: Path, written: Sequence[Path]) -> None:
    """UsageError when one of the files to be written is the one that is read: --replace would destroy it."""
    for path in written:
        if is_same(source, path):
            raise UsageError("is what is read", where=str(path), expected="another name for what is written")
