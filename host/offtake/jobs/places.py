"""Tells a serial port from a file or a card."""

from __future__ import annotations

import os
import stat
from pathlib import Path

_PORT_NAMES = ("/dev/tty", "/dev/cu.", "/dev/pts/")


def is_port(place: Path) -> bool:
    """Whether ``place`` is a serial port: a character device, or a name such as ports have that is not there now."""
    try:
        return stat.S_ISCHR(os.stat(place).st_mode)
    except OSError:
        return str(place).startswith(_PORT_NAMES)
