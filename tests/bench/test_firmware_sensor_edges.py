"""Edges of the sensors that a review found, each with the way it went wrong before; on the real image."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from offtake.bench.board import Bench
from offtake.bench.cards import Card, constant
from offtake.bench.cuts import Cut
from offtake.bench.desk import Adapter, DeskServer
from offtake.bench.figures import Reset
from offtake.bench.firmware import Firmware, load_elf
from offtake.bench.sensors import EventInput, PressurePart, PulseInput, PulseTrain, World
from offtake.firmware_build import build
from offtake.generated.records import (
    MESSAGES,
    Analogue,
    Description,
    Event,
    LossCause,
    Pressure,
    PressureConstants,
    Pulses,
    RunStart,
)
from offtake.journal.description import parse_description
from offtake.link.desk import open_desk
from sensor_journal import (
    ANALOGUE,
    EVENT,
    HZ,
    PRESSURE,
    PULSES,
    TICK_CYCLES,
    TICKS_PER_MS,
    Settings,
    read_run,
    sensor_journal,
    tick_origin,
)
from sensor_world import READINGS, saturated

MS = HZ / 1_000


@pytest.fixture(scope="module")
def firmware() -> Firmware:
    return load_elf(build("atmega328p_16mhz"))


def test_an_edge_just_when_the_one_before_has_stood_has_its_own_tick(firmware: Firmware, tmp_path: Path) -> None:
    # Between the look at a level that had stood and the waiting for the next edge its frame was put on the shelf: an
    # edge in that time was dated when the waiting began.
    debounce_ms = 5
    rng = random.Random(3)
    edges: list[float] = []
    at = 1_500 * MS
    for _ in range(250):
        edges += [at, at + debounce_ms * MS + rng.uniform(0, 0.4 * MS)]
        at += rng.uniform(20, 21) * MS
    journal = sensor_journal(tmp_path, Settings(sensors=EVENT, debounce_ms=debounce_ms))
    _, line = saturated(6.0)
    world = World(event=EventInput(tuple(edges)))
    with Bench(firmware, image=journal.image, card=Card(busy=constant(2)), line=line, seed=1, sensors=world) as bench:
        assert bench.run_line(then_ms=1_500).ok
        logged = read_run(journal)
        origin = tick_origin(logged, bench)
    ticks = [tick for tick, _ in logged.of(Event)]
    assert len(ticks) > 100
    late = []
    for tick in ticks:
        cycle = origin + tick * TICK_CYCLES
        late.append(min((cycle - edge for edge in edges), key=abs) / HZ * 1e6)
    print(f"{len(ticks)} events; ticks from {min(late):.1f} to {max(late):.1f} us after their edges")
    assert max(late) <= 4.0
    assert min(late) >= -4.5


def test_a_card_without_sensors_between_two_with_them_is_forgotten(firmware: Firmware, tmp_path: Path) -> None:
    # The board remembered the journal without sensors, and not that the next one had them again: after the next start
    # the ring had its size only once the journal was read, and what it had heard was dropped.
    (tmp_path / "with").mkdir()
    (tmp_path / "without").mkdir()
    sensors = sensor_journal(tmp_path / "with", Settings(sensors=EVENT))
    plain = sensor_journal(tmp_path / "without", Settings(sensors=0))
    _, line = saturated(12.0, start_ms=100.0)
    with Bench(firmware, image=sensors.image, card=Card(busy=constant(2)), line=line, seed=1) as bench:
        assert bench.run_ms(2_000).ok
        for journal in (plain, sensors):
            bench.remove_card(Cut())
            assert bench.run_ms(2_600).ok
            bench.insert_card(journal.image, Card(busy=constant(2), seed=4))
            assert bench.run_ms(1_500).ok
        bench.reset(Reset.BROWN_OUT)
        assert bench.run_line(then_ms=1_500).ok
    assert read_run(sensors, 1).lost(LossCause.SETTINGS) > 0, "it had never had sensors"
    last = read_run(sensors, 3)
    assert last.line
    assert last.lost(LossCause.SETTINGS) == 0


@pytest.mark.parametrize("nonsense", [{"analogue_ms": 60_001}, {"pressure_ms": 65_535}, {"debounce_ms": 251}], ids=str)
def test_sensors_settings_out_of_range_do_not_keep_the_line_from_being_logged(
    firmware: Firmware, tmp_path: Path, nonsense: dict[str, int]
) -> None:
    # The card was taken for a failed one, again and again, and nothing was ever logged.
    journal = sensor_journal(tmp_path, Settings(**nonsense))
    payload, line = saturated(3.0)
    with Bench(firmware, image=journal.image, card=Card(busy=constant(2)), line=line, seed=1) as bench:
        assert bench.run_line(then_ms=1_500).ok
    logged = read_run(journal)
    assert logged.line == payload


def test_bits_of_sensors_it_does_not_know_are_no_harm(firmware: Firmware, tmp_path: Path) -> None:
    journal = sensor_journal(tmp_path, Settings(sensors=0xF0 | EVENT))
    payload, line = saturated(3.0)
    world = World(event=EventInput((2_000 * MS, 2_500 * MS)))
    with Bench(firmware, image=journal.image, card=Card(busy=constant(2)), line=line, seed=1, sensors=world) as bench:
        assert bench.run_line(then_ms=1_500).ok
    logged = read_run(journal)
    assert logged.line == payload
    assert len(logged.of(Event)) == 2


@pytest.mark.parametrize("on", [ANALOGUE, PULSES, PRESSURE])
def test_intervals_of_nothing_are_the_shortest(firmware: Firmware, tmp_path: Path, on: int) -> None:
    journal = sensor_journal(tmp_path, Settings(sensors=on, analogue_ms=0, pulse_ms=1, pressure_ms=0))
    payload, line = saturated(3.0)
    with Bench(firmware, image=journal.image, card=Card(busy=constant(2)), line=line, seed=1) as bench:
        assert bench.run_line(then_ms=1_500).ok
        assert bench.uart.overrun_lost == 0
        bench_ms = bench.cycle / HZ * 1_000
    logged = read_run(journal)
    assert logged.line == payload
    # Every 20 ms, which the code says whatever a header may; what has not reached the card at the end is not there.
    due = (bench_ms - logged.of(RunStart)[0][0] / TICKS_PER_MS - 65) / 20
    kept = len(logged.of(Analogue)) + len(logged.of(Pulses)) + logged.lost(LossCause.SENSOR_SILENT)
    assert due - 50 <= kept + logged.lost(LossCause.SENSOR_ROOM) <= due + 1
    assert logged.lost(LossCause.RING_FULL) == 0


@pytest.mark.parametrize(
    "part",
    [{"present": (), "own_pull_ups": True}, {"present": ((0, 2 * HZ), (3 * HZ, 2**60))}],
    ids=["both lines held", "away for a second"],
)
@pytest.mark.parametrize("hz", [6_400_000, 5_000_000])
def test_fast_pulses_are_counted_whatever_the_part_does(
    firmware: Firmware, tmp_path: Path, hz: int, part: dict[str, object]
) -> None:
    # 16 bits of pulses were full in 10 to 13 ms. Reading the part's constants took as long, and so did waiting nine
    # times for a clock that something held.
    journal = sensor_journal(tmp_path, Settings(sensors=PULSES | PRESSURE, pressure_ms=100))
    payload, line = saturated(4.0)
    period = HZ / hz
    count = 2 * hz
    pulses = PulseInput((PulseTrain(1.5 * HZ, period, count, period / 2),))
    world = World(pulses=pulses, pressure=PressurePart.truth(READINGS, **part))
    with Bench(firmware, image=journal.image, card=Card(busy=constant(5)), line=line, seed=1, sensors=world) as bench:
        assert bench.run_line(then_ms=1_500).ok
        assert bench.uart.overrun_lost == 0
    logged = read_run(journal)
    assert logged.line == payload
    counts = [record.count for _, record in logged.of(Pulses) if isinstance(record, Pulses)]
    assert counts[-1] == count


@pytest.mark.parametrize("minutes", [60, 75, 300])
def test_pulses_further_apart_than_can_be_told_have_no_period(
    firmware: Firmware, tmp_path: Path, minutes: int
) -> None:
    # A period of more than 71 minutes was told without what 32 bits of microseconds do not hold.
    journal = sensor_journal(tmp_path, Settings(sensors=PULSES))
    at = (1_500 * MS, 5_000 * MS, 6_000 * MS)
    world = World(pulses=PulseInput(tuple(PulseTrain(start, 0.0, 1, MS) for start in at)))
    with Bench(firmware, image=journal.image, card=Card(busy=constant(2)), seed=1, sensors=world) as bench:
        assert bench.run_ms(2_000).ok
        for _ in range(minutes // 15):
            _later(bench, minutes=15)
            assert bench.run_ms(100).ok
        assert bench.run_ms(5_500).ok
    frames = [record for _, record in read_run(journal).of(Pulses) if isinstance(record, Pulses)]
    assert frames[-1].count == 3
    periods = [record.period_us for record in frames if record.period_us]
    told = [minutes * 60e6 + 3.5e6] if minutes < 66 else [1e6]
    assert periods == pytest.approx(told, abs=5 * 1_024)


def _later(bench: Bench, *, minutes: int) -> None:
    """Put the chip's clock forward, as no test can wait: the last four bytes of the receiver's queue."""
    found = bench.firmware.symbols["queue"]
    address = found.address + found.size - 4
    ticks = int.from_bytes(bench.read_data(address, 4), "little") + minutes * 60_000 * TICKS_PER_MS
    data = (ticks % 2**32 & ~0xFF).to_bytes(4, "little")  # the timer holds the lowest byte
    assert bench._lib.bench_write_data(bench._bench, address, data, 4)


def test_sensors_turned_on_and_off_at_the_desk(firmware: Firmware, tmp_path: Path) -> None:
    journal = sensor_journal(tmp_path, Settings(sensors=0), blocks=512)
    plain = bytes(journal.image[512 * journal.first_sector :][:512])
    world = World(pulses=PulseInput((PulseTrain(0.1 * HZ, HZ / 10, 1_000, MS),)))
    card = Card(busy=constant(2))
    with Bench(firmware, image=journal.image, card=card, seed=1, sensors=world) as bench:
        assert bench.run_ms(2_000).ok
        for header in (Settings(sensors=PULSES).into(plain), plain, Settings(sensors=PULSES).into(plain)):
            with DeskServer(bench, Adapter()) as server, open_desk(server.port) as desk:
                desk.greet()
                desk.write_header(header)
                desk.leave()
            assert bench.run_ms(3_000).ok
        assert bench.sensor_counts.only_inputs
    runs = [read_run(journal, run) for run in (1, 2, 3, 4)]
    assert [len(run.of(RunStart)) for run in runs] == [1, 1, 1, 1]
    counts = [[r.count for _, r in run.of(Pulses) if isinstance(r, Pulses)] for run in runs]
    assert counts[0] == counts[2] == []
    for counted in (counts[1], counts[3]):
        assert len(counted) > 8
        assert counted == sorted(counted)
        assert 15 <= counted[-1] <= 40


def test_a_lap_does_not_take_away_what_the_run_says_of_itself(firmware: Firmware, tmp_path: Path) -> None:
    # A wrapping journal overwrites the run's first blocks: descriptions and the pressure part's constants come again.
    settings = Settings(sensors=PRESSURE, pressure_ms=200)
    journal = sensor_journal(tmp_path, settings, blocks=70, when_full=1)
    _, line = saturated(9.0)
    world = World(pressure=PressurePart(points=READINGS))
    with Bench(firmware, image=journal.image, card=Card(busy=constant(2)), line=line, seed=1, sensors=world) as bench:
        assert bench.run_line(then_ms=1_500).ok
    logged = read_run(journal)
    assert not logged.of(RunStart), "the run's first block is overwritten"
    described = [parse_description(record.data) for _, record in logged.of(Description)]
    assert [message.code for message in described if message] == sorted(MESSAGES)
    assert len(logged.of(PressureConstants)) == 1
    assert len(logged.of(Pressure)) > 10
    assert logged.lost(LossCause.RING_FULL) == 0
