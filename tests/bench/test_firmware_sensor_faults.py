"""The four sensors on the real image when something goes wrong: stalls, a failing part, resets, cards, cuts; and off.

What the bench's world did is known to the cycle; what the journal says, and counts as missing, is held against it.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from card_image import JournalImage
from numpy.typing import NDArray
from offtake.bench.board import Bench
from offtake.bench.cards import Card, constant, scripted, uniform
from offtake.bench.cuts import Cut, random_cut
from offtake.bench.figures import Reset
from offtake.bench.firmware import Firmware, load_elf
from offtake.bench.sensors import (
    PressurePart,
    SensorCounts,
    Stuck,
    World,
)
from offtake.firmware_build import build
from offtake.generated.records import (
    Analogue,
    Event,
    LossCause,
    Pressure,
    PressureConstants,
    Pulses,
    RunEnd,
    RunStart,
)
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from sensor_journal import (
    ANALOGUE,
    EVENT,
    HZ,
    PRESSURE,
    PULSES,
    TICKS_PER_MS,
    Logged,
    Settings,
    read_run,
    sensor_journal,
)
from sensor_world import (
    READINGS,
    presses,
    saturated,
    the_world,
)


@pytest.fixture(scope="module")
def firmware() -> Firmware:
    return load_elf(build("atmega328p_16mhz"))


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


# ---- the journal's and the card's end ----


def test_a_full_journal_ends_the_run(firmware: Firmware, tmp_path: Path) -> None:
    journal = sensor_journal(tmp_path, Settings(), blocks=40)
    outside = journal.outside()
    payload, line = saturated(6.0)
    world = the_world(presses(5, 20, start_ms=1_500, hold_ms=120, bounce_ms=15))
    with Bench(firmware, image=journal.image, card=Card(busy=constant(2)), line=line, seed=1, sensors=world) as bench:
        assert bench.run_line(then_ms=1_500).ok
        assert bench.sensor_counts.only_inputs
    logged = read_run(journal)
    assert payload.startswith(logged.line)
    assert len(logged.of(RunEnd)) == 1
    assert len(logged.of(Analogue)) > 20
    assert journal.outside() == outside


def test_a_card_pulled_and_put_back_begins_afresh(firmware: Firmware, tmp_path: Path) -> None:
    journal = sensor_journal(tmp_path, Settings())
    payload, line = saturated(9.0)
    world = the_world(presses(5, 30, start_ms=1_500, hold_ms=120, bounce_ms=15))
    with Bench(firmware, image=journal.image, card=Card(busy=constant(2)), line=line, seed=1, sensors=world) as bench:
        assert bench.run_ms(4_000).ok
        bench.remove_card(Cut())
        assert bench.run_ms(3_200).ok
        bench.insert_card(journal.image, Card(busy=constant(2), seed=4))
        assert bench.run_line(then_ms=1_500).ok
    first, last = read_run(journal, 1), read_run(journal, 2)
    assert payload.startswith(first.line)
    assert payload.endswith(last.line[-2_000:])
    # Like line bytes, frames that waited when the card was pulled come first in the next run; their ticks tell which.
    began = last.of(RunStart)[0][0]
    counts = [record.count for tick, record in last.of(Pulses) if isinstance(record, Pulses) and tick >= began]
    waited = [record.count for tick, record in last.of(Pulses) if isinstance(record, Pulses) and tick < began]
    assert counts[0] < 50
    assert len(waited) <= 3
    for run in (first, last):
        assert len(run.of(PressureConstants)) == 1
        assert len(run.of(Event)) > 5
        assert len(run.of(Pressure)) > 3


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


# ---- resets ----


def test_a_reset_begins_afresh(firmware: Firmware, tmp_path: Path) -> None:
    journal = sensor_journal(tmp_path, Settings())
    _, line = saturated(6.0)
    world = the_world(presses(5, 16, start_ms=1_500, hold_ms=120, bounce_ms=15))
    card = Card(busy=uniform(1, 20))
    with Bench(firmware, image=journal.image, card=card, line=line, seed=1, sensors=world) as bench:
        assert bench.run_ms(4_000).ok
        bench.reset(Reset.BROWN_OUT)
        assert bench.run_line(then_ms=1_500).ok
        assert bench.sensor_counts.only_inputs
    first, second = read_run(journal, 1), read_run(journal, 2)
    for run in (first, second):
        counts = [record.count for _, record in run.of(Pulses) if isinstance(record, Pulses)]
        assert counts[0] < 50
        assert counts == sorted(counts)
        assert len(run.of(PressureConstants)) == 1
        levels = [record.level for _, record in run.of(Event) if isinstance(record, Event)]
        assert all(a != b for a, b in pairwise(levels))
        assert len(levels) > 5
