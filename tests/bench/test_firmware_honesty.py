"""What the log tells of losses and line faults is what the bench did to the receiver, to the byte and to the event.

Each scenario runs the real image, lets the ring drain, and holds the log against every byte read; see stream_check.
The scenarios that end in an overrun, a framing error or a full ring assert that they do, so none passes for nothing.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from card_image import FRAMING, OVERRUN, RING_FULL, make_journal
from offtake.bench.board import Bench, Board
from offtake.bench.cards import Card, constant, scripted, stalling, uniform
from offtake.bench.cuts import Cut
from offtake.bench.figures import UartCounts
from offtake.bench.firmware import Firmware, load_elf
from offtake.bench.line import Line, bursts, line_break, steady
from offtake.firmware_build import build
from stream_check import Account, check_all, check_order, take_account

MHZ16, MHZ8 = "atmega328p_16mhz", "atmega328p_8mhz"
HZ = {MHZ16: 16_000_000, MHZ8: 8_000_000}
QUICK = Card(busy=constant(2), seed=3)
DRAIN_MS = 3000.0
LONG = os.environ.get("OFFTAKE_LONG") == "1"


@pytest.fixture(scope="module", params=[MHZ16, MHZ8])
def variant(request: pytest.FixtureRequest) -> str:
    name: str = request.param
    return name


@pytest.fixture(scope="module")
def firmwares() -> dict[str, Firmware]:
    return {name: load_elf(build(name)) for name in HZ}


class Recorder:
    """Runs one scenario on a fresh journal."""

    def __init__(self, firmwares: dict[str, Firmware], folder: Path) -> None:
        self.firmwares = firmwares
        self.folder = folder
        self.name = MHZ16
        self.uart: UartCounts

    @property
    def hz(self) -> int:
        return HZ[self.name]

    def run(
        self,
        line: Line,
        *,
        baud: int,
        card: Card = QUICK,
        taught: bool = True,
        during: Callable[[Bench], None] | None = None,
    ) -> Account:
        """``taught``: the board knows the journal's speed from an earlier start; ``during`` acts on the way."""
        journal = make_journal(self.folder, blocks=512, size_mib=8, baud=baud)
        board = Board(frequency_hz=self.hz)
        eeprom = None
        if taught:
            with Bench(self.firmwares[self.name], image=bytearray(journal.image), board=board, seed=2) as first:
                assert first.run_ms(1200).ok
                eeprom = first.eeprom
        with Bench(
            self.firmwares[self.name], image=journal.image, card=card, line=line, board=board, eeprom=eeprom, seed=2
        ) as bench:
            if during is not None:
                during(bench)
            assert bench.run_line(then_ms=DRAIN_MS).ok
            self.uart = bench.uart
            assert self.uart.balanced
            assert self.uart.waiting == 0
            return take_account(journal, bench)


@pytest.fixture
def recorder(firmwares: dict[str, Firmware], tmp_path: Path) -> Recorder:
    return Recorder(firmwares, tmp_path)


def noise(count: int, seed: int) -> bytes:
    return random.Random(seed).randbytes(count)


def glitches(
    line: Line, count: int, *, seed: int, from_ms: float, to_ms: float, hz: int, bits: float, baud: int
) -> Line:
    """``line`` with ``count`` flips between two moments, each ``bits`` long."""
    at = np.sort(np.random.default_rng(seed).uniform(from_ms, to_ms, count)) * hz / 1000
    ones, width = np.ones(count, dtype=np.uint16), np.full(count, bits * hz / baud)
    return Line(line.start, line.pattern, line.bit, at, ones, width, line.inverted)


@pytest.mark.parametrize(
    ("baud", "stalls"),
    [(9_600, (5, 900, 5)), (57_600, (5, 5, 600, 5)), (115_200, (5, 400, 5, 90)), (250_000, (1, 150, 30, 2))],
)
def test_stalls_at_the_right_speed(recorder: Recorder, variant: str, baud: int, stalls: tuple[float, ...]) -> None:
    recorder.name = variant
    if (variant, baud) == (MHZ8, 115_200):
        pytest.skip("the 8 MHz board misreads 115,200 baud; that is a scenario of its own")
    line = steady(noise(baud // 10 * 3, 1), baud=baud, frequency_hz=recorder.hz, start_ms=900)
    account = recorder.run(line, baud=baud, card=Card(busy=scripted(*stalls), seed=3))
    check_all(account)
    assert account.count(FRAMING) == account.count(OVERRUN) == 0
    assert (account.count(RING_FULL) > 0) == (baud > 9_600)


@pytest.mark.parametrize(
    ("journal_bd", "line_bd"), [(57_600, 38_400), (38_400, 57_600), (9_600, 115_200), (57_600, 58_000)]
)
@pytest.mark.parametrize("stall_ms", [2, 500])
def test_the_wrong_speed_either_way(recorder: Recorder, journal_bd: int, line_bd: int, stall_ms: int) -> None:
    line = steady(noise(line_bd // 5, 2), baud=line_bd, frequency_hz=recorder.hz, start_ms=900)
    account = recorder.run(line, baud=journal_bd, card=Card(busy=scripted(2, 2, stall_ms), seed=3))
    check_all(account)
    assert (account.count(FRAMING) > 0) == (line_bd != 58_000)


@pytest.mark.parametrize("bits", [0.2, 0.6, 1.4])
@pytest.mark.parametrize("stall_ms", [2, 700])
def test_noise_on_a_busy_line(recorder: Recorder, variant: str, bits: float, stall_ms: int) -> None:
    recorder.name = variant
    line = steady(noise(12_000, 3), baud=57_600, frequency_hz=recorder.hz, start_ms=900)
    line = glitches(line, 500, seed=4, from_ms=900, to_ms=3000, hz=recorder.hz, bits=bits, baud=57_600)
    check_all(recorder.run(line, baud=57_600, card=Card(busy=scripted(2, 2, stall_ms), seed=3)))
    assert recorder.uart.framing_errors > 0


def test_noise_on_an_idle_line(recorder: Recorder) -> None:
    line = steady(noise(5, 5), baud=57_600, frequency_hz=recorder.hz, start_ms=3000)
    line = glitches(line, 300, seed=6, from_ms=900, to_ms=2900, hz=recorder.hz, bits=3, baud=57_600)
    account = recorder.run(line, baud=57_600, card=Card(busy=scripted(2, 200, 2), seed=3))
    check_all(account)
    assert recorder.uart.spurious > 250


@pytest.mark.parametrize("stall_ms", [2, 900])
def test_breaks_between_bursts(recorder: Recorder, stall_ms: int) -> None:
    hz = recorder.hz
    line = bursts([noise(400, s) for s in range(12)], baud=57_600, frequency_hz=hz, period_ms=200, start_ms=900)
    for index in range(24):
        at = (900 + 100 * index + 80) * hz / 1000
        line = line.then(line_break(start_cycle=at, length_cycles=(11 + 3 * index) * hz / 57_600))
    account = recorder.run(line, baud=57_600, card=Card(busy=scripted(2, stall_ms, 2), seed=3))
    check_all(account)
    assert account.count(FRAMING) >= 24


def test_230400_baud_is_misread_honestly(recorder: Recorder) -> None:
    # 16 MHz, double speed: divider 9, -3.5 % (datasheet table in check values).
    line = steady(noise(30_000, 7), baud=230_400, frequency_hz=recorder.hz, start_ms=900)
    account = recorder.run(line, baud=230_400, card=Card(busy=stalling(uniform(1, 5), stall_ms=80, every=5), seed=3))
    check_all(account)
    assert account.count(FRAMING) > 1000
    assert account.count(RING_FULL) > 0


def test_115200_baud_on_the_8_mhz_board_is_misread_honestly(recorder: Recorder) -> None:
    recorder.name = MHZ8
    line = steady(noise(20_000, 8), baud=115_200, frequency_hz=recorder.hz, start_ms=900)
    account = recorder.run(line, baud=115_200, card=Card(busy=stalling(uniform(1, 5), stall_ms=400, every=5), seed=3))
    check_all(account)
    assert account.count(FRAMING) > 1000
    assert account.count(RING_FULL) > 0


@pytest.mark.parametrize(("baud", "seed"), [(1_000_000, 9), (1_000_000, 10), (500_000, 11)])
def test_a_line_too_fast_for_the_chip(recorder: Recorder, variant: str, baud: int, seed: int) -> None:
    recorder.name = variant
    line = steady(noise(20_000, seed), baud=baud, frequency_hz=recorder.hz, start_ms=900)
    account = recorder.run(line, baud=baud, card=Card(busy=uniform(1, 20), seed=seed))
    check_all(account)
    assert account.count(RING_FULL) > 0
    if baud == 1_000_000:
        assert recorder.uart.overrun_lost >= account.count(OVERRUN) > 0


def test_a_fast_line_with_noise(recorder: Recorder) -> None:
    line = steady(noise(20_000, 12), baud=1_000_000, frequency_hz=recorder.hz, start_ms=900)
    line = glitches(line, 400, seed=13, from_ms=900, to_ms=1100, hz=recorder.hz, bits=1.2, baud=1_000_000)
    account = recorder.run(line, baud=1_000_000, card=Card(busy=uniform(1, 20), seed=3))
    check_all(account)
    assert account.count(OVERRUN) > 0
    assert account.count(FRAMING) > 0


@pytest.mark.parametrize("size", [1, 3, 40])
def test_many_short_bursts_during_stalls(recorder: Recorder, size: int) -> None:
    """More bursts than there are marks for: their bytes belong to the burst before, but none is lost or moved."""
    chunks = [noise(size, seed) for seed in range(600)]
    line = bursts(chunks, baud=57_600, frequency_hz=recorder.hz, period_ms=3 + size / 5, start_ms=900)
    line = glitches(line, 200, seed=14, from_ms=900, to_ms=2600, hz=recorder.hz, bits=1.5, baud=57_600)
    check_all(recorder.run(line, baud=57_600, card=Card(busy=scripted(2, 400, 2, 300), seed=3)))


@pytest.mark.parametrize("gap_bits", [3, 25, 60])
def test_faults_while_the_ring_fills_and_empties_often(recorder: Recorder, gap_bits: int) -> None:
    """Losses follow one another faster than the queue of losses empties."""
    line = steady(noise(9_000, 15), baud=250_000, frequency_hz=recorder.hz, start_ms=900, gap_bits=gap_bits)
    line = glitches(line, 200, seed=16, from_ms=900, to_ms=2000, hz=recorder.hz, bits=1.5, baud=250_000)
    account = recorder.run(line, baud=250_000, card=Card(busy=uniform(30, 250), seed=3))
    check_all(account)
    assert account.count(RING_FULL) > 0


@pytest.mark.parametrize("baud", [57_600, 115_200, 250_000])
def test_faults_while_the_card_is_started(recorder: Recorder, baud: int) -> None:
    line = steady(noise(baud // 10, 17), baud=baud, frequency_hz=recorder.hz, start_ms=0)
    line = glitches(line, 300, seed=18, from_ms=70, to_ms=900, hz=recorder.hz, bits=1.3, baud=baud)
    account = recorder.run(line, baud=baud, card=Card(busy=constant(5), acmd41_ms=300, seed=3))
    check_all(account)
    assert account.count(FRAMING) > 50
    assert account.count(RING_FULL) > 0


@pytest.mark.parametrize("journal_bd", [38_400, 115_200])
def test_faults_heard_before_the_journal_names_the_speed(recorder: Recorder, journal_bd: int) -> None:
    """The first start listens at a speed of its own; what it flagged there is logged as well as the bytes dropped."""
    line = steady(noise(journal_bd // 5, 19), baud=journal_bd, frequency_hz=recorder.hz, start_ms=0)
    account = recorder.run(line, baud=journal_bd, taught=False)
    check_all(account)
    assert recorder.uart.framing_errors > 0


@pytest.mark.parametrize("out_ms", [300, 2500])
def test_a_card_pulled_between_blocks_and_put_back(recorder: Recorder, out_ms: float) -> None:
    line = steady(noise(30_000, 20), baud=57_600, frequency_hz=recorder.hz, start_ms=900)
    line = glitches(line, 400, seed=21, from_ms=900, to_ms=6000, hz=recorder.hz, bits=1.3, baud=57_600)

    def pull(bench: Bench) -> None:
        image = bench._image
        assert bench.run_ms(1500).ok
        assert bench.run_until_blocks(int(bench.card_counts.blocks_written) + 1, limit_ms=500).ok
        assert bench.run_ms(10).ok
        counts = bench.card_counts
        assert (counts.in_flight, counts.receiving) == (0, 0)
        bench.remove_card(Cut())
        assert bench.run_ms(out_ms).ok
        bench.insert_card(image, Card(busy=constant(3), seed=5))

    account = recorder.run(line, baud=57_600, during=pull)
    check_all(account)
    assert account.count(FRAMING) > 20


def test_a_card_pulled_in_the_middle_of_a_block(recorder: Recorder) -> None:
    line = steady(noise(30_000, 22), baud=57_600, frequency_hz=recorder.hz, start_ms=900)

    def pull(bench: Bench) -> None:
        image = bench._image
        assert bench.run_ms(1500).ok
        while not bench.card_counts.receiving:
            assert bench.run_ms(1).ok
        bench.remove_card(Cut())
        assert bench.run_ms(900).ok
        bench.insert_card(image, Card(busy=constant(3), seed=5))

    check_all(recorder.run(line, baud=57_600, during=pull))


def test_a_card_pulled_while_busy_with_a_block(recorder: Recorder) -> None:
    """The card had taken the block and lost it: its line bytes are gone, and counted."""
    line = steady(noise(30_000, 23), baud=57_600, frequency_hz=recorder.hz, start_ms=900)

    def pull(bench: Bench) -> None:
        image = bench._image
        assert bench.run_ms(1500).ok
        while not bench.card_counts.in_flight:
            assert bench.run_ms(1).ok
        bench.remove_card(Cut())
        assert bench.run_ms(900).ok
        bench.insert_card(image, Card(busy=constant(3), seed=5))

    check_all(recorder.run(line, baud=57_600, card=Card(busy=constant(40), seed=3), during=pull))


@pytest.mark.parametrize("refusals", [(2,), (2, 3, 4), (2, 3, 4, 5, 6, 7, 8, 9)])
def test_refused_writes_with_noise(recorder: Recorder, refusals: tuple[int, ...]) -> None:
    line = steady(noise(20_000, 24), baud=57_600, frequency_hz=recorder.hz, start_ms=900)
    line = glitches(line, 300, seed=25, from_ms=900, to_ms=4000, hz=recorder.hz, bits=1.3, baud=57_600)
    check_all(recorder.run(line, baud=57_600, card=Card(busy=constant(3), seed=3, write_errors=refusals)))


def test_an_inverted_line(recorder: Recorder) -> None:
    line = steady(noise(8_000, 26), baud=57_600, frequency_hz=recorder.hz, start_ms=900).with_polarity(inverted=True)
    account = recorder.run(line, baud=57_600, card=Card(busy=scripted(2, 300), seed=3))
    check_all(account)
    assert account.count(FRAMING) > 100


def scenario(seed: int, hz: int) -> tuple[Line, int, Card]:
    """Anything: speeds, pauses, noise, breaks, busy times, refusals and read errors, all from one seed."""
    rng = random.Random(seed)
    baud = rng.choice([9_600, 38_400, 57_600, 57_600, 115_200, 230_400, 250_000, 500_000, 1_000_000])
    line_bd = baud if rng.random() < 0.7 else baud * rng.uniform(0.5, 1.9)
    start_ms = rng.choice([0.0, 200.0, 900.0])
    count = int(min(line_bd / 10 * 2, 15_000))
    if rng.random() < 0.5:
        line = steady(
            noise(count, seed), baud=line_bd, frequency_hz=hz, start_ms=start_ms, gap_bits=rng.choice([0, 0, 2, 41])
        )
    else:
        size = rng.choice([1, 5, 60, 700])
        chunks = [noise(rng.randint(1, size), seed * 1000 + index) for index in range(min(2 * count // size + 1, 1500))]
        period = rng.uniform(0.5, 2.0) * size * 10_000 / line_bd + 0.2
        line = bursts(chunks, baud=line_bd, frequency_hz=hz, period_ms=period, start_ms=start_ms)
    end_ms = line.end_cycle * 1000 / hz
    for _ in range(rng.choice([0, 0, 5])):
        at = rng.uniform(start_ms, end_ms) * hz / 1000
        line = line.then(line_break(start_cycle=at, length_cycles=rng.uniform(9, 200) * hz / line_bd))
    bits = rng.choice([0.1, 0.7, 1.5, 4.0])
    line = glitches(
        line, rng.choice([0, 40, 600]), seed=seed, from_ms=start_ms, to_ms=end_ms, hz=hz, bits=bits, baud=int(line_bd)
    )
    busy = rng.choice([constant(2), uniform(1, 20), uniform(20, 260), stalling(uniform(1, 5), stall_ms=800, every=9)])
    refused = tuple(sorted(rng.sample(range(30), rng.choice([0, 0, 6]))))
    card = Card(busy=busy, write_errors=refused, acmd41_ms=rng.choice([20, 400]), read_errors=(3, 9), seed=seed)
    return line, baud, card


@pytest.mark.parametrize("seed", range(240 if LONG else 8))
def test_any_scenario(recorder: Recorder, seed: int) -> None:
    recorder.name = MHZ8 if seed % 4 == 3 else MHZ16
    line, baud, card = scenario(seed, recorder.hz)
    account = recorder.run(line, baud=baud, card=card)
    check_all(account)


def test_the_check_itself_fails_on_a_moved_loss(recorder: Recorder) -> None:
    """A loss counted right but told in another place is not honest."""
    line = steady(noise(20_000, 27), baud=57_600, frequency_hz=recorder.hz, start_ms=900)
    account = recorder.run(line, baud=57_600, card=Card(busy=scripted(5, 600, 5), seed=3))
    check_order(account)
    at = next(i for i, frame in enumerate(account.frames) if frame.cause == RING_FULL)
    account.frames.insert(at - 1, account.frames.pop(at))
    with pytest.raises(AssertionError):
        check_order(account)
