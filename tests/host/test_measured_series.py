"""Measurements in batches and as whole series: bounded, in order, none twice, with what follows from them."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from frame_tables import frame_tables
from hypothesis import given
from hypothesis import strategies as st
from journal_maker import run_start
from measured_logs import Log, own_descriptions
from offtake.generated.records import Analogue, Event, Level, Pressure, PressureConstants, Pulses, RunStart, Sensor
from offtake.jobs.measured import measured_batches, measured_notes
from offtake.jobs.runs import Hearing, read_run
from offtake.journal import measured as measured_module
from offtake.journal.frames import Frame
from offtake.journal.layouts import Layouts
from offtake.journal.measured import Series, gather, read_batches

# The datasheet's example; see tests/published/test_published_pressure.py.
CONSTANTS = PressureConstants(27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
READING = Pressure(415_148, 519_888)
MEASURING = replace(
    run_start(), sensors=Sensor.ANALOGUE, analogue_ms=20, analogue_1_full_mv=5000, analogue_2_full_mv=0,
    event_debounce_ms=0, pulse_ms=0, pressure_ms=0,
)  # fmt: skip


def frames(code: int, payloads: list[bytes], step: int = 5000) -> list[Frame]:
    """Frames of one endless run, eight to a block, ``step`` ticks apart."""
    return [
        Frame(1, 17 + 9 * n, 9, 1, 1 + n // 8, code, 0, payload, 1, n * step % 2**32, 1, n * step % 2**32, True, False)
        for n, payload in enumerate(payloads)
    ]


def test_batches_hold_few_rows_and_give_all_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measured_module, "ROWS_AT_ONCE", 64)
    many = frames(Pulses.CODE, [Pulses(n, 2 * n).encode() for n in range(1000)])
    seldom = frames(Event.CODE, [Event(Level.HIGH, n).encode() for n in range(10)], step=500_000)
    mixed = sorted(many + seldom, key=lambda frame: frame.tick or 0)
    mixed = [frame._replace(block_number=1 + n // 8, offset=n) for n, frame in enumerate(mixed)]
    batches = list(read_batches(frame_tables(mixed), 1, Layouts()))
    assert all(len(one.tick_us) <= 64 for one in batches)
    # What comes seldom waits for company, so its files have few row groups.
    assert [one.name for one in batches].count("event") == 1
    pulses, event = (
        np.concatenate([one.columns[0].values for one in batches if one.name == name]) for name in ("pulses", "event")
    )
    assert pulses.tolist() == list(range(1000))
    assert event.tolist() == [1] * 10
    ticks = np.concatenate([one.tick_us for one in batches if one.name == "pulses"])
    assert ticks.tolist() == [n * 20_000 for n in range(1000)]


def test_a_batch_is_bounded_in_bytes_too() -> None:
    blob = b"\x01\x64\x04blob" + b"\x06\x01b"
    layouts = Layouts()
    layouts.add(frames(7, [blob])[0])
    endless = (frame for n in range(12) for frame in frames(100, [bytes([n]) * 490] * 1000))
    tracemalloc.start()
    try:
        sizes = [len(batch.tick_us) for batch in read_batches(frame_tables(endless, 500), 1, layouts)]
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert max(sizes) <= 2**20 // 490 + 1
    assert peak < 12e6


def test_columns_that_a_log_only_tells_of_take_no_memory() -> None:
    # 765 columns of frames without a byte: a log of 3 MB took 3.3 GB to draw.
    told = bytes([1, 64, 1]) + b"m" + b"".join(bytes([0x30, 1, 97 + n, 255, 0x81]) for n in range(3))
    log = Log().run([told])
    for n in range(25_000):
        log.put(64, n, b"")
    batches = list(measured_batches(log.salvage(), 1))
    assert {len(one.columns) for one in batches} == {765}
    assert all(len(one.tick_us) * 765 <= measured_module.CELLS_AT_ONCE for one in batches)
    assert sum(len(one.tick_us) for one in batches) == 25_000
    (series,) = gather(batches)
    assert len(series.tick_us) * 765 <= measured_module.CELLS_GATHERED
    assert series.frames == 25_000


def test_a_frame_in_a_block_that_was_written_twice_comes_once() -> None:
    log = Log()
    log.run().put(Pulses.CODE, 10, Pulses(1, 0).encode()).put(Pulses.CODE, 20, Pulses(2, 0).encode())
    log.close()
    log.put(Pulses.CODE, 20, Pulses(2, 0).encode()).put(Pulses.CODE, 30, Pulses(3, 0).encode())
    log.put(Event.CODE, 31, Event(Level.LOW, 0).encode())
    log.close()
    log.put(Event.CODE, 31, Event(Level.LOW, 0).encode())
    found = log.salvage()
    pulses, event = sorted(read_batches(found.frame_tables(1), 1, Layouts()), key=lambda one: -one.code)
    assert pulses.columns[0].values.tolist() == [1, 2, 3]
    assert len(event.tick_us) == 1
    log_events = read_run(found, found.runs()[0], Hearing()).events
    assert [one.kind for one in log_events].count("event") == 1


def test_gathering_keeps_the_extremes_of_every_column() -> None:
    rng = np.random.default_rng(3)
    noise = rng.integers(400, 600, size=(50_000, 2))
    noise[777, 0], noise[40_001, 1] = 9, 65_000
    made = [Analogue(int(one), int(other)).encode() for one, other in noise]
    whole = list(read_batches(frame_tables(frames(Analogue.CODE, made)), 1, Layouts()))
    (series,) = gather(iter(whole), rows_max=4000)
    assert len(series.tick_us) <= 4000
    assert series.frames == 50_000
    one, two = series.columns
    assert (one.values.min(), two.values.max()) == (9, 65_000)
    assert bool(np.all(np.diff(series.tick_us) > 0))
    assert (series.tick_us[0], series.tick_us[-1] > 49_000 * 20_000) == (0, True)
    (same,) = gather(iter(whole), rows_max=50_000)
    assert same.columns[0].values.tolist() == noise[:, 0].tolist()


@given(st.lists(st.integers(0, 9), min_size=1, max_size=300), st.integers(20, 60))
def test_gathered_rows_are_rows_of_the_log(values: list[int], rows_max: int) -> None:
    made = frames(Pulses.CODE, [Pulses(n, value).encode() for n, value in enumerate(values)])
    (series,) = gather(read_batches(frame_tables(made), 1, Layouts()), rows_max)
    counts, periods = (column.values.tolist() for column in series.columns)
    assert [values[n] for n in counts] == periods
    assert counts == sorted(counts)
    assert (min(periods), max(periods), series.frames) == (min(values), max(values), len(values))


def pressure_log(*constants: PressureConstants) -> Log:
    log = Log()
    log.run(own_descriptions())
    for one in constants:
        log.put(PressureConstants.CODE, 10, one.encode())
    return log.put(Pressure.CODE, 20, READING.encode()).put(Pressure.CODE, 30, Pressure(1 << 20, 519_888).encode())


def pressure_of(log: Log) -> Series:
    return next(one for one in measured_batches(log.salvage(), 1) if one.code == Pressure.CODE)


def test_readings_are_compensated_with_the_runs_constants() -> None:
    series = pressure_of(pressure_log(CONSTANTS, CONSTANTS))
    assert [one.name for one in series.columns] == ["pressure_raw", "temperature_raw", "pressure_pa", "temperature_c"]
    pascals, degrees = series.columns[2:]
    assert (pascals.unit, degrees.unit, pascals.derived, degrees.derived) == ("Pa", "degC", True, True)
    assert (pascals.values[0], degrees.values[0]) == (25_767_233 / 256, 25.08)
    assert pascals.present.tolist() == degrees.present.tolist() == [True, False]
    assert measured_notes(pressure_log(CONSTANTS).salvage(), 1) == ()


def test_without_the_runs_constants_readings_stay_raw_and_a_word_says_so() -> None:
    for log, why in (
        (pressure_log(), "the run does not hold the part's constants"),
        (pressure_log(CONSTANTS, replace(CONSTANTS, dig_t1=1)), "the run holds different constants of the part"),
    ):
        assert [one.name for one in pressure_of(log).columns] == ["pressure_raw", "temperature_raw"]
        assert measured_notes(log.salvage(), 1) == (f"Run 1: pressure and temperature stay raw readings: {why}.",)
    other_run = pressure_log(CONSTANTS)
    other_run.run(own_descriptions()).put(Pressure.CODE, 5, READING.encode())
    (series,) = measured_batches(other_run.salvage(), 2)
    assert [one.name for one in series.columns] == ["pressure_raw", "temperature_raw"]


def test_the_message_holds_the_constants_as_the_part_does() -> None:
    """Registers 0x88 to 0x9F in order (BST-BMP280-DS001, memory): the firmware copies them as they come."""
    names = [info.name for info in PressureConstants.FIELDS]
    assert names == [*(f"dig_t{n}" for n in range(1, 4)), *(f"dig_p{n}" for n in range(1, 10))]
    assert [info.name for info in PressureConstants.FIELDS if info.kind == "u16"] == ["dig_t1", "dig_p1"]
    assert PressureConstants.FIXED_SIZE == 24


@pytest.mark.parametrize(("start", "there"), [(MEASURING, [True, False]), (run_start(), [True, True])])
def test_an_input_that_is_off_has_no_values(start: RunStart, there: list[bool]) -> None:
    """A run of an older release does not say; then what it logged stands."""
    log = Log()
    log.run(own_descriptions(), start).put(Analogue.CODE, 5, Analogue(4321, 0).encode())
    (series,) = measured_batches(log.salvage(), 1)
    assert [bool(one.present.all()) for one in series.columns] == there


def test_a_run_brings_its_measurements_along() -> None:
    log = pressure_log(CONSTANTS)
    found = log.salvage()
    read = read_run(found, found.runs()[0], Hearing())
    assert [one.name for one in read.measured] == ["pressure_constants", "pressure"]
    assert read.measured_notes == ()
    assert read_run(found, found.runs()[0], Hearing(), measured=False).measured == ()
