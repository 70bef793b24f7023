"""Builds the C fuzz targets: clang's libFuzzer with the address and the undefined-behaviour sanitizer."""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from pathlib import Path

from offtake.card import locate_in_image, make_card_image, prepare_in_image
from offtake.errors import InputOutputError, UsageError
from offtake.generated.records import BLOCK_SIZE, MESSAGES, PACKETS, JournalHeader, WhenFull
from offtake.journal.codec import encode_journal_header

ROOT = Path(__file__).resolve().parents[2]
C_FOLDER = Path(__file__).with_name("c")
BUILD_FOLDER = ROOT / ".build"
CORE_FOLDERS = ("firmware/core", "firmware/generated", "firmware/port/host")
C_TARGETS = ("frame", "block", "record", "header", "fat", "journal", "desk")
PORT_FILES = ("host_port.c", "host_codec.c")
"""Of the port to a computer only what the targets run on."""
WRAPPED = ("ot_port_tick", "ot_port_serial_start", "ot_port_serial_send")
SANITIZERS = "address,undefined"
FLAGS = (
    "-std=c99", "-O1", "-g", "-fno-omit-frame-pointer", "-fno-sanitize-recover=all",
    "-Wall", "-Wextra", "-Wconversion", "-Werror",
)  # fmt: skip
JOURNAL_ID = 0x1BADCAFE


@dataclass(frozen=True)
class Base:
    """How a base card is made: FAT type, partition table, sectors a cluster, blocks of the journal, bad clusters."""

    size_mib: int
    fat: int
    mbr: bool
    cluster: int
    blocks: int
    bad: tuple[int, ...] = ()


BASES = (
    Base(16, 16, False, 1, 48),
    Base(40, 32, True, 1, 300),
    Base(16, 16, True, 2, 64, bad=(8, 20)),
    Base(40, 32, False, 1, 40, bad=(12,)),
)


def fuzzer_missing() -> str:
    """Why no C target can be built here; empty when they can."""
    if shutil.which("clang") is None:
        return "clang is not installed"
    asked = subprocess.run(["clang", "-print-resource-dir"], capture_output=True, text=True, check=False)
    folder = asked.stdout.strip()
    if not folder or not list(Path(folder).glob("lib/**/libclang_rt.fuzzer*.a")):
        return "clang comes without its fuzzer library (the Debian package libclang-rt-dev)"
    return ""


def target_binary(name: str, *, core: Path | None = None) -> Path:
    """The executable of a C target, built where it is missing or out of date.

    :param core: a folder with a changed ``core`` to build instead of ``firmware/core``.
    :raises UsageError: no such target. :raises InputOutputError: it does not compile, or clang is missing.
    """
    if name not in C_TARGETS:
        raise UsageError(f"no C target {name!r}", expected=" or ".join(C_TARGETS))
    if reason := fuzzer_missing():
        raise InputOutputError(reason, expected="the Debian packages clang and libclang-rt-dev")
    folder = _folder(core)
    with _one_at_a_time():
        if not (folder / "core.a").is_file():
            _build_core(folder, core)
        target = folder / f"fuzz_{name}"
        if not target.is_file():
            source = C_FOLDER / f"fuzz_{name}.c"
            wraps = [f"-Wl,--wrap={one}" for one in WRAPPED]
            options = [*FLAGS, f"-fsanitize=fuzzer,{SANITIZERS}", *_includes(folder, core), *wraps]
            options += ["-Wl,-T", str(C_FOLDER / "fuzz_section.ld")]
            _into(target, ["clang", *options, str(source), str(folder / "core.a")])
    return target


def _core_folders(core: Path | None) -> list[Path]:
    return [core if core and name == "firmware/core" else ROOT / name for name in CORE_FOLDERS]


def _sources(core: Path | None) -> list[Path]:
    files = [path for folder in _core_folders(core) for path in sorted(folder.glob("*.c"))]
    chosen = [path for path in files if path.parent.name != "host" or path.name in PORT_FILES]
    return [*chosen, C_FOLDER / "fuzz_board.c", C_FOLDER / "fuzz_card.c"]


def _folder(core: Path | None) -> Path:
    digest = hashlib.sha256(" ".join((*FLAGS, SANITIZERS, repr(BASES))).encode())
    headers = [path for folder in _core_folders(core) for path in sorted(folder.glob("*.h"))]
    for path in [*_sources(core), *headers, *sorted(C_FOLDER.glob("*")), Path(__file__)]:
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return BUILD_FOLDER / f"fuzz-{digest.hexdigest()[:16]}"


def _includes(folder: Path, core: Path | None) -> list[str]:
    return [f"-iquote{one}" for one in (*_core_folders(core), C_FOLDER, folder)]


