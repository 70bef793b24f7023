"""The boot loaders that a Debian package ships (arduino-core-avr), read where it puts them, never copied.

The one for 115,200 baud is 20 bytes too long for the 512 bytes it is linked to: code runs past the end of flash, and
its version word lies on an instruction, so as shipped it cannot work on silicon. Its jumps are all relative; here it
is moved down into the next larger boot section, without the version word. The others are run as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from offtake.bench.boot import BootLoader, load_boot_loader
from offtake.bench.firmware import FLASH_BYTES
from offtake.flash.hexfile import read_hex

FOLDER = Path("/usr/share/arduino/hardware/arduino/avr/bootloaders")
FAST = FOLDER / "optiboot/optiboot_atmega328.hex"
FAST_VERSION_RECORD = ":027FFE00"
OTHER_CHIP = FOLDER / "optiboot/optiboot_atmega168.hex"
OTHER_CHIP_VERSION_RECORD = ":023FFE00"
OLD_16MHZ = FOLDER / "atmega/ATmegaBOOT_168_atmega328.hex"
OLD_8MHZ = FOLDER / "atmega/ATmegaBOOT_168_atmega328_pro_8MHz.hex"
MOVED_TO = FLASH_BYTES - 1_024


@dataclass(frozen=True)
class Loaded:
    """A boot loader, the speed it listens at and the clock it was built for."""

    loader: BootLoader
    baud: int
    frequency_hz: int


def _moved(path: Path, version_record: str, scratch: Path) -> BootLoader:
    lines = path.read_text(encoding="ascii").splitlines()
    kept = scratch / path.name
    kept.write_text("\n".join(line for line in lines if not line.startswith(version_record)), encoding="ascii")
    content = read_hex(kept)
    first = min(content)
    size = FLASH_BYTES - MOVED_TO
    return BootLoader(MOVED_TO, bytes(content.get(first + i, 0xFF) for i in range(size)))


def required(path: Path) -> Path:
    """The path, or a skipped test where the package is not installed."""
    if not path.is_file():
        pytest.fail("the boot loaders of the Debian package arduino-core-avr are missing: host/setup tests brings them")
    return path


def fast(scratch: Path) -> Loaded:
    """For 16 MHz, 115,200 baud, no wait at power-on."""
    return Loaded(_moved(required(FAST), FAST_VERSION_RECORD, scratch), 115_200, 16_000_000)


def other_chip(scratch: Path) -> Loaded:
    """The same one, built for a chip with half the flash, whose signature it gives."""
    return Loaded(_moved(required(OTHER_CHIP), OTHER_CHIP_VERSION_RECORD, scratch), 115_200, 16_000_000)


def old_16mhz() -> Loaded:
    """For 16 MHz, 57,600 baud; listens after every reset."""
    return Loaded(load_boot_loader(required(OLD_16MHZ)), 57_600, 16_000_000)


def old_8mhz() -> Loaded:
    """For 8 MHz, 57,600 baud; listens after every reset."""
    return Loaded(load_boot_loader(required(OLD_8MHZ)), 57_600, 8_000_000)
