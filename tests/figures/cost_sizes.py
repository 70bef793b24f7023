"""Flash and static RAM of the firmware by module, so that the sum is what avr-size says.

Link-time optimisation makes one object of all sources, so the linker's map knows no modules. Sizes are those of the
symbols of the shipped image. Which source a function is from is told by ``avr-nm -l`` of a second build with debug
records, by name (that build may differ by a few bytes, so nothing else is taken from it). What the optimiser put
inline counts for the function it ended up in. Constants and variables have no such record: they are looked up in the
sources, where the name has to be defined once. What the toolchain brings is in the linker's map. Bytes that none of
these explains are alignment padding where they are zero, else ``unattributed``.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from offtake import firmware_build
from offtake.errors import DamageError

SOURCE_FOLDERS = ("core", "port/avr", "generated")
LIBRARY, START_UP = "C library and compiler", "vectors and start-up"
PADDING, UNATTRIBUTED = "alignment padding", "unattributed"
DATA_START = 0x800000
EEPROM_START = 0x810000
_DEBUG_SCRIPT = 'Import("env")\nenv.Append(CCFLAGS=["-g"], LINKFLAGS=["-g"])\n'
_SUFFIX = re.compile(r"\.(?:lto_priv|constprop|part|isra|cold)\b.*$|\.\d+$")
_PIECE = re.compile(r"^ (\.\S+)\s+0x([0-9a-f]+)\s+0x([0-9a-f]+) (\S.*)$", re.MULTILINE)


@dataclass(frozen=True)
class Sizes:
    """Bytes by module; ``flash`` includes the first values of variables, ``ram`` is static RAM only."""

    flash: dict[str, int]
    ram: dict[str, int]
    total_flash: int
    total_ram: int


@dataclass(frozen=True)
class _Symbol:
    address: int
    size: int
    kind: str
    name: str
    module: str


def sizes_by_module(board: str, folder: Path) -> Sizes:
    """Builds the firmware once more, in ``folder``, and sorts its bytes.

    :raises DamageError: the parts do not add up to the whole.
    :raises InputOutputError: the build fails.
    """
    elf = firmware_build.build(board)
    linker_map = firmware_build.map_path(board).read_text(encoding="utf-8")
    with _debug_build(folder) as project:
        sources = _Sources(project, firmware_build.build(board))
    symbols = _symbols(elf, sources)
    text, data, zeroed = section_sizes(elf)
    code = [s for s in symbols if s.address < DATA_START]
    flash = _sorted_out(code, _toolchain(linker_map), text, _image(elf, folder / "image.bin"))
    ram_symbols = [s for s in symbols if DATA_START <= s.address < EEPROM_START]
    ram = _sorted_out(ram_symbols, {}, data + zeroed)
    first_values = _sorted_out([s for s in ram_symbols if s.kind in "dD"], {}, data)
    for module, size in first_values.items():
        flash[module] = flash.get(module, 0) + size
    sizes = Sizes(flash, ram, text + data, data + zeroed)
    if sum(flash.values()) != sizes.total_flash or sum(ram.values()) != sizes.total_ram:
        raise DamageError("the modules do not add up to what avr-size says", where=board)
    return sizes


def section_sizes(elf: Path) -> tuple[int, int, int]:
    """What avr-size says: bytes of code and constants, of variables with first values, of zeroed variables."""
    text, data, zeroed = _run("avr-size", str(elf)).splitlines()[1].split()[:3]
    return int(text), int(data), int(zeroed)


@contextmanager
def _debug_build(folder: Path) -> Iterator[Path]:
    """Points the build at a copy of the sources that asks for debug records; yields the copy's folder."""
    project = folder / "firmware"
    shutil.rmtree(project, ignore_errors=True)
    shutil.copytree(firmware_build.FIRMWARE_FOLDER, project)
    (project / "debug_records.py").write_text(_DEBUG_SCRIPT, encoding="utf-8")
    settings = project / "platformio.ini"
    text = settings.read_text(encoding="utf-8").replace("[env]\n", "[env]\nextra_scripts = pre:debug_records.py\n")
    settings.write_text(text, encoding="utf-8")
    kept = firmware_build.FIRMWARE_FOLDER, firmware_build.BUILD_FOLDER
    firmware_build.FIRMWARE_FOLDER, firmware_build.BUILD_FOLDER = project, folder / ".build"
    try:
        yield project
    finally:
        firmware_build.FIRMWARE_FOLDER, firmware_build.BUILD_FOLDER = kept


