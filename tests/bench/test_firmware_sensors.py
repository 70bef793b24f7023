"""The four sensors on the real image: all at once on a saturated line, through stalls, faults and cuts.

What the bench's world did is known to the cycle; what the journal says is held against it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from card_image import JournalImage
from numpy.typing import NDArray
from offtake.bench.board import Bench
from offtake.bench.cards import Card, constant, scripted, uniform
from offtake.bench.cuts import random_cut
from offtake.bench.firmware import Firmware, load_elf
from offtake.bench.line import Line, steady
from offtake.bench.sensors import (
    AnalogueInput,
    PressurePart,
    PulseInput,
    PulseTrain,
    SensorCounts,
    Stuck,
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
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from sensor_journal import (
    ALL,
    ANALOGUE,
    EVENT,
    HZ,
    PRESSURE,
    PULSES,
    TICK_CYCLES,
    Logged,
    Presses,
    Settings,
    presses,
    read_run,
    sensor_journal,
    tick_origin,
)

TICKS_PER_MS = 250
SECONDS = 20
PULSE_COUNT = 100_000
PULSE_PERIOD = 2_239.37
"""Cycles; 7,145 Hz, no whole number of ticks."""
PERIOD_ERROR_US = 16
"""Two ticks and what each of the two edges' interrupts may wait for another one, some 6 us."""
CONVERSIONS = 17
"""A reading is the sum of 16 conversions; one before them settles the input."""
VOLTAGES = (((0.0, SECONDS * HZ), (400.0, 4_600.0)), ((0.0, 1.0), (2_345.0, 2_345.0)))
"""Cycles and millivolts at the two analogue pins."""
READINGS = ((0.0, 101_325.0, 21.5), (SECONDS * HZ, 99_871.0, 24.2))


@pytest.fixture(scope="module")
def firmware() -> Firmware:
    return load_elf(build("atmega328p_16mhz"))


def saturated(seconds: float, *, start_ms: float = 1_000.0, seed: int = 1) -> tuple[bytes, Line]:
    payload = random.Random(seed).randbytes(int(seconds * 5_760))
    return payload, steady(payload, baud=57_600, frequency_hz=HZ, start_ms=start_ms)


def the_world(pressed: Presses | None) -> World:
    return World(
        analogue_1=AnalogueInput(tuple(zip(*VOLTAGES[0], strict=True)), noise_mv=3.0),
        analogue_2=AnalogueInput(tuple(zip(*VOLTAGES[1], strict=True))),
        event=None if pressed is None else pressed.input,
        pulses=PulseInput((PulseTrain(1.5 * HZ, PULSE_PERIOD, PULSE_COUNT, 611.0),)),
        pressure=PressurePart.truth(READINGS),
        seed=11,
    )


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
    # A tick is 4 us long: the edge lies in its tick, half a microsecond of the capture's own steps apart.
    assert min(after) >= -0.5
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


@pytest.mark.parametrize(("hz", "high"), [(100_000, 0.5), (50_000, 0.02), (30.0, 0.5)])
def test_pulses_at_other_speeds(firmware: Firmware, tmp_path: Path, hz: float, high: float) -> None:
    count = min(PULSE_COUNT, int(4 * hz))
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
    assert timed
    worst = max((us - 1e6 / hz for us in timed), key=abs)
    print(f"largest error of {len(timed)} periods: {worst:.1f} us")
    assert abs(worst) <= PERIOD_ERROR_US


# ---- stalls ----


def _due(logged: Logged, kind: type[Analogue | Pulses | Pressure], ms: int) -> int:
    """How many frames of one kind were due up to the last: one at the run's start and one every ``ms`` after it."""
    start, last = logged.of(RunStart)[0][0], logged.of(kind)[-1][0]
    return (last - start + TICKS_PER_MS) // (ms * TICKS_PER_MS) + 1


