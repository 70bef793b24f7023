"""Runs the programs of dosfstools and mtools, which write FAT images better than own code would."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterable

from offtake.errors import InputOutputError

_PACKAGES = {"mkfs.fat": "dosfstools", "fsck.fat": "dosfstools"}
_MTOOLS = "mtools"
_SHOWN_LINES = 4


def run_tool(
    program: str,
    arguments: Iterable[str],
    *,
    feed: Iterable[bytes] | None = None,
    accept: Callable[[int], bool] = lambda code: code == 0,
    where: str = "",
) -> str:
    """Runs a program to its end and returns what it said (standard output, then standard error).

    :param feed: pieces for its standard input, handed over as it takes them.
    :param accept: which exit codes are no failure.
    :raises InputOutputError: it is not installed or fails; its last words are in the message.
    """
    path = os.environ.get("PATH", os.defpath) + os.pathsep + os.pathsep.join(("/usr/sbin", "/sbin"))
    found = shutil.which(program, path=path)
    if found is None:
        raise InputOutputError(
            f"the program {program} is missing",
            expected=f"the Debian package {_PACKAGES.get(program, _MTOOLS)}",
        )
    process = subprocess.Popen(
        [found, *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        # Images come in odd sizes; mtools' own check is about floppy disks. A user's mtoolsrc must not interfere.
        env=os.environ | {"MTOOLS_SKIP_CHECK": "1", "MTOOLSRC": os.devnull, "LC_ALL": "C"},
    )
    stdout, stderr = _exchange(process, feed or ())
    if not accept(process.returncode):
        lines = (stderr or stdout).decode(errors="replace").strip().splitlines()[-_SHOWN_LINES:]
        raise InputOutputError(f"{program} failed: {'; '.join(lines) or process.returncode}", where=where)
    return (stdout + stderr).decode(errors="replace")


def _exchange(process: subprocess.Popen[bytes], feed: Iterable[bytes]) -> tuple[bytes, bytes]:
    """Feeds the program, then collects its words: those used here say little, so no pipe fills meanwhile."""
    assert process.stdin is not None
    try:
        try:
            for piece in feed:
                process.stdin.write(piece)
            process.stdin.flush()
        except BrokenPipeError:
            # It gave up early; its exit code and words say why.
            pass
        return process.communicate()
    except BaseException:
        process.kill()
        process.wait()
        raise
