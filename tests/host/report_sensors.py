"""Invented measurements for the report's tests, beside the runs of report_worlds. Seeded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from offtake.generated.records import Sensor
from offtake.journal.columns import Column, ColumnKind
from offtake.journal.measured import Series
from offtake.report.inputs import ReportInput, RunInput
from report_worlds import HOSTILE, World, make_run, make_verify

Ticks = NDArray[np.int64]


def ticks_every(run: RunInput, milliseconds: float, start_us: int = 500_000) -> Ticks:
    """Moments at an even pace over the whole run, in microseconds, on the 4 us grid of the logger's ticks."""
    return np.arange(start_us, run.last_tick_us, round(milliseconds * 1000), dtype=np.int64) // 4 * 4


def column(
    name: str, values: NDArray[np.generic], unit: str = "", kind: ColumnKind = "integer", *, field: str = "",
    choices: tuple[tuple[int, str], ...] = (), derived: bool = False,
) -> Column:  # fmt: skip
    """A column that every frame has."""
    return Column(name, field or name, unit, kind, values, np.ones(len(values), dtype=bool), choices, derived)


def message(run: RunInput, code: int, name: str, ticks: Ticks, *columns: Column, layout: str = "log") -> Series:
    """A message's frames in ``run``."""
    return Series(run.run, code, name, layout, ticks, columns, len(ticks))  # type: ignore[arg-type]


def four_sensors(run: RunInput, seed: int = 5) -> tuple[Series, ...]:
    """The kit's own four, in one run: with a pause in the analogue inputs and one spike in it."""
    random = np.random.default_rng(seed)
    end = run.last_tick_us
    ticks = ticks_every(run, 200)
    ticks = ticks[(ticks < 0.55 * end) | (ticks > 0.6 * end)]
    share = ticks / end
    first = np.rint(12_400 - 900 * share + random.normal(0, 15, len(ticks))).astype(np.int64)
    first[int(0.8 * len(first))] = 14_900
    second = np.rint(2500 + 1800 * np.sin(share * 20) + random.normal(0, 30, len(ticks))).astype(np.int64)
    analogue = message(run, 8, "analogue", ticks, column("input_1_mv", first, "mV"), column("input_2_mv", second, "mV"))
    edges = np.sort(random.integers(int(0.05 * end), int(0.95 * end), 24)) // 4 * 4
    level = (np.arange(len(edges)) % 2 == 0).astype(np.int64)
    event = message(
        run, 9, "event", edges,
        column("level", level, kind="word", choices=((0, "low"), (1, "high"))),
        column("ignored", random.integers(0, 4, len(edges))),
    )  # fmt: skip
    ticks = ticks_every(run, 1000)
    hertz = np.clip(20 * np.sin(ticks / end * 9) ** 2 - 1, 0, None)
    count = np.rint(np.cumsum(hertz)).astype(np.int64)
    period = np.where(hertz > 2, np.rint(1e6 / np.maximum(hertz, 1)), 0).astype(np.int64)
    pulses = message(run, 10, "pulses", ticks, column("count", count), column("period_us", period, "us"))
    ticks = ticks_every(run, 2000, 700_000)
    pascal = 100_650 + np.cumsum(random.normal(0, 1.2, len(ticks)))
    degrees = np.round(21.5 + 3 * np.sin(ticks / end * 4) + random.normal(0, 0.02, len(ticks)), 2)
    raw = np.rint(415_000 + pascal - 100_650).astype(np.int64)
    pressure = message(
        run, 12, "pressure", ticks, column("pressure_raw", raw), column("temperature_raw", raw + 104_000),
        column("pressure_pa", np.round(pascal, 2), "Pa", "number", derived=True),
        column("temperature_c", degrees, "degC", "number", derived=True),
    )  # fmt: skip
    constants = message(
        run, 11, "pressure_constants", np.array([1000], dtype=np.int64), column("dig_t1", np.array([27504]))
    )
    return analogue, event, pulses, constants, pressure


