"""A firmware image for the simulated chip: flash content, EEPROM content and symbols of an ELF file."""

from __future__ import annotations

from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path

from elftools.common.exceptions import ELFError
from elftools.elf.elffile import ELFFile
from elftools.elf.sections import SymbolTableSection

from offtake.errors import DamageError, InputOutputError

FLASH_BYTES = 32_768
EEPROM_BYTES = 1_024
RAM_BASE = 0x100
RAM_END = 0x8FF
SRAM_SPACE = 0x800000
"""avr-gcc links RAM at this offset and EEPROM at 0x810000, as the ELF format knows one address space only."""
EEPROM_SPACE = 0x810000
MACHINE_AVR = "EM_AVR"


@dataclass(frozen=True)
class Symbol:
    """A linker symbol: ``address`` in its own space (data space for RAM, bytes for flash) and ``size``."""

    address: int
    size: int


@dataclass(frozen=True)
class Firmware:
    """What a firmware file holds. ``flash`` runs from byte 0; ``eeprom`` is None when the file has none."""

    flash: bytes
    eeprom: bytes | None = None
    symbols: dict[str, Symbol] = field(default_factory=dict)
    start: int = 0


def _own_address(value: int) -> int:
    if value >= EEPROM_SPACE:
        return value - EEPROM_SPACE
    return value - SRAM_SPACE if value >= SRAM_SPACE else value


def _place(memory: bytearray, at: int, data: bytes, name: str, where: str) -> None:
    if at + len(data) > len(memory):
        raise DamageError(
            f"{len(data)} bytes at {at:#x} do not fit the chip's {name}",
            where=where,
            expected=f"at most {len(memory)} bytes",
        )
    memory[at : at + len(data)] = data


def _symbols(elf: ELFFile) -> dict[str, Symbol]:
    found: dict[str, Symbol] = {}
    for section in elf.iter_sections():
        if isinstance(section, SymbolTableSection):
            for symbol in section.iter_symbols():
                if symbol.name:
                    found[symbol.name] = Symbol(_own_address(symbol["st_value"]), int(symbol["st_size"]))
    return found


def load_elf(path: str | Path) -> Firmware:
    """Reads an AVR ELF file.

    :raises InputOutputError: the file cannot be read.
    :raises DamageError: it is not an AVR ELF file, or does not fit the chip.
    """
    where = str(path)
    try:
        raw = Path(path).read_bytes()
    except OSError as error:
        raise InputOutputError(f"cannot read the firmware: {error.strerror}", where=where) from error
    try:
        elf = ELFFile(BytesIO(raw))
        machine = elf["e_machine"]
        segments = [(s["p_paddr"], s.data()) for s in elf.iter_segments() if s["p_type"] == "PT_LOAD"]
        symbols = _symbols(elf)
        start = int(elf["e_entry"])
    except (ELFError, ValueError, KeyError) as error:
        raise DamageError(f"not an ELF file: {error}", where=where, expected="an AVR ELF file") from error
    if machine != MACHINE_AVR:
        raise DamageError(f"built for {machine}", where=where, expected="an AVR ELF file")
    flash = bytearray(b"\xff" * FLASH_BYTES)
    eeprom = bytearray(b"\xff" * EEPROM_BYTES)
    used = 0
    has_eeprom = False
    for address, data in segments:
        if not data:
            continue
        if EEPROM_SPACE <= address < EEPROM_SPACE + 0x10000:
            _place(eeprom, address - EEPROM_SPACE, data, "EEPROM", where)
            has_eeprom = True
        elif address < SRAM_SPACE:
            _place(flash, address, data, "flash", where)
            used = max(used, address + len(data))
    return Firmware(bytes(flash[:used]), bytes(eeprom) if has_eeprom else None, symbols, start)
