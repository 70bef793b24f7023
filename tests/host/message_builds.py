"""Builds the firmware with messages of one's own, in a folder of its own, and tells the sizes of what comes out."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from offtake import firmware_build
from offtake.codegen import c_spec
from offtake.spec.model import Spec

CALL_BESIDE = "        logger.busy_longest = 0;\n"
"""The place in firmware/core/ot_logger.c, where a supply voltage has just been measured, after which calls are put."""


PAGED = "ot_crc32_planes"
"""What stands on a page of its own in flash (OT_FLASH_PAGED)."""


class Project:
    """A copy of the firmware's sources, built again for each spec."""

    def __init__(self, folder: Path) -> None:
        self._project = folder / "firmware"
        self._build = folder / ".build"
        shutil.copytree(firmware_build.FIRMWARE_FOLDER, self._project)
        self._logger = self._project / "core/ot_logger.c"
        self._as_it_was = self._logger.read_text(encoding="utf-8")
        assert self._as_it_was.count(CALL_BESIDE) == 1

    def build(self, spec: Spec, calls: str = "") -> Path:
        """The ELF file of the firmware with ``spec``, and with ``calls`` beside the supply frame."""
        generated = self._project / "generated"
        (generated / "ot_spec.h").write_text(c_spec.render_header(spec, "For a test."), encoding="utf-8")
        (generated / "ot_spec.c").write_text(c_spec.render_source(spec, "For a test."), encoding="utf-8")
        text = self._as_it_was.replace(CALL_BESIDE, CALL_BESIDE + calls)
        self._logger.write_text(text, encoding="utf-8")
        with _building(self._project, self._build):
            elf = firmware_build.build("atmega328p_16mhz")
        kept = self._build / f"{len(list(self._build.glob('*.elf')))}.elf"
        shutil.copy(elf, kept)
        return kept


@contextmanager
def _building(project: Path, build: Path) -> Iterator[None]:
    kept = firmware_build.FIRMWARE_FOLDER, firmware_build.BUILD_FOLDER
    firmware_build.FIRMWARE_FOLDER, firmware_build.BUILD_FOLDER = project, build
    try:
        yield
    finally:
        firmware_build.FIRMWARE_FOLDER, firmware_build.BUILD_FOLDER = kept


def flash_bytes(elf: Path) -> int:
    """Code, constants and first values of variables, as avr-size says, without the gap before the table that must begin
    on a page of 256 bytes: it lets the image grow in steps."""
    text, data = _run("avr-size", str(elf)).splitlines()[1].split()[:2]
    rows = [line.split() for line in _run("avr-nm", "-S", str(elf)).splitlines()]
    sized = {row[3]: (int(row[0], 16), int(row[1], 16)) for row in rows if len(row) == 4}
    paged, _ = sized[PAGED]
    gap = paged - max(at + size for at, size in sized.values() if at < paged)
    return int(text) + int(data) - gap


def ram_bytes(elf: Path) -> int:
    """Static RAM."""
    _, data, zeroed = _run("avr-size", str(elf)).splitlines()[1].split()[:3]
    return int(data) + int(zeroed)


def symbol_sizes(elf: Path) -> dict[str, int]:
    """Bytes of everything that has a size, by name."""
    rows = [line.split() for line in _run("avr-nm", "-S", str(elf)).splitlines()]
    return {row[3]: int(row[1], 16) for row in rows if len(row) == 4}


def _run(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout
