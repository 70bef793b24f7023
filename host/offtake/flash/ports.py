"""Is the port there, is it ours to use, and is nothing else using it? Asked before a board is written to.

avrdude asks none of this: it opens a port that another program has open, and the two take each other's bytes.
"""

from __future__ import annotations

import grp
import os
import stat
from contextlib import suppress
from pathlib import Path

from offtake.errors import InputOutputError

PROCESSES = Path("/proc")


def require_free_port(port: str) -> None:
    """Raises InputOutputError, with what to do, when ``port`` cannot be used.

    Programs of other users are not seen here; opening the port may still find it locked.
    """
    try:
        found = os.stat(port)
    except OSError as error:
        raise InputOutputError(
            f"no such port: {error.strerror}",
            where=port,
            expected="the adapter plugged in; `ls /dev/serial/by-id` lists what is there",
        ) from error
    if not stat.S_ISCHR(found.st_mode):
        raise InputOutputError("not a serial port", where=port, expected="a name such as /dev/ttyUSB0")
    if not os.access(port, os.R_OK | os.W_OK):
        raise InputOutputError(
            "you may not use this port",
            where=port,
            expected=f"you to be in the group {_group(found.st_gid)} (then log in again)",
        )
    users = users_of(port)
    if users:
        raise InputOutputError("the port is in use by " + ", ".join(users), where=port, expected="that program closed")


def users_of(port: str) -> list[str]:
    """The processes, this one aside, that have ``port`` open, as "name (process number)"; only those we may look at."""
    target = os.path.realpath(port)
    found = []
    for process in PROCESSES.glob("[0-9]*"):
        if int(process.name) != os.getpid() and _has_open(process, target):
            found.append(f"{_name(process)} (process {process.name})")
    return sorted(found)


def _has_open(process: Path, target: str) -> bool:
    # It has ended, or is another user's.
    with suppress(OSError), os.scandir(process / "fd") as entries:
        for entry in entries:
            # One that it closes meanwhile says nothing of the others.
            with suppress(FileNotFoundError):
                if os.readlink(entry) == target:
                    return True
    return False


def _name(process: Path) -> str:
    try:
        name = (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return "a program"
    # Any program can give itself any name; none of it may move a terminal's cursor.
    return "".join(c if c.isprintable() else "?" for c in name)


def _group(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)
