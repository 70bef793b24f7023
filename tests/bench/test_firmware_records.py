"""The real firmware image on the bench: what the line sent is on the card, and what is not there is counted."""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

import pytest
from card_image import FRAMING, RAW, RING_FULL, RUN_END, RUN_START, SUPPLY, make_journal, pieces_in_order
from offtake.bench.board import Bench, Board
from offtake.bench.cards import AWKWARD, Card, constant, scripted, uniform
from offtake.bench.cuts import Cut
from offtake.bench.figures import Reset
from offtake.bench.line import bursts, steady
from offtake.card import fsck
from offtake.firmware_build import build
from offtake.generated.records import Supply
from offtake.journal.reader import Journal
from offtake.journal.source import BytesSource

HZ = 16_000_000


@pytest.fixture(scope="module")
def elf() -> Path:
    return build("atmega328p_16mhz")


def noise(count: int, seed: int) -> bytes:
    return random.Random(seed).randbytes(count)


def test_a_minute_at_full_speed_loses_nothing(elf: Path, tmp_path: Path) -> None:
    journal = make_journal(tmp_path)
    payload = noise(60 * 5760, 1)
    line = steady(payload, baud=57_600, frequency_hz=HZ, start_ms=1000)
    outside = journal.outside()
    with Bench(elf, image=journal.image, card=Card(busy=uniform(1, 20), seed=7), line=line, seed=1) as bench:
        end = bench.run_line(then_ms=1500)
        assert end.ok, end
        uart, passive, card, writes = bench.uart, bench.passive, bench.card_counts, len(bench.writes)
    seen = journal.read()
    assert bytes(seen.data[1]) == payload
    assert seen.lost == {}
    assert (uart.read, uart.overrun_lost) == (len(payload), 0)
    assert passive.silent
    assert card.max_init_hz <= 400_000
    assert (card.busy_violations, card.illegal, card.crc7_wrong) == (0, 0, 0)
    assert seen.codes[1][0] == RUN_START
    assert seen.codes[1].count(SUPPLY) >= 5
    # The design's target: at most 6 % over the line's own bytes on a saturated line, the last block apart.
    assert (writes - 1) * 512 / len(payload) <= 1.06
    assert journal.outside() == outside
    journal.path.write_bytes(journal.image)
    assert fsck(journal.path) == []