@pytest.mark.parametrize("stall_ms", [300, 900])
@pytest.mark.parametrize("busy_line", [True, False], ids=["saturated", "quiet"])
def test_what_finds_no_room_in_a_stall_is_counted(
    firmware: Firmware, tmp_path: Path, stall_ms: int, busy_line: bool
) -> None:
    settings = Settings(analogue_ms=20, pulse_ms=50, pressure_ms=100)
    journal = sensor_journal(tmp_path, settings)
    payload, line = saturated(10.0 if busy_line else 0.1)
    pressed = presses(9, 20, start_ms=1_500, hold_ms=80, bounce_ms=10)
    stalls = scripted(*[5.0] * 30, stall_ms, *[5.0] * 20, stall_ms, *[5.0] * 10_000)
    card = Card(busy=stalls, seed=3)
    with Bench(firmware, image=journal.image, card=card, line=line, seed=1, sensors=the_world(pressed)) as bench:
        assert bench.run_ms(12_000).ok
        uart = bench.uart
        busy = (bench.writes["durable"] - bench.writes["accepted"]).max() / HZ * 1_000
    assert busy == pytest.approx(stall_ms, abs=1)
    logged = read_run(journal)
    assert len(logged.line) + logged.lost(LossCause.RING_FULL) == uart.read == len(payload)
    due = sum(_due(logged, kind, ms) for kind, ms in ((Analogue, 20), (Pulses, 50), (Pressure, 100)))
    have = sum(len(logged.of(kind)) for kind in (Analogue, Pulses, Pressure))
    events = len(logged.of(Event))
    missing = due - have + len(pressed.turns) - events
    assert logged.lost(LossCause.SENSOR_ROOM) == missing
    assert logged.lost(LossCause.SENSOR_SILENT) == 0
    if stall_ms == 900:
        assert missing > 0, "the stall was to be too long for the shelf"


# ---- a part that fails ----


def _pressure_run(
    firmware: Firmware, tmp_path: Path, part: PressurePart, seconds: float = 8.0
) -> tuple[Logged, SensorCounts, NDArray[np.void]]:
    journal = sensor_journal(tmp_path, Settings(sensors=PRESSURE, pressure_ms=200))
    payload, line = saturated(seconds - 3)
    card = Card(busy=uniform(1, 20), seed=3)
    with Bench(firmware, image=journal.image, card=card, line=line, seed=1, sensors=World(pressure=part)) as bench:
        assert bench.run_ms(seconds * 1_000).ok
        assert bench.uart.overrun_lost == 0
        counts, conversions = bench.sensor_counts, bench.conversions
    logged = read_run(journal)
    assert logged.line == payload
    assert counts.only_inputs
    assert logged.lost(LossCause.SENSOR_ROOM) == 0
    return logged, counts, conversions


@pytest.mark.parametrize(
    "part",
    [
        {"present": ()},
        {"present": (), "own_pull_ups": True},
        {"chip_id": 0x60},
        {"address": 0x77},
        {"stuck": (Stuck(0.0),)},
    ],
    ids=["absent", "absent with its pull-ups", "wrong part", "other address", "data line held low"],
)
def test_a_part_that_never_answers_is_counted(firmware: Firmware, tmp_path: Path, part: dict[str, object]) -> None:
    logged, counts, _ = _pressure_run(firmware, tmp_path, PressurePart.truth(READINGS, **part))
    assert logged.of(Pressure) == logged.of(PressureConstants) == []
    # One try every 200 ms from the run's start on; the last of them may not be on the card yet.
    start = logged.of(RunStart)[0][0] / TICKS_PER_MS + 65
    tries = int((8_000 - start) / 200) + 1
    assert tries - 6 <= logged.lost(LossCause.SENSOR_SILENT) <= tries
    assert counts.conversions == 0


def test_a_part_that_goes_and_comes_back(firmware: Firmware, tmp_path: Path) -> None:
    gone, back = 3.03, 5.03
    part = PressurePart.truth(READINGS, present=((0, gone * HZ), (back * HZ, 2**60)))
    logged, _, conversions = _pressure_run(firmware, tmp_path, part, 10.0)
    frames = [(r.pressure_raw, r.temperature_raw) for _, r in logged.of(Pressure) if isinstance(r, Pressure)]
    parts = [(int(c["value"]), int(c["kind"])) for c in conversions]
    assert [reading for reading in parts if reading in frames] == frames
    due = _due(logged, Pressure, 200)
    assert logged.lost(LossCause.SENSOR_SILENT) == due - len(frames) == round((back - gone) * 5)
    assert len(logged.of(PressureConstants)) == 2, "once for each time it appears"


