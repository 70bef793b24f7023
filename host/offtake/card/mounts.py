"""What a folder is mounted from: asked of the kernel, so that a journal goes onto a FAT card and nowhere else."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

from offtake.errors import InputOutputError

_MOUNT_TABLE = Path("/proc/self/mountinfo")
_ESCAPE = re.compile(r"\\([0-7]{3})")


@dataclass(frozen=True)
class MountedAs:
    """The mount that a folder belongs to. Sizes in bytes; ``clusters`` is the file system's own block count."""

    file_system: str
    mount_point: Path
    device: Path
    read_only: bool
    clusters: int
    cluster_bytes: int
    free_bytes: int


def mounted_as(folder: Path) -> MountedAs:
    """Looks up the mount of a folder.

    :raises InputOutputError: the folder cannot be looked at, or this system has no mount table to read.
    """
    try:
        real = folder.resolve(strict=True)
        figures = os.statvfs(real)
        table = _MOUNT_TABLE.read_text(encoding="utf-8", errors="surrogateescape")
    except OSError as error:
        raise InputOutputError(f"cannot look at the folder: {error.strerror}", where=str(folder)) from error
    kind, point, device = _find_mount(table, real)
    return MountedAs(
        file_system=kind,
        mount_point=point,
        device=device,
        read_only=bool(figures.f_flag & os.ST_RDONLY),
        clusters=figures.f_blocks,
        cluster_bytes=figures.f_frsize,
        free_bytes=figures.f_bavail * figures.f_frsize,
    )


def _find_mount(table: str, real: Path) -> tuple[str, Path, Path]:
    """File system, mount point and device of the innermost mount; of equal ones the last covers the others.

    The table's format: proc(5), /proc/[pid]/mountinfo.
    """
    found = ("unknown", Path("/"), Path("none"))
    for line in table.splitlines():
        before, _, after = line.partition(" - ")
        fields, source = before.split(" "), after.split(" ")
        if len(fields) < 5 or len(source) < 2:
            continue
        point = Path(_unescape(fields[4]))
        if real.is_relative_to(point) and len(point.parts) >= len(found[1].parts):
            found = (source[0], point, Path(_unescape(source[1])))
    return found


def _unescape(text: str) -> str:
    return _ESCAPE.sub(lambda match: chr(int(match.group(1), 8)), text)
