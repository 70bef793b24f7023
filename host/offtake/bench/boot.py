"""A boot loader for the simulated chip, read from the Intel HEX file that a burner would be given."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from offtake.bench.firmware import FLASH_BYTES
from offtake.errors import DamageError
from offtake.flash.hexfile import read_hex

BOOT_SECTIONS = (512, 1_024, 2_048, 4_096)
"""The sizes in bytes that the fuses BOOTSZ can set aside at flash's end (ATmega328P datasheet, "Boot size
configuration"; from memory)."""


@dataclass(frozen=True)
class BootLoader:
    """What lies in the boot section: ``image`` runs from byte ``start`` to flash's end, FF where the file has nothing.

    The fuses are taken to fit: BOOTSZ sets that section aside, and BOOTRST makes every reset begin there.
    """

    start: int
    image: bytes


def load_boot_loader(path: str | Path) -> BootLoader:
    """Reads a boot loader, which has to begin where one of the chip's boot sections does.

    :raises InputOutputError: the file cannot be read.
    :raises DamageError: it is not an Intel HEX file, is empty, or does not begin at a boot section.
    """
    content = read_hex(path)
    starts = [FLASH_BYTES - size for size in BOOT_SECTIONS]
    first, last = min(content, default=-1), max(content, default=-1)
    if first not in starts or last >= FLASH_BYTES:
        raise DamageError(
            f"bytes from {first:#x} to {last:#x}" if content else "no bytes in it",
            where=str(path),
            expected="a boot loader that begins at " + ", ".join(f"{start:#x}" for start in starts),
        )
    return BootLoader(first, bytes(content.get(address, 0xFF) for address in range(first, FLASH_BYTES)))