@pytest.mark.parametrize(
    "part", [{"stretch_us": 60.0}, {"stuck": (Stuck(3 * HZ, clocks=5),)}, {"rise_us": 2.0}, {"conversion": 0.4}],
    ids=["stretched clock", "data line freed by clocks", "slow wires", "quick part"],
)  # fmt: skip
def test_a_part_with_manners_is_read(firmware: Firmware, tmp_path: Path, part: dict[str, object]) -> None:
    logged, counts, conversions = _pressure_run(firmware, tmp_path, PressurePart.truth(READINGS, **part))
    frames = [(r.pressure_raw, r.temperature_raw) for _, r in logged.of(Pressure) if isinstance(r, Pressure)]
    parts = [(int(c["value"]), int(c["kind"])) for c in conversions]
    assert [reading for reading in parts if reading in frames] == frames
    assert len(frames) + logged.lost(LossCause.SENSOR_SILENT) == _due(logged, Pressure, 200)
    assert logged.lost(LossCause.SENSOR_SILENT) <= (1 if "stuck" in part else 0)
    assert counts.too_fast == 0


# ---- off ----


def test_sensors_that_are_off_are_left_alone(firmware: Firmware, tmp_path: Path) -> None:
    journals = []
    for world in (None, the_world(presses(5, 10, start_ms=1_500, hold_ms=120, bounce_ms=15))):
        journal = sensor_journal(tmp_path, Settings(sensors=0))
        _, line = saturated(3.0)
        card = Card(busy=constant(3), seed=3)
        with Bench(firmware, image=journal.image, card=card, line=line, seed=1, sensors=world) as bench:
            assert bench.run_line(then_ms=1_500).ok
            counts, channels = bench.sensor_counts, set(bench.adc_samples["kind"].tolist())
        assert counts == replace(counts, **dict.fromkeys(counts.__dataclass_fields__, 0))
        assert channels == {14}, "the supply's own measurement"
        journals.append([journal.block(position) for position in range(journal.blocks)])
    assert journals[0] == journals[1]


@pytest.mark.parametrize("sensors", [ANALOGUE, EVENT, PULSES, PRESSURE])
def test_one_alone(firmware: Firmware, tmp_path: Path, sensors: int) -> None:
    journal = sensor_journal(tmp_path, Settings(sensors=sensors))
    payload, line = saturated(3.0)
    world = the_world(presses(5, 8, start_ms=1_500, hold_ms=120, bounce_ms=15))
    with Bench(firmware, image=journal.image, card=Card(busy=constant(3)), line=line, seed=1, sensors=world) as bench:
        assert bench.run_line(then_ms=1_500).ok
        counts = bench.sensor_counts
    logged = read_run(journal)
    kinds = {ANALOGUE: Analogue, EVENT: Event, PULSES: Pulses, PRESSURE: Pressure}
    assert logged.line == payload
    assert {sensor for sensor, kind in kinds.items() if logged.of(kind)} == {sensors}
    assert (counts.starts > 0) == (sensors == PRESSURE)
    assert (counts.event_pullup_cycle > 0) == (sensors == EVENT)
    assert (counts.pulses_pullup_cycle > 0) == (sensors == PULSES)


# ---- cuts ----


@pytest.fixture
def cut_journal(tmp_path: Path) -> JournalImage:
    return sensor_journal(tmp_path, Settings(analogue_ms=50, pulse_ms=50, pressure_ms=100), blocks=1_024)


def test_what_is_durable_at_a_cut_is_what_was_logged(firmware: Firmware, cut_journal: JournalImage) -> None:
    """The same recording, cut at six moments: each leaves a beginning of the uncut one, frame for frame."""
    fresh = bytes(cut_journal.image)
    _, line = saturated(3.0)
    world = the_world(presses(5, 8, start_ms=1_500, hold_ms=120, bounce_ms=15))

    def record(until_ms: float, seed: int | None) -> list[tuple[int, bytes]]:
        journal = JournalImage(bytearray(fresh), cut_journal.first_sector, cut_journal.blocks, cut_journal.path)
        card = Card(busy=uniform(1, 60), seed=3)
        with Bench(firmware, image=journal.image, card=card, line=line, seed=1, sensors=world) as bench:
            assert bench.run_ms(until_ms).ok
            if seed is not None:
                bench.cut(random_cut(np.random.default_rng(seed)))
        whole = b"".join(journal.block(position) for position in range(journal.blocks))
        found = salvage(BytesSource(whole))
        assert found.account.recovered + found.account.skipped_bytes == len(whole)
        return [(frame.code, frame.payload) for frame in found.frames()]

    uncut = record(5_000, None)
    for seed, until_ms in enumerate((1_700.0, 2_111.1, 2_500.3, 2_903.7, 3_333.3, 3_800.9)):
        kept = record(until_ms, seed)
        rest = iter(uncut)
        assert all(frame in rest for frame in kept), f"cut at {until_ms} ms, damage {seed}"