@pytest.mark.parametrize(("baud", "stall_ms"), [(9_600, 900), (57_600, 600), (115_200, 400)])
def test_what_a_long_stall_costs_is_counted_exactly(elf: Path, tmp_path: Path, baud: int, stall_ms: int) -> None:
    journal = make_journal(tmp_path, baud=baud)
    payload = noise(baud // 10 * 4, 2)
    eeprom = None
    for _ in range(2):  # the first start learns the speed from the journal, the second knows it from its EEPROM
        line = steady(payload, baud=baud, frequency_hz=HZ, start_ms=1500)
        card = Card(busy=scripted(5, 5, stall_ms, 5, stall_ms), seed=3)
        with Bench(elf, image=journal.image, card=card, line=line, eeprom=eeprom, seed=2) as bench:
            assert bench.run_line(then_ms=3000).ok
            eeprom, uart = bench.eeprom, bench.uart
    seen = journal.read()
    logged, lost = len(seen.data[2]), seen.lost.get(2, {}).get(RING_FULL, 0)
    assert uart.overrun_lost == 0
    assert logged + lost == uart.read == len(payload)
    assert pieces_in_order(payload, seen.pieces[2])
    assert (lost > 0) == (
        baud > 9_600
    )  # at 9,600 baud the ring rides the stall out; above, there is something to count


def test_bursts_carry_the_tick_of_their_first_byte(elf: Path, tmp_path: Path) -> None:
    journal = make_journal(tmp_path)
    epochs = [noise(300, seed) for seed in range(10)]
    line = bursts(epochs, baud=57_600, frequency_hz=HZ, period_ms=200, start_ms=1000)
    with Bench(
        elf, image=journal.image, card=Card(busy=constant(5), seed=3), line=line, board=Board(), seed=2
    ) as bench:
        assert bench.run_line(then_ms=2000).ok
    seen = journal.read()
    assert bytes(seen.data[1]) == b"".join(epochs)
    starts, total = [], 0
    for code, tick, size in seen.raw_ticks[1]:
        if total % 300 == 0:
            assert code == RAW
            starts.append(tick)
        total += size
    assert len(starts) == 10
    # 200 ms are 50,000 ticks; the interrupt stamps a byte at its end, within a few ticks.
    assert all(abs(later - earlier - 50_000) <= 3 for earlier, later in pairwise(starts))


def test_an_awkward_card_is_started_and_recorded_to(elf: Path, tmp_path: Path) -> None:
    journal = make_journal(tmp_path, fat=16)
    payload = noise(4000, 5)
    line = steady(payload, baud=57_600, frequency_hz=HZ, start_ms=2500)
    with Bench(elf, image=journal.image, card=AWKWARD, line=line, seed=4) as bench:
        assert bench.run_line(then_ms=2500).ok
        read = bench.uart.read
    seen = journal.read()
    assert len(seen.data[1]) + seen.lost.get(1, {}).get(RING_FULL, 0) == read == len(payload)


def test_a_quiet_line_is_on_the_card_within_a_second(elf: Path, tmp_path: Path) -> None:
    journal = make_journal(tmp_path)
    payload = b"one short burst"
    line = steady(payload, baud=57_600, frequency_hz=HZ, start_ms=1500)
    with Bench(elf, image=journal.image, card=Card(busy=constant(20), seed=3), line=line, seed=2) as bench:
        assert bench.run_ms(1500 + 1000).ok
    assert bytes(journal.read().data[1]) == payload


def test_a_full_journal_ends_the_run_and_stays(elf: Path, tmp_path: Path) -> None:
    journal = make_journal(tmp_path, blocks=6)
    outside = journal.outside()
    payload = noise(8000, 6)
    line = steady(payload, baud=57_600, frequency_hz=HZ, start_ms=1000)
    with Bench(elf, image=journal.image, card=Card(busy=constant(2), seed=3), line=line, seed=2) as bench:
        assert bench.run_line(then_ms=1500).ok
        eeprom = bench.eeprom
    seen = journal.read()
    assert seen.blocks == 5
    assert RUN_END in seen.codes[1]
    assert payload.startswith(bytes(seen.data[1]))
    full = bytes(journal.image)
    with Bench(
        elf, image=journal.image, card=Card(busy=constant(2), seed=3), line=line, eeprom=eeprom, seed=2
    ) as bench:
        assert bench.run_line(then_ms=500).ok
        assert len(bench.writes) == 0
    assert bytes(journal.image) == full
    assert journal.outside() == outside


def test_wrap_goes_on_over_the_oldest_blocks(elf: Path, tmp_path: Path) -> None:
    journal = make_journal(tmp_path, blocks=6, when_full=1)
    payload = noise(8000, 7)
    line = steady(payload, baud=57_600, frequency_hz=HZ, start_ms=1000)
    eeprom = None
    for _ in range(2):
        with Bench(
            elf, image=journal.image, card=Card(busy=constant(2), seed=3), line=line, eeprom=eeprom, seed=2
        ) as bench:
            assert bench.run_line(then_ms=1500).ok
            eeprom = bench.eeprom
    seen = journal.read()
    assert seen.bad_positions == []
    assert seen.blocks == 5
    assert payload.endswith(bytes(seen.data[2])[-400:])


@pytest.mark.parametrize("reset", [Reset.EXTERNAL, Reset.BROWN_OUT, Reset.WATCHDOG])
def test_a_reset_of_the_chip_alone_starts_a_new_run(elf: Path, tmp_path: Path, reset: Reset) -> None:
    journal = make_journal(tmp_path)
    payload = noise(30_000, 8)
    line = steady(payload, baud=57_600, frequency_hz=HZ, start_ms=1000)
    with Bench(elf, image=journal.image, card=Card(busy=uniform(1, 20), seed=9), line=line, seed=2) as bench:
        assert bench.run_ms(2345).ok
        first = journal.read()
        bench.reset(reset)
        assert bench.run_line(then_ms=2000).ok
        assert bench.passive.silent
    seen = journal.read()
    assert payload.startswith(bytes(seen.data[1]))
    assert bytes(seen.data[1]).startswith(bytes(first.data[1]))
    assert payload.endswith(bytes(seen.data[2])[-1000:])


def test_a_wrong_speed_is_logged_as_framing_errors(elf: Path, tmp_path: Path) -> None:
    journal = make_journal(tmp_path, baud=57_600)
    line = steady(noise(3000, 9), baud=38_400, frequency_hz=HZ, start_ms=1000)
    with Bench(elf, image=journal.image, card=Card(busy=constant(2), seed=3), line=line, seed=2) as bench:
        assert bench.run_line(then_ms=1500).ok
        uart = bench.uart
    seen = journal.read()
    assert uart.framing_errors > 0
    assert seen.lost[1][FRAMING] == uart.framing_errors
    assert len(seen.data[1]) == uart.read


def test_a_full_card_exchanged_for_one_with_room_goes_on(elf: Path, tmp_path: Path) -> None:
    full = make_journal(tmp_path, blocks=4)
    fresh = make_journal(tmp_path, blocks=512)
    payload = noise(50_000, 10)
    line = steady(payload, baud=57_600, frequency_hz=HZ, start_ms=1000)
    with Bench(elf, image=full.image, card=Card(busy=constant(2), seed=3), line=line, seed=2) as bench:
        assert bench.run_ms(3000).ok
        blocks = len(bench.writes)
        bench.remove_card(Cut())
        assert bench.run_ms(4000).ok
        bench.insert_card(fresh.image, Card(busy=constant(2), seed=4))
        assert bench.run_line(then_ms=1500).ok
        assert len(bench.writes) > blocks == 3
    seen = fresh.read()
    logged, lost = bytes(seen.data[1]), seen.lost[1][RING_FULL]
    assert payload.endswith(logged[-2000:])
    assert lost > 0
    assert len(full.read().data[1]) + lost + len(logged) == len(payload)


def test_a_card_pulled_and_put_back_is_taken_up_as_a_new_run(elf: Path, tmp_path: Path) -> None:
    journal = make_journal(tmp_path, blocks=512)
    payload = noise(60_000, 11)
    line = steady(payload, baud=57_600, frequency_hz=HZ, start_ms=1000)
    with Bench(elf, image=journal.image, card=Card(busy=constant(2), seed=3), line=line, seed=2) as bench:
        assert bench.run_ms(2500).ok
        report = bench.remove_card(Cut())
        held = journal.read()
        assert bench.run_ms(3200).ok
        bench.insert_card(journal.image, Card(busy=constant(2), seed=4))
        assert bench.run_line(then_ms=1500).ok
    seen = journal.read()
    assert report.changed == ()
    assert seen.data[1] == held.data[1]
    assert payload.startswith(bytes(seen.data[1]))
    new = max(seen.data)
    assert new >= 2
    assert payload.endswith(bytes(seen.data[new])[-2000:])


def test_the_longest_busy_time_is_told_with_the_supply(elf: Path, tmp_path: Path) -> None:
    """As the bench's card measured it: looked at between other work, so told up to a few milliseconds longer."""
    journal = make_journal(tmp_path)
    payload = noise(40 * 5760, 3)
    line = steady(payload, baud=57_600, frequency_hz=HZ, start_ms=1000)
    busy = scripted(*[2.0] * 100, 120.0, *[2.0] * 150, 33.0, *[2.0] * 10_000)
    with Bench(elf, image=journal.image, card=Card(busy=busy, seed=7), line=line, seed=1) as bench:
        assert bench.run_line(then_ms=1500).ok
        writes = bench.writes.copy()
    told = [
        (record.supply_mv, record.card_busy_ms)
        for frame in Journal(BytesSource(b"".join(map(journal.block, range(journal.blocks))))).frames(1)
        if frame.code == SUPPLY and isinstance(record := frame.record()[1], Supply)
    ]
    longest = (writes["durable"] - writes["accepted"]).max() * 1000 / HZ
    assert longest == pytest.approx(120.0, abs=0.5)
    times = sorted(ms for _, ms in told)
    assert len(times) >= 4
    assert times[-1] == pytest.approx(120.0, abs=6.0)
    assert times[-1] >= 119
    assert times[-2] == pytest.approx(33.0, abs=6.0)
    assert times[-2] >= 32
    assert all(ms <= 8 for ms in times[:-2])
