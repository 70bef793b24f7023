"""Power cuts at any cycle of the real firmware image: promises 2, 3, 4 and 6, and the start on the same card after it.

A failure names its cut: the same group and index give the same cut, the same damage and the same image.
"""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from card_image import LOSS, RING_FULL, JournalImage, make_journal, pieces_in_order
from offtake.bench.board import Bench
from offtake.bench.cards import Card, uniform
from offtake.bench.cuts import CutReport, random_cut
from offtake.bench.figures import ACCEPTED
from offtake.bench.firmware import Firmware, load_elf
from offtake.bench.line import Line, steady
from offtake.card import fsck
from offtake.firmware_build import build
from offtake.spec.load import find_spec_folder, load_spec

HZ = 16_000_000
GROUPS = 8
CUTS_IN_GROUP = 25
LINE_BYTES_IN_BLOCK = 484
RING_BYTES = load_spec(find_spec_folder()).boards[0].ring_bytes


@pytest.fixture(scope="module")
def firmware() -> Firmware:
    return load_elf(build("atmega328p_16mhz"))


def the_line(seed: int) -> tuple[bytes, Line]:
    payload = random.Random(seed).randbytes(3 * 5760)
    return payload, steady(payload, baud=57_600, frequency_hz=HZ, start_ms=1200)


def harmed(report: CutReport) -> set[int]:
    sectors = set(report.reverted) | set(report.garbage) | set(report.changed)
    return sectors | ({report.in_flight} if report.in_flight is not None else set())


@pytest.mark.parametrize("group", range(GROUPS))
def test_cuts_at_random_cycles(firmware: Firmware, tmp_path: Path, group: int) -> None:
    fresh = make_journal(tmp_path, blocks=1024, size_mib=8)
    for index in range(CUTS_IN_GROUP):
        name = f"cut {index} of group {group}"
        rng = np.random.default_rng([20261125, group, index])
        journal = JournalImage(bytearray(fresh.image), fresh.first_sector, fresh.blocks, fresh.path)
        payload, line = the_line(group * 1000 + index)
        card = Card(busy=uniform(1, 60), seed=index)
        with Bench(firmware, image=journal.image, card=card, line=line, seed=index) as bench:
            assert bench.run_until(int(rng.integers(HZ // 2, 42 * HZ // 10))).ok, name
            writes, read, cycle = bench.writes, bench.uart.read, bench.cycle
            durable = writes[(writes["response"] == ACCEPTED) & (writes["durable"] <= cycle)]
            before = {int(lba): journal.block(int(lba) - journal.first_sector) for lba in durable["lba"]}
            report = bench.cut(random_cut(rng))
        kept = {lba: block for lba, block in before.items() if lba not in harmed(report)}
        first, end = journal.first_sector + 1, journal.first_sector + journal.blocks
        assert all(first <= int(lba) < end for lba in writes["lba"]), f"{name}: written outside the journal"
        check_after_cut(journal, kept, payload, read, name)
        if any(not first <= lba < end for lba in harmed(report)):
            continue  # the card harmed the journal's header or the file system: nothing to go on with
        start_again(firmware, journal, report.eeprom, index, name)
        for lba, block in kept.items():
            assert journal.block(lba - journal.first_sector) == block, f"{name}: durable block {lba} was touched"
        assert journal.outside() == fresh.outside(), name
        journal.path.write_bytes(journal.image)
        assert fsck(journal.path) == [], name


def check_after_cut(journal: JournalImage, kept: dict[int, bytes], payload: bytes, read: int, name: str) -> None:
    for lba, block in kept.items():
        assert journal.block(lba - journal.first_sector) == block, f"{name}: durable block {lba} changed"
    seen = journal.read()
    data = bytes(seen.data.get(1, b""))
    assert pieces_in_order(payload, seen.pieces.get(1, [])), f"{name}: invented bytes"
    lost = seen.lost.get(1, {}).get(RING_FULL, 0)
    # What is missing was in the ring, or in the one block that the card had not finished; damage apart.
    if len(kept) == seen.blocks and not seen.bad_positions:
        assert read - len(data) - lost <= RING_BYTES + LINE_BYTES_IN_BLOCK, f"{name}: {read} read, {len(data)} logged"
    assert LOSS not in seen.codes.get(1, []) or lost > 0, name


def start_again(firmware: Firmware, journal: JournalImage, eeprom: bytes, index: int, name: str) -> None:
    before = journal.read()
    payload = random.Random(index).randbytes(1000)
    line = steady(payload, baud=57_600, frequency_hz=HZ, start_ms=1200)
    with Bench(firmware, image=journal.image, card=Card(seed=index), line=line, eeprom=eeprom, seed=index) as bench:
        assert bench.run_line(then_ms=1000).ok, name
    after = journal.read()
    new = max(after.data)
    assert bytes(after.data[new]) == payload, f"{name}: the next run is not whole"
    assert new == max(before.codes, default=0) + 1, name
    for run, data in before.data.items():
        assert after.data[run] == data, f"{name}: run {run} changed"