def _image(elf: Path, to: Path) -> bytes:
    _run("avr-objcopy", "-O", "binary", "-R", ".eeprom", str(elf), str(to))
    return to.read_bytes()


class _Sources:
    """Which source file a symbol comes from: as the build with debug records says, else as the sources do."""

    def __init__(self, project: Path, debug_elf: Path) -> None:
        self._texts = {
            path.stem: path.read_text(encoding="utf-8")
            for folder in SOURCE_FOLDERS
            for path in sorted((project / folder).glob("*.c"))
        }
        self._told: dict[str, set[str]] = {}
        for line in _run("avr-nm", "-S", "-l", str(debug_elf)).splitlines():
            head, _, where = line.partition("\t")
            parts = head.split()
            # For a variable avr-nm names the nearest line of code, which says nothing.
            if len(parts) == 4 and where and int(parts[0], 16) < DATA_START:
                self._told.setdefault(_plain(parts[3]), set()).add(Path(where.rsplit(":", 1)[0]).stem)

    def module(self, name: str) -> str:
        """The only module that ``name`` can be from, else :data:`UNATTRIBUTED`."""
        found = self._told.get(_plain(name)) or self._defining(_plain(name))
        return next(iter(found)) if len(found) == 1 else UNATTRIBUTED

    def _defining(self, name: str) -> set[str]:
        defined = re.compile(
            r"^(?!extern)(?:__attribute__\(\(\w+\)\) )?[A-Za-z_}][^;=\n(]*"
            rf"\b{re.escape(name)}\b\s*(?:[\[;=(]|OT_FLASH|PROGMEM|OT_LAST_IN_RAM)",
            re.MULTILINE,
        )
        return {stem for stem, text in self._texts.items() if defined.search(text)}


def _plain(name: str) -> str:
    return _SUFFIX.sub("", name)


def _symbols(elf: Path, sources: _Sources) -> list[_Symbol]:
    """Everything with a size, in order of address."""
    found = []
    for line in _run("avr-nm", "-S", "--numeric-sort", str(elf)).splitlines():
        parts = line.split()
        if len(parts) != 4:
            continue
        address, size, kind, name = int(parts[0], 16), int(parts[1], 16), parts[2], parts[3]
        module = START_UP if name.startswith("__do_") else sources.module(name)
        found.append(_Symbol(address, size, kind, name, module))
    return found


def _toolchain(linker_map: str) -> dict[tuple[int, int], str]:
    """Pieces of flash that come from archives and the start-up object: (address, size) to their name."""
    joined = re.sub(r"^( \.\S+)\n\s+(?=0x)", r"\1 ", linker_map, flags=re.MULTILINE)
    pieces = {}
    for name, address, size, source in _PIECE.findall(joined):
        place = int(address, 16), int(size, 16)
        if place[1] == 0 or not name.startswith((".text", ".vectors", ".init", ".progmem", ".trampolines", ".fini")):
            continue
        if "crtatmega" in source or name.startswith((".vectors", ".init")):
            pieces[place] = START_UP
        elif ".a(" in source:
            pieces[place] = LIBRARY
    return pieces


def _sorted_out(
    symbols: list[_Symbol], pieces: dict[tuple[int, int], str], total: int, image: bytes = b""
) -> dict[str, int]:
    """Bytes by module: each byte once, by the toolchain's pieces first; then zeros of ``image`` as padding."""
    owner: dict[int, str] = {}
    for symbol in symbols:
        for at in range(symbol.address, symbol.address + symbol.size):
            owner.setdefault(at, symbol.module)
    for (address, size), module in pieces.items():
        for at in range(address, address + size):
            owner[at] = module
    for at, value in enumerate(image[:total]):
        if value == 0:
            owner.setdefault(at, PADDING)
    counts: dict[str, int] = {}
    for module in owner.values():
        counts[module] = counts.get(module, 0) + 1
    rest = total - sum(counts.values())
    if rest:
        counts[UNATTRIBUTED] = counts.get(UNATTRIBUTED, 0) + rest
    return counts


def _run(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout
