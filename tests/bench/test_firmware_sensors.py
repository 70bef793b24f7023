"""The four sensors on the real image: all at once on a saturated line, at other speeds, and edges that do not last.

What the bench's world did is known to the cycle; what the journal says is held against it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from offtake.bench.board import Bench, Board
from offtake.bench.cards import Card, constant, uniform
from offtake.bench.firmware import Firmware, load_elf
from offtake.bench.line import steady
from offtake.bench.sensors import (
    AnalogueInput,
    EventInput,
    PressurePart,
    PulseInput,
    PulseTrain,
    SensorCounts,
    World,
)
from offtake.firmware_build import build
from offtake.generated.records import (
    Analogue,
    Event,
    Level,
    LossCause,
    Pressure,
    PressureConstants,
    Pulses,
    RunStart,
    Sensor,
)
from sensor_journal import (
    ALL,
    EVENT,
    HZ,
    PULSES,
    TICK_CYCLES,
    TICKS_PER_MS,
    Logged,
    Settings,
    read_run,
    sensor_journal,
    tick_origin,
)
from sensor_world import (
    PULSE_COUNT,
    PULSE_PERIOD,
    SECONDS,
    VOLTAGES,
    Presses,
    presses,
    saturated,
    the_world,
)

PERIOD_ERROR_US = 16
"""Two ticks and what each of the two edges' interrupts may wait for another one, some 6 us."""
CONVERSIONS = 17
"""A reading is the sum of 16 conversions; one before them settles the input."""


@pytest.fixture(scope="module")
def firmware() -> Firmware:
    return load_elf(build("atmega328p_16mhz"))


@dataclass(frozen=True)
class Run:
    """All four at once: what was scripted, what the bench saw, what the journal says."""

    settings: Settings
    payload: bytes
    pressed: Presses
    logged: Logged
    origin: int
    counts: SensorCounts
    samples: NDArray[np.void]
    conversions: NDArray[np.void]
    overruns: int
    read: int
    silent_line: bool

    def cycle(self, tick: int) -> int:
        """The cycle at which a tick began."""
        return self.origin + tick * TICK_CYCLES


@pytest.fixture(scope="module", params=[True, False], ids=["false edges", "none"])
def everything(request: pytest.FixtureRequest, firmware: Firmware, tmp_path_factory: pytest.TempPathFactory) -> Run:
    settings = Settings()
    journal = sensor_journal(tmp_path_factory.mktemp("sensors"), settings)
    payload, line = saturated(SECONDS)
    pressed = presses(5, 40, start_ms=1_500, hold_ms=120, bounce_ms=15)
    world = replace(the_world(pressed), false_edges=request.param)
    card = Card(busy=uniform(1, 20), seed=7)
    with Bench(firmware, image=journal.image, card=card, line=line, seed=1, sensors=world) as bench:
        assert bench.run_line(then_ms=1_500).ok
        logged = read_run(journal)
        return Run(
            settings,
            payload,
            pressed,
            logged,
            tick_origin(logged, bench),
            bench.sensor_counts,
            bench.adc_samples,
            bench.conversions,
            bench.uart.overrun_lost,
            bench.uart.read,
            bench.passive.silent,
        )


def test_the_line_is_logged_as_without_sensors(everything: Run) -> None:
    assert everything.logged.line == everything.payload
    assert everything.overruns == 0
    assert {int(cause) for cause in LossCause if everything.logged.lost(cause)} == set()
    assert everything.silent_line


def test_the_run_says_which_sensors_are_on(everything: Run) -> None:
    start = everything.logged.of(RunStart)[0][1]
    assert isinstance(start, RunStart)
    assert start.sensors == Sensor(ALL)
    assert (start.analogue_ms, start.pulse_ms, start.pressure_ms) == (100, 200, 500)
    assert (start.analogue_1_full_mv, start.analogue_2_full_mv, start.event_debounce_ms) == (20_000, 5_000, 20)


def test_nothing_is_driven(everything: Run) -> None:
    counts = everything.counts
    assert counts.only_inputs
    assert counts.bus_pullup_cycle == 0, "the bus's wires have pull-ups of their own"
    assert counts.event_pullup_cycle > 0, "a button to ground needs the chip's"
    assert counts.pulses_pullup_cycle > 0
    assert (counts.too_fast, counts.unexpected, counts.unanswered) == (0, 0, 0)


def test_each_press_is_an_event_with_its_own_tick(everything: Run) -> None:
    events = [(tick, record) for tick, record in everything.logged.of(Event) if isinstance(record, Event)]
    turns = everything.pressed.turns
    assert [record.level for _, record in events] == [Level.HIGH, Level.LOW] * (len(turns) // 2)
    after = [(edge - everything.cycle(tick)) / (HZ / 1e6) for (tick, _), edge in zip(events, turns, strict=True)]
    print(f"{len(after)} edges lie {min(after):.2f} to {max(after):.2f} us after their ticks' beginnings")
    # A tick is 4 us long: the edge lies in its tick, the capture's delay and its steps of 8 cycles apart.
    assert min(after) >= -1.0
    assert max(after) <= 4.5
    assert all(record.ignored == 0 for _, record in events)


def test_every_pulse_is_counted_and_timed(everything: Run) -> None:
    frames = [(tick, record) for tick, record in everything.logged.of(Pulses) if isinstance(record, Pulses)]
    assert frames[-1][1].count == PULSE_COUNT
    first, last = 1.5 * HZ, 1.5 * HZ + (PULSE_COUNT - 1) * PULSE_PERIOD
    period_us = PULSE_PERIOD / HZ * 1e6
    timed = 0
    for tick, record in frames:
        cycle = everything.cycle(tick)
        then = 0 if cycle < first else min(PULSE_COUNT, 1 + (cycle - first) / PULSE_PERIOD)
        assert abs(record.count - then) <= 2, f"{record.count} pulses at tick {tick}, {then:.1f} had come"
        if first + 0.3 * HZ < cycle < last:
            assert abs(record.period_us - period_us) <= PERIOD_ERROR_US, record
            timed += 1
    assert timed > 50
    assert all(record.period_us == 0 for tick, record in frames if everything.cycle(tick) < first)
    assert frames[-1][1].period_us == 0, "no two pulses came in the last interval"


def test_a_voltage_is_what_its_counts_give(everything: Run) -> None:
    frames = [record for _, record in everything.logged.of(Analogue) if isinstance(record, Analogue)]
    channels = everything.samples["kind"]
    full = (everything.settings.full_1_mv, everything.settings.full_2_mv)
    for channel in (0, 1):
        taken = everything.samples[channels == channel]
        for index, record in enumerate(frames):
            mine = taken[index * CONVERSIONS + 1 : (index + 1) * CONVERSIONS]
            seen = (record.input_1_mv, record.input_2_mv)[channel]
            assert seen == int(mine["value"].astype(int).sum()) * full[channel] >> 14
            # One count of the converter, in millivolts at the divider's top.
            truth = np.interp(mine["cycle"].astype(float), *VOLTAGES[channel]).mean()
            assert seen == pytest.approx(truth * full[channel] / 5_000, abs=full[channel] / 1_024)


def test_pressure_is_the_parts_own(everything: Run) -> None:
    ticks = [tick for tick, _ in everything.logged.of(Pressure)]
    frames = [(r.pressure_raw, r.temperature_raw) for _, r in everything.logged.of(Pressure) if isinstance(r, Pressure)]
    parts = [(int(c["value"]), int(c["kind"])) for c in everything.conversions]
    assert frames == parts[: len(frames)]
    assert len(parts) - len(frames) <= 2, "the last may have been under way, or not on the card yet"
    late = [int(c["cycle"]) - everything.cycle(tick) for c, tick in zip(everything.conversions, ticks, strict=False)]
    assert max(late) <= 4 * HZ // 1_000, "the tick is that of the order to measure"
    constants = everything.logged.of(PressureConstants)
    assert len(constants) == 1
    record = constants[0][1]
    assert isinstance(record, PressureConstants)
    assert (record.dig_t1, record.dig_t2, record.dig_t3) == (27_504, 26_435, -1_000)
    assert (record.dig_p1, record.dig_p2, record.dig_p9) == (36_477, -10_685, 6_000)


@pytest.mark.parametrize(("kind", "ms"), [(Analogue, 100), (Pulses, 200), (Pressure, 500)])
def test_rates_are_the_settings(everything: Run, kind: type[Analogue | Pulses | Pressure], ms: int) -> None:
    ticks = [tick for tick, _ in everything.logged.of(kind)]
    mean = (ticks[-1] - ticks[0]) / (len(ticks) - 1) / TICKS_PER_MS
    assert mean == pytest.approx(ms, rel=0.001)
    gaps = [(b - a) / TICKS_PER_MS for a, b in pairwise(ticks)]
    # The main loop writes a block or reads the part in between, and the supply's measurement takes the converter.
    assert max(abs(gap - ms) for gap in gaps) <= 20


# ---- faster pulses ----


@pytest.mark.parametrize(
    ("hz", "high", "count"),
    [(6_400_000, 0.5, 6_400_000), (100_000, 0.5, PULSE_COUNT), (50_000, 0.02, PULSE_COUNT), (30.0, 0.5, 120)],
)
def test_pulses_at_other_speeds(firmware: Firmware, tmp_path: Path, hz: float, high: float, count: int) -> None:
    """From the fastest that the chip can count (f/2.5) to a slow wheel."""
    period = HZ / hz
    journal = sensor_journal(tmp_path, Settings(sensors=PULSES))
    payload, line = saturated(4.0)
    world = World(pulses=PulseInput((PulseTrain(1.5 * HZ, period, count, period * high),)))
    card = Card(busy=uniform(1, 20), seed=3)
    with Bench(firmware, image=journal.image, card=card, line=line, seed=1, sensors=world) as bench:
        assert bench.run_until(1.5 * HZ + count * period + HZ).ok
        assert bench.run_line(then_ms=1_500).ok
        assert bench.uart.overrun_lost == 0
    logged = read_run(journal)
    frames = [record for _, record in logged.of(Pulses) if isinstance(record, Pulses)]
    assert logged.line == payload
    assert frames[-1].count == count
    timed = [record.period_us for record in frames if record.period_us]
    assert bool(timed) == (hz < 250_000), "a period below a tick cannot be told"
    worst = max((us - 1e6 / hz for us in timed), key=abs, default=0.0)
    print(f"largest error of {len(timed)} periods: {worst:.1f} us")
    assert abs(worst) <= PERIOD_ERROR_US


# ---- the slower board ----


def test_all_four_on_the_8_mhz_board(tmp_path: Path) -> None:
    hz, baud, seconds = 8_000_000, 38_400, 8
    journal = sensor_journal(tmp_path, Settings(), baud=baud)
    payload = random.Random(1).randbytes(seconds * baud // 10)
    line = steady(payload, baud=baud, frequency_hz=hz, start_ms=1_000)
    pressed = presses(5, 10, start_ms=1_500, hold_ms=120, bounce_ms=15, hz=hz)
    train = PulseTrain(1.5 * hz, 1_111.1, 40_000, 300.0)
    world = World(
        analogue_2=AnalogueInput(((0.0, 1_234.0),)),
        event=pressed.input,
        pulses=PulseInput((train,)),
        pressure=PressurePart.truth([(0.0, 101_325.0, 20.0), (seconds * hz, 100_900.0, 21.0)]),
    )
    board = Board(frequency_hz=hz, vcc_mv=3_300)
    card = Card(busy=uniform(1, 20), seed=7)
    image = load_elf(build("atmega328p_8mhz"))
    with Bench(image, image=journal.image, card=card, line=line, seed=1, sensors=world, board=board) as bench:
        assert bench.run_line(then_ms=1_500).ok
        assert bench.uart.overrun_lost == 0
        assert bench.sensor_counts.only_inputs
        assert bench.sensor_counts.too_fast == 0
        logged = read_run(journal)
        origin = tick_origin(logged, bench)
        parts = [(int(c["value"]), int(c["kind"])) for c in bench.conversions]
    assert logged.line == payload
    ticks = [tick for tick, _ in logged.of(Event)]
    after = [(edge - origin) / hz * 1e6 - tick * 4 for tick, edge in zip(ticks, pressed.turns, strict=True)]
    assert min(after) >= -2.0
    assert max(after) <= 5.0
    pulses = [record for _, record in logged.of(Pulses) if isinstance(record, Pulses)]
    assert pulses[-1].count == train.count
    timed = [record.period_us - train.period / hz * 1e6 for record in pulses if record.period_us]
    assert max(map(abs, timed)) <= 2 * PERIOD_ERROR_US, "interrupts wait twice as long here"
    frames = [(r.pressure_raw, r.temperature_raw) for _, r in logged.of(Pressure) if isinstance(r, Pressure)]
    assert len(frames) > 10
    assert [reading for reading in parts if reading in frames] == frames
    assert len(frames) + logged.lost(LossCause.SENSOR_ROOM) >= len(parts) - 2
    readings = {r.input_2_mv for _, r in logged.of(Analogue) if isinstance(r, Analogue)}
    assert readings == {383 * 16 * 5_000 >> 14}, "1,234 mV of 3,300 are 382.9 counts"


# ---- edges that do not last ----


@pytest.mark.parametrize("width_us", [0.2, 1.0, 5_000.0])
def test_spikes_are_no_events(firmware: Firmware, tmp_path: Path, width_us: float) -> None:
    """Eight spikes, a press, three spikes while it is held, its release. What the noise canceller swallows, nobody
    hears of (up to four cycles, 0.25 us); what is longer is told with the next event."""
    ms = HZ / 1_000
    width = width_us * HZ / 1e6
    spikes = [1_500 * ms + index * 60 * ms for index in range(8)]
    held = [2_200 * ms + index * 60 * ms for index in range(3)]
    edges = [e for at in spikes for e in (at, at + width)]
    edges += [2_100 * ms, *(e for at in held for e in (at, at + width)), 2_600 * ms]
    journal = sensor_journal(tmp_path, Settings(sensors=EVENT))
    payload, line = saturated(3.0)
    world = World(event=EventInput(tuple(edges)))
    card = Card(busy=uniform(1, 20))
    with Bench(firmware, image=journal.image, card=card, line=line, seed=1, sensors=world) as bench:
        assert bench.run_line(then_ms=1_500).ok
        captured = len(bench.captures)
    logged = read_run(journal)
    events = [record for _, record in logged.of(Event) if isinstance(record, Event)]
    assert logged.line == payload
    assert [record.level for record in events] == [Level.HIGH, Level.LOW]
    if width_us < 0.25:
        assert [record.ignored for record in events] == [0, 0]
    elif width_us > 1_000:
        assert [record.ignored for record in events] == [8, 3]
    assert captured >= 2


def test_a_button_held_from_the_start(firmware: Firmware, tmp_path: Path) -> None:
    journal = sensor_journal(tmp_path, Settings(sensors=EVENT))
    payload, line = saturated(3.0)
    world = World(event=EventInput((2_000 * HZ / 1_000, 2_500 * HZ / 1_000), high_first=True))
    with Bench(firmware, image=journal.image, card=Card(busy=constant(3)), line=line, seed=1, sensors=world) as bench:
        assert bench.run_line(then_ms=1_500).ok
    logged = read_run(journal)
    assert logged.line == payload
    assert [r.level for _, r in logged.of(Event) if isinstance(r, Event)] == [Level.LOW, Level.HIGH]