def _build_core(folder: Path, core: Path | None) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "fuzz_records.h").write_text(_records_header(), encoding="utf-8")
    bases = folder / "fuzz_bases.c"
    bases.write_text(_bases_source(), encoding="utf-8")
    objects = []
    for source in [*_sources(core), bases]:
        target = folder / f"{source.parent.name}_{source.stem}.o"
        options = [*FLAGS, f"-fsanitize=fuzzer-no-link,{SANITIZERS}", *_includes(folder, core)]
        if source.parent != C_FOLDER:
            options += ["-include", str(C_FOLDER / "fuzz_section.h")]
        _into(target, ["clang", *options, "-c", str(source)])
        objects.append(str(target))
    scratch = folder / "core.a.new"
    scratch.unlink(missing_ok=True)
    _run(["ar", "rcs", str(scratch), *objects])
    os.replace(scratch, folder / "core.a")


def _into(target: Path, command: list[str]) -> None:
    """Compiles to a file of another name first, so that a broken-off build leaves nothing that looks finished."""
    scratch = target.with_name(target.name + ".new")
    _run([*command, "-o", str(scratch)])
    os.replace(scratch, target)


def _run(command: list[str]) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise InputOutputError(f"a fuzz target does not build: {done.stderr[-3000:]}", where=command[0])


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    """Test processes that run side by side must not build into one folder at once."""
    BUILD_FOLDER.mkdir(exist_ok=True)
    with (BUILD_FOLDER / "fuzz.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def record_names() -> list[str]:
    """Every record in the order in which the `record` target counts them, as its C name without ``ot_``."""
    messages = [f"message_{MESSAGES[code].NAME}" for code in sorted(MESSAGES)]
    packets = [f"packet_{PACKETS[kind].NAME}" for kind in sorted(PACKETS)]
    return [*messages, *packets, "head_journal_header", "head_journal_sensors"]


def _records_header() -> str:
    spec = (ROOT / "firmware/generated/ot_spec.h").read_text(encoding="utf-8")
    rows = []
    for name in record_names():
        # A record without numbers has no struct.
        size = f"sizeof(ot_{name})" if f"}} ot_{name};" in spec else "0u"
        rows.append(f"    {{&ot_{name}_layout, {size}}},\n")
    struct = "typedef struct {\n    const ot_layout *layout;\n    size_t struct_size;\n} fuzz_record;\n"
    return f"{struct}static const fuzz_record fuzz_records[] = {{\n{''.join(rows)}}};\n"


@cache
def base_card(index: int) -> tuple[bytes, tuple[int, ...]]:
    """A base card's image, and the sector of each block of its journal."""
    base = BASES[index]
    header = JournalHeader(WhenFull.WRAP, JOURNAL_ID, base.blocks, 57_600, 4, 700, 60, 0, "fuzz")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "card.img"
        make_card_image(
            path, base.size_mib, fat=base.fat, mbr=base.mbr, sectors_per_cluster=base.cluster, bad_clusters=base.bad
        )
        prepare_in_image(path, encode_journal_header(header), base.blocks)
        extents = locate_in_image(path).extents
        sectors = [one.first_sector + at for one in extents for at in range(one.sectors)]
        return path.read_bytes(), tuple(sectors)


@cache
def base_sectors(index: int) -> list[tuple[int, bytes]]:
    """The sectors of a base card that are not of one repeated byte, in order: those that inputs change by index."""
    image, _ = base_card(index)
    return [(at, data) for at, data in _sectors(image) if data != data[:1] * BLOCK_SIZE]


def _sectors(image: bytes) -> Iterator[tuple[int, bytes]]:
    zero = bytes(BLOCK_SIZE)
    for at in range(0, len(image), BLOCK_SIZE):
        data = image[at : at + BLOCK_SIZE]
        if data != zero:
            yield at // BLOCK_SIZE, data


def _bases_source() -> str:
    parts, rows = ['#include "fuzz_card.h"\n'], []
    for index in range(len(BASES)):
        image, journal = base_card(index)
        sectors = base_sectors(index)
        plain = [(at, data[0]) for at, data in _sectors(image) if data == data[:1] * BLOCK_SIZE]
        stretches = []
        for _, group in groupby(enumerate(plain), lambda item: (item[1][0] - item[0], item[1][1])):
            run = [item[1] for item in group]
            stretches.append((run[0][0], len(run), run[0][1]))
        bodies = "".join(f"    {{{at}u, {{{','.join(map(str, data))}}}}},\n" for at, data in sectors)
        parts.append(f"static const fuzz_sector sectors_{index}[] = {{\n{bodies}}};\n")
        runs = "".join(f"    {{{at}u, {count}u, {byte}u}},\n" for at, count, byte in stretches)
        parts.append(f"static const fuzz_stretch stretches_{index}[] = {{\n{runs}}};\n")
        parts.append(f"static const uint32_t journal_{index}[] = {{{','.join(f'{one}u' for one in journal)}}};\n")
        rows.append(
            f"    {{sectors_{index}, {len(sectors)}u, stretches_{index}, {len(stretches)}u, "
            f"{len(image) // BLOCK_SIZE}u, journal_{index}, {len(journal)}u}},\n"
        )
    parts.append(f"const fuzz_base fuzz_bases[] = {{\n{''.join(rows)}}};\n")
    parts.append(f"const uint32_t fuzz_base_count = {len(BASES)}u;\n")
    return "".join(parts)