def strange_sensors(run: RunInput, seed: int = 6) -> tuple[Series, ...]:
    """Messages that no spec of ours has: an array, an enumeration, flags, a fixed-point number, text, a huge count."""
    random = np.random.default_rng(seed)
    ticks = ticks_every(run, 500)
    share = ticks / run.last_tick_us
    cells = [
        column(f"cell_{place}", np.round(3.2 + 0.05 * place + 0.4 * np.sin(share * 6)
                                         + random.normal(0, 0.005, len(ticks)), 3), "V", "number", field="cell")
        for place in range(8)
    ]  # fmt: skip
    charge = np.round(np.linspace(98.5, 61.2, len(ticks)), 1)
    battery = message(run, 100, "battery", ticks, *cells, column("charge", charge, "%", "number"))
    modes = np.array([0, 1, 1, 2, 1, 3, 9, 1], dtype=np.int64)[(share * 8).astype(np.int64).clip(0, 7)]
    state = message(
        run, 101, "pump", ticks,
        column("mode", modes, kind="word", choices=((0, "off"), (1, "idle"), (2, "boost"), (3, "fault"))),
        column("alarms", np.where(share > 0.7, 5, np.where(share > 0.4, 1, 0)), kind="flags",
               choices=((0, "dry"), (1, "hot"), (2, "overload"))),
        column("turns", (4_000_000_000 + np.arange(len(ticks)) * 7).astype(np.int64)),
        column("strain", random.normal(0, 2e-6, len(ticks)), "m/m", "number"),
    )  # fmt: skip
    notes = np.array(["hello"] * 3, dtype=object)
    said = message(run, 102, "note", ticks[:3], column("words", notes, kind="text"))
    return battery, state, said


def hostile_sensors(run: RunInput) -> tuple[Series, ...]:
    """Names, units and choices that try to be more, and figures beyond all bounds; names as no description allows."""
    bad, worse, worst = HOSTILE
    ticks = ticks_every(run, 1000)
    wild = np.full(len(ticks), 1e300)
    wild[::2], wild[1] = -1e300, np.inf
    return (
        message(run, 103, bad, ticks, column(worse, wild, worst, "number"), column(worst, -wild, bad, "number")),
        message(run, 104, worst, ticks, column(bad, np.arange(len(ticks)) % 40, kind="word", choices=((0, bad),)),
                column("_legend", np.arange(len(ticks)), "μ☃漢字" * 9),
                column(worse, np.arange(len(ticks)) % 2**31, kind="flags", choices=((0, worst),))),
        message(run, 105, "ratio", ticks[:0], column("none", np.zeros(0), "ratio", "number")),
        message(run, 106, "many", ticks[:2], *(column(f"value_{n}", np.arange(2)) for n in range(90))),
        message(run, 107, "back", ticks[::-1].copy(), column("x", np.arange(len(ticks))),
                column("y", np.arange(len(ticks)) % 3, kind="word")),
    )  # fmt: skip


def with_sensors(run: RunInput, *measured: Series) -> RunInput:
    """``run`` with these measurements, the settings that give their pace, and a note about them."""
    assert run.info.start is not None
    start = replace(
        run.info.start, sensors=Sensor(15), analogue_ms=200, analogue_1_full_mv=16_000, analogue_2_full_mv=5_000,
        event_debounce_ms=20, pulse_ms=1000, pressure_ms=2000,
    )  # fmt: skip
    info = replace(run.info, start=start)
    return replace(run, info=info, measured=measured, measured_notes=("Run 1 says so itself.",))


def sensor_input(world: World | None = None, *, strange: bool = False) -> ReportInput:
    """A journal of one run with the kit's own sensors, or with others."""
    run = make_run(world or World(epochs=900))
    run = with_sensors(run, *(strange_sensors(run) if strange else four_sensors(run)))
    return ReportInput("day1.jnl", make_verify((run,)), (run,))


def hostile_input() -> ReportInput:
    """A journal whose sensors' every text and figure is hostile."""
    run = make_run(World(epochs=200, calm=True))
    hostile = replace(with_sensors(run, *hostile_sensors(run)), measured_notes=HOSTILE)
    return ReportInput("day1.jnl", make_verify((hostile,)), (hostile,))
