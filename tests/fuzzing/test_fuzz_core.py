"""The C targets: a mistake planted in a copy of the core is found, and cards made to loop come to an end."""

from __future__ import annotations

import os
import struct
import subprocess
from pathlib import Path

import pytest
from fuzz_build import C_FOLDER, CORE_FOLDERS, JOURNAL_ID, ROOT, base_card, fuzzer_missing, target_binary
from fuzz_plant import planted_core
from fuzz_targets import CORPUS, TARGETS, replay, run
from offtake.card import locate_in_image
from offtake.errors import DamageError
from offtake.generated.records import BLOCK_SIZE, JournalHeader, WhenFull
from offtake.journal.codec import encode_journal_header

pytestmark = pytest.mark.skipif(bool(fuzzer_missing()), reason=fuzzer_missing() or "it is there")


def test_a_planted_mistake_is_found_within_the_bounded_run(tmp_path: Path) -> None:
    target = TARGETS["frame"]
    core = planted_core(tmp_path / "core")
    result = run(target, tmp_path / "work", seed=1, runs=target.runs, core=core)
    assert len(result.findings) == 1
    assert result.executions > result.corpus  # not a seed, but an input that the fuzzer made
    assert "heap-buffer-overflow" in result.reason
    assert replay(target, result.findings[0], core=core)[0] is False
    assert replay(target, result.findings[0])[0] is True  # the core itself does not fall for it


def test_cards_that_loop_come_to_an_end() -> None:
    # Here the card never stops reading: the bound on sectors read is the core's own.
    files = [str(path) for path in sorted((CORPUS / "fat").iterdir())]
    done = subprocess.run(
        [str(target_binary("fat")), *files],
        env=os.environ | {"OT_FUZZ_ENDLESS": "1", "ASAN_OPTIONS": "detect_leaks=0"},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    assert done.stderr.count("Executed ") == len(files)


def test_the_targets_have_no_warnings(tmp_path: Path) -> None:
    quotes = [f"-iquote{ROOT / folder}" for folder in CORE_FOLDERS]
    built = target_binary("record").parent  # where the headers are that a build writes
    strict = ["-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Wvla", "-Werror"]
    for source in sorted(C_FOLDER.glob("*.c")):
        command = ["gcc", *strict, *quotes, f"-iquote{C_FOLDER}", f"-iquote{built}", "-fsyntax-only", str(source)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr


# Base card 1 is FAT32 in a partition: 32 reserved sectors, two tables, the root directory in cluster 2.
PARTITION, RESERVED, ROOT_SECTOR = 2048, 32, 3310


def wrapping_card() -> list[tuple[int, int, bytes]]:
    """Sector, offset and bytes of each change that makes base card 1 claim two tables of 2^31 sectors each.

    In 32 bits that is none at all, so the data would begin where the first table lies; directory and chain are moved so
    that a journal of two blocks is found there all the same.
    """
    image, journal = base_card(1)
    data = PARTITION + RESERVED
    root, first = ROOT_SECTOR - data + 2, journal[0] - data + 2
    folder = image[ROOT_SECTOR * BLOCK_SIZE : (ROOT_SECTOR + 1) * BLOCK_SIZE]
    at = folder.index(b"OFFTAKE JNL")
    header = encode_journal_header(JournalHeader(WhenFull.WRAP, JOURNAL_ID, 2, 57_600, 4, 700, 60, 0, "fuzz"))
    chain = data + first * 4 // BLOCK_SIZE
    return [
        (PARTITION, 32, struct.pack("<I", 0xFFFFFFFF)),
        (PARTITION, 36, struct.pack("<I", 0x80000000)),
        (PARTITION, 44, struct.pack("<I", root)),
        (ROOT_SECTOR, at + 20, struct.pack("<H", 0)),
        (ROOT_SECTOR, at + 26, struct.pack("<HI", first, 2 * BLOCK_SIZE)),
        *((journal[0], start, header[start : start + 128]) for start in range(0, BLOCK_SIZE, 128)),
        (chain, first * 4 % BLOCK_SIZE, struct.pack("<II", first + 1, 0x0FFFFFFF)),
    ]


def test_the_computer_refuses_a_boot_sector_whose_sizes_wrap(tmp_path: Path) -> None:
    image = bytearray(base_card(1)[0])
    for sector, offset, content in wrapping_card():
        image[sector * BLOCK_SIZE + offset : sector * BLOCK_SIZE + offset + len(content)] = content
    path = tmp_path / "card.img"
    path.write_bytes(image)
    with pytest.raises(DamageError, match="contradicts itself"):
        locate_in_image(path)


def test_the_logger_refuses_a_boot_sector_whose_sizes_wrap(tmp_path: Path) -> None:
    changes = (b"\xff" + struct.pack("<IHB", sector, at, len(data)) + data for sector, at, data in wrapping_card())
    path = tmp_path / "input"
    path.write_bytes(b"\x01" + b"".join(changes))
    passes, said = replay(TARGETS["fat"], path)
    assert passes, said[-3000:]
