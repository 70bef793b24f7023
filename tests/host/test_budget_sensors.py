"""The budget of the sensor inputs: verdicts, what they cost the ring and the card, and how they are asked for."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from offtake import cli
from offtake.budget import circuit, storage
from offtake.budget.model import BoardFacts, Line, Plan, Verdict
from offtake.budget.page import page
from offtake.budget.parts import load_parts
from offtake.budget.sensors import Bus, Divider, Sensors, Switch
from offtake.budget.stalls import Load, Output
from offtake.budget.work import work_out
from offtake.errors import UsageError
from offtake.spec.load import load_spec

TAKEN, SHELF = 144, 64
FAST = BoardFacts("atmega328p_16mhz", 16_000_000, 115_200, 1_484, TAKEN, SHELF)
SLOW = BoardFacts("atmega328p_8mhz", 8_000_000, 38_400, 1_484, TAKEN, SHELF)
SIZES = {"analogue": 4, "event": 3, "pulses": 8, "pressure": 8}
PLAN = Plan(FAST, 57_600, 5.0, 5.0)
SLOW_PLAN = Plan(SLOW, 57_600, 3.3, 3.3)
EVERY = Sensors(Divider(30e3, 10e3, 16.8), Divider(0.0, 10e3, 5.0), Switch(2.0), Switch(200.0), Bus())


def with_sensors(plan: Plan = PLAN, **given: Any) -> Plan:
    sensors = Sensors(**given)
    frames = tuple(Output(name, rate, SIZES[name]) for name, rate in sensors.per_second.items())
    return replace(plan, sensors=sensors, sensor_frames=frames)


def lines_of(plan: Plan) -> dict[str, Line]:
    return {line.key: line for line in work_out(plan).lines}


GOOD, TIGHT, FAILS, UNKNOWN = Verdict.GOOD, Verdict.TIGHT, Verdict.WILL_NOT_DO, Verdict.CANNOT_TELL


@pytest.mark.parametrize(
    ("given", "key", "verdict"),
    [
        ({"analogue_1": Divider(30e3, 10e3, 16.8)}, "analogue_1_pin", GOOD),
        ({"analogue_1": Divider(10e3, 5e3, 14.6)}, "analogue_1_pin", TIGHT),  # full when the supply is 5 % low
        ({"analogue_1": Divider(10e3, 5e3, 15.6)}, "analogue_1_pin", TIGHT),  # above full, below what harms
        ({"analogue_1": Divider(10e3, 5e3, 17.0)}, "analogue_1_pin", FAILS),
        ({"analogue_1": Divider(20e3, 1e3, 50.0)}, "analogue_1_full", FAILS),  # 105 V do not fit 16 bits
        ({"analogue_1": Divider(30e3, 10e3, 16.8)}, "analogue_1_source", GOOD),
        ({"analogue_1": Divider(300e3, 100e3, 16.8)}, "analogue_1_source", TIGHT),
        ({"analogue_1": Divider(0.0, 10e3, 5.0)}, "analogue_1_source", UNKNOWN),
        ({"analogue_1": Divider(30e3, 10e3, 16.8)}, "analogue_1_logger_off", GOOD),
        ({"analogue_1": Divider(3e3, 1e3, 16.8)}, "analogue_1_logger_off", FAILS),
        ({"analogue_2": Divider(0.0, 10e3, 5.0)}, "analogue_2_logger_off", TIGHT),  # may be the logger's own supply
        ({"analogue_1": Divider(3e3, 1e3, 16.8)}, "analogue_1_open", TIGHT),
        ({"analogue_1": Divider(1e3, 100.0, 50.0)}, "analogue_1_open", FAILS),
        ({"event": Switch(2.0)}, "event_rate", GOOD),
        ({"event": Switch(20.0)}, "event_rate", TIGHT),
        ({"event": Switch(26.0)}, "event_rate", FAILS),  # 20 ms down and 20 up are 25 a second
        ({"event": Switch(26.0), "debounce_ms": 5.0}, "event_rate", GOOD),
        ({"event": Switch(2.0), "debounce_ms": 2.0}, "event_debounce", TIGHT),
        ({"event": Switch(2.0, 3.3)}, "event_high", TIGHT),
        ({"event": Switch(2.0, 12.0)}, "event_over", FAILS),
        ({"event": Switch(2.0, 2.8)}, "event_high", FAILS),
        ({"pulses": Switch(200.0)}, "pulses_low", GOOD),
        ({"pulses": Switch(60_000.0)}, "pulses_counted", TIGHT),
        ({"pulses": Switch(110_000.0)}, "pulses_counted", TIGHT),
        ({"pulses": Switch(7e6)}, "pulses_pin", FAILS),
        ({"pulses": Switch(200.0, 5.0)}, "pulses_logger_off", TIGHT),
        ({"pressure": Bus()}, "bus_high", TIGHT),  # 0.3 V, and nothing with both supplies off
        ({"pressure": Bus(shifted=True)}, "bus_high", GOOD),
        ({"pressure": Bus(pull_up_v=5.0)}, "bus_part_over", FAILS),
        ({"pressure": Bus(pull_up_v=5.0, shifted=True)}, "bus_part_over", GOOD),
        ({"pressure": Bus(pull_up_v=2.5)}, "bus_part_high", FAILS),
        ({"pressure": Bus(pull_up_ohm=900.0)}, "bus_sink", FAILS),
        ({"pressure": Bus(pull_up_ohm=47e3)}, "bus_rise", FAILS),
        ({"pressure": Bus(wire_m=3.0)}, "bus_rise", FAILS),
        ({"pressure": Bus(wire_m=2.0)}, "bus_rise", TIGHT),
        ({"pressure": Bus()}, "sensor_wait", GOOD),
        ({"pressure": Bus(), "pressure_ms": 70.0}, "sensor_wait", TIGHT),
        ({"pressure": Bus(), "pressure_ms": 50.0}, "sensor_wait", TIGHT),
    ],
)
def test_verdicts(given: dict[str, Any], key: str, verdict: Verdict) -> None:
    assert lines_of(with_sensors(**given))[key].verdict is verdict


def test_slow_board_reads_the_bus_without_trouble() -> None:
    lines = lines_of(with_sensors(SLOW_PLAN, pressure=Bus()))
    assert {line.verdict for key, line in lines.items() if key.startswith("bus_")} == {GOOD}


def test_without_sensors_there_is_nothing_of_them() -> None:
    done = work_out(PLAN)
    assert [section.name for section in done.sections][-1] == "Supply"
    assert done.plan.ring_bytes == FAST.ring_bytes


def test_any_sensor_shortens_the_ring_and_the_stall() -> None:
    with_one, without = with_sensors(event=Switch(1.0)), PLAN
    assert with_one.ring_bytes == FAST.ring_bytes - TAKEN
    lines, plain = lines_of(with_one), lines_of(without)
    limit, plain_limit = lines["stall_high_capacity"].limit, plain["stall_high_capacity"].limit
    assert limit is not None
    assert plain_limit is not None
    # What the ring lost is what comes in that time: 144 bytes at 5,760 a second.
    assert plain_limit - limit == pytest.approx(TAKEN / 5.76, abs=0.01)
    assert "1,340 of 1,484 bytes" in lines["sensor_ring"].note
    assert (lines["sensor_ring"].value, lines["sensor_ring"].verdict) == (TAKEN, None)


def test_full_scale_is_what_puts_the_pin_at_the_supply() -> None:
    divider = Divider(30e3, 10e3, 16.8)
    assert divider.full_scale_mv(5.0) == 20_000.0
    lines = lines_of(with_sensors(analogue_1=divider))
    assert lines["analogue_1_full"].value == 20_000.0
    assert lines["analogue_1_step"].value == pytest.approx(20_000 / 1024)
    assert lines["analogue_1_pin"].value == pytest.approx(4.2)
    # 5 % supply, 1 % for each resistor in the share of 3/4 that the upper one has, and 2 steps.
    off = 16_800 * (0.05 + 0.02 * 0.75) + 2 * 20_000 / 1024
    assert lines["analogue_1_off"].value == pytest.approx(off)


@given(st.floats(0.1, 60.0), st.floats(1.8, 5.5), st.floats(1.0, 1e6), st.floats(1.0, 1e6))
def test_divider_current_is_kirchhoffs(source_v: float, supply_v: float, upper: float, lower: float) -> None:
    """The clamp holds the pin at its highest; what comes from above goes there and through the lower resistor."""
    pushed = circuit.divider_clamp_ma(source_v, supply_v, 0.5, upper, lower)
    held = supply_v + 0.5
    unclamped = source_v * lower / (upper + lower)
    assert (pushed > 0.0) == (unclamped > held) or math.isclose(unclamped, held, rel_tol=1e-9)
    if pushed > 0.0:
        assert pushed / 1000.0 + held / lower == pytest.approx((source_v - held) / upper)


def test_frames_on_the_card() -> None:
    # Nine bytes beside each payload: head 2, tick 3 at the most, check 4.
    frames = (Output("analogue", 10.0, 4), Output("event", 2.0, 3))
    assert storage.frame_bytes_per_s(frames) == 10 * 13 + 2 * 12
    assert storage.blocks_per_s(Load(57_600), frames, SHELF) == pytest.approx((5_760 + 154) / 484)
    # On a quiet line a sensor may be what opens a block, which is closed 700 ms later.
    quiet = Load(57_600, (Output("a", 0.1, 75),))
    assert storage.blocks_per_s(quiet, (Output("event", 0.2, 3),), SHELF) == pytest.approx(0.3)
    # Nine bytes each on the shelf, and half of its 64 taken closes a block.
    assert storage.blocks_per_s(quiet, (Output("analogue", 50.0, 4),), SHELF) == pytest.approx(50 * 9 / 32)


def test_frames_that_wait() -> None:
    # Seven of nine bytes fit, one of them at once: the eighth comes seven intervals later.
    assert storage.frames_kept_ms((Output("analogue", 10.0, 4),), SHELF) == pytest.approx(700.0)
    # All at once, then again a second later: 9 + 13 + 13 twice are 70.
    every = (Output("analogue", 1.0, 4), Output("pulses", 1.0, 8), Output("pressure", 1.0, 8))
    assert storage.frames_kept_ms(every, SHELF) == pytest.approx(1_000.0)
    assert storage.frames_kept_ms((Output("large", 1.0, 80),), SHELF) == 0.0


SWITCHES = st.one_of(st.none(), st.builds(Switch, st.floats(0.001, 1e8), st.one_of(st.none(), st.floats(0.5, 60.0))))
DIVIDERS = st.one_of(st.none(), st.builds(Divider, st.floats(0.0, 1e7), st.floats(1.0, 1e7), st.floats(0.01, 60.0)))
SENSORS = st.fixed_dictionaries(
    {
        "analogue_1": DIVIDERS, "analogue_2": DIVIDERS, "event": SWITCHES, "pulses": SWITCHES,
        "pressure": st.one_of(
            st.none(),
            st.builds(Bus, st.floats(1.0, 1e6), st.floats(0.5, 20.0), st.floats(0.0, 100.0), st.booleans()),
        ),
        "analogue_ms": st.floats(1.0, 60_000.0), "debounce_ms": st.floats(1.0, 250.0),
        "pulse_ms": st.floats(1.0, 60_000.0), "pressure_ms": st.floats(1.0, 60_000.0),
    }
)  # fmt: skip


@given(SENSORS, st.sampled_from((PLAN, SLOW_PLAN)))
def test_any_sensors_make_a_page_and_its_margins_agree(sensors: dict[str, Any], plan: Plan) -> None:
    done = work_out(with_sensors(plan, **sensors))
    assert len({line.key for line in done.lines}) == len(done.lines)
    for line in done.lines:
        assert line.note
        assert line.sources
        assert len(line.what) <= 28
        if line.verdict in (Verdict.GOOD, Verdict.WILL_NOT_DO) and line.margin is not None:
            assert (line.margin >= 0) == (line.verdict is Verdict.GOOD)
    text = page(done, every_note=True)
    assert [row for row in text if len(row) > 80] == []
    shown = " ".join(" ".join(text[text.index("SOURCES") :]).split())
    assert all(source in shown for line in done.lines for source in line.sources)


@pytest.mark.parametrize(
    "given",
    [
        {"analogue_1": Divider(10e3, 10e3, 230.0)},
        {"analogue_1": Divider(-1.0, 10e3, 5.0)},
        {"analogue_2": Divider(10e3, 0.0, 5.0)},
        {"analogue_1": Divider(10e3, 10e3, math.nan)},
        {"event": Switch(0.0)},
        {"pulses": Switch(1.0, 100.0)},
        {"event": Switch(1.0), "debounce_ms": 251.0},
        {"pressure": Bus(pull_up_ohm=0.0)},
        {"pressure": Bus(), "pressure_ms": 60_001.0},
    ],
)
def test_senseless_sensors_are_refused(given: dict[str, Any]) -> None:
    plan = replace(PLAN, sensors=Sensors(**given))
    with pytest.raises(UsageError, match="makes no sense"):
        work_out(plan)


def test_mains_are_named_in_the_refusal() -> None:
    plan = replace(PLAN, sensors=Sensors(Divider(1e6, 10e3, 230.0)))
    with pytest.raises(UsageError, match="never the mains"):
        work_out(plan)


_ROW = re.compile(r"^\| [^|]+ \| ([\d.]+) V[^|]* \| ([^|]+) \| ([^|]+) \|$", re.MULTILINE)
_CELL = re.compile(r"(\d+) kOhm, (\d+) kOhm; ([\d,]+) mV\Z")


def test_the_guides_dividers_are_good(repo_root: Path) -> None:
    """Each row of the guide's table, on both boards: within all limits, with the full scale it names."""
    guide = (repo_root / "firmware" / "WIRING.md").read_text(encoding="utf-8")
    rows = _ROW.findall(guide)
    assert len(rows) == 5
    for most_v, *cells in rows:
        for plan, cell in zip((PLAN, SLOW_PLAN), cells, strict=True):
            found = _CELL.match(cell)
            assert found, cell
            divider = Divider(1000.0 * int(found[1]), 1000.0 * int(found[2]), float(most_v))
            assert round(divider.full_scale_mv(plan.board_v)) == int(found[3].replace(",", ""))
            lines = lines_of(with_sensors(plan, analogue_1=divider))
            assert {line.verdict for key, line in lines.items() if key.startswith("analogue_1")} <= {GOOD, None}, cell


def test_the_guides_figures_are_the_boards(repo_root: Path) -> None:
    board = load_spec(repo_root / "shared_spec").boards[0]
    guide = (repo_root / "firmware" / "WIRING.md").read_text(encoding="utf-8")
    assert "the ring is a tenth shorter" in guide
    assert 0.08 < (board.sensor_bytes + board.sensor_stack_bytes) / board.ring_bytes < 0.12
    for costs in load_parts().boards.values():
        assert f"at up to {costs.pulses_hz:,} a second" in guide


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = cli.main(["budget", *arguments])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


ASKED = (
    "--analogue-1", "30k,10k,16.8", "--analogue-2", "0,10k,5", "--analogue-ms", "500", "--event", "2",
    "--event-volts", "4.9", "--debounce-ms", "10", "--pulses", "200", "--pulse-volts", "5", "--pulse-ms", "2000",
    "--pressure", "--pressure-ms", "250", "--pull-up", "2.2e3", "--pull-up-volts", "3.2", "--sensor-wire", "0.3",
    "--bus-shifter",
)  # fmt: skip


def test_all_options_reach_the_plan(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "--json", *ASKED)
    assert code == 0
    values = json.loads(out)
    sensors = values["plan"]["sensors"]
    assert sensors == {
        "analogue_1": {"upper_ohm": 30_000.0, "lower_ohm": 10_000.0, "most_v": 16.8},
        "analogue_2": {"upper_ohm": 0.0, "lower_ohm": 10_000.0, "most_v": 5.0},
        "event": {"most_hz": 2.0, "driven_v": 4.9},
        "pulses": {"most_hz": 200.0, "driven_v": 5.0},
        "pressure": {"pull_up_ohm": 2_200.0, "pull_up_v": 3.2, "wire_m": 0.3, "shifted": True},
        "analogue_ms": 500.0, "debounce_ms": 10.0, "pulse_ms": 2_000.0, "pressure_ms": 250.0,
    }  # fmt: skip
    frames = {one["name"]: (one["per_second"], one["size_bytes"]) for one in values["plan"]["sensor_frames"]}
    assert frames == {"analogue": (2.0, 4), "event": (4.0, 3), "pulses": (0.5, 8), "pressure": (4.0, 8)}


def test_the_divider_that_help_and_error_name_is_good(capsys: pytest.CaptureFixture[str]) -> None:
    _, _, err = run(capsys, "--analogue-1", "?")
    found = re.search(r"the most volts: ([0-9k.,]+)\)", err)
    assert found
    with pytest.raises(SystemExit):
        cli.main(["budget", "--help"])
    assert found[1] in capsys.readouterr().out
    _, out, _ = run(capsys, "--json", "--analogue-1", found[1])
    lines = [line for section in json.loads(out)["sections"] for line in section["lines"]]
    assert {line["verdict"] for line in lines if line["key"].startswith("analogue_1")} == {"good", None}


def test_what_sensors_add_is_told_beside_what_goes_without_them(capsys: pytest.CaptureFixture[str]) -> None:
    """Every 50 ms a reading crowds the shelf, so that part-filled blocks go: far more than the readings themselves."""
    arguments = ("--messages", "GGA:1", "--analogue-1", "30k,10k,12.6", "--analogue-ms", "50")
    _, out, _ = run(capsys, "--json", *arguments)
    values = json.loads(out)
    lines = {line["key"]: line for section in values["sections"] for line in section["lines"]}
    share = lines["sensor_share"]
    assert share["value"] == pytest.approx(lines["card_rate"]["value"] - 512.0)
    assert f"{lines['card_rate']['value']:,.0f} B/s in all, 512 B/s without them" in share["note"]
    _, out, _ = run(capsys, *arguments, "--brief")
    assert "To the card" not in out


def test_sections_of_sensors_are_printed(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, *ASKED, "--notes")
    heads = [head for row in out.splitlines() if (head := row.split("  ")[0]) and head.isupper()]
    assert heads[6:] == ["ANALOGUE INPUTS", "EVENT AND PULSES", "PRESSURE SENSOR", "WHAT SENSORS COST", "SOURCES"]
    assert "sensors: analogue, event, pulses, pressure" in " ".join(out.split())


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--analogue-1", "10k,10k"], "--analogue-1: '10k,10k' (expected UPPER,LOWER,VOLTS"),
        (["--analogue-1", "10k,1e3,5"], "expected UPPER,LOWER,VOLTS"),
        (["--analogue-1", "10k,nan,5"], "expected UPPER,LOWER,VOLTS"),
        (["--analogue-1", "10k,0,5"], "--analogue-1, lower resistor: 0 makes no sense"),
        (["--analogue-1", "10k,10k,230"], "never the mains"),
        (["--debounce-ms", "5"], "--debounce-ms is about a sensor that is not connected (expected --event beside it)"),
        (["--analogue-ms", "5"], "expected --analogue-1 or --analogue-2 beside it"),
        (["--bus-shifter"], "expected --pressure beside it"),
        (["--pulses", "5", "--pulse-ms", "50"], "--pulse-ms: 50 makes no sense (expected 100 to 60,000 ms)"),
        (["--event", "nan"], "--event: nan makes no sense"),
        (["--event", "1", "--pulse-ms", "5"], "expected --pulses beside it"),
    ],
)
def test_mistakes(capsys: pytest.CaptureFixture[str], arguments: list[str], told: str) -> None:
    code, out, err = run(capsys, *arguments)
    assert (code, out) == (2, "")
    assert told in err
    assert err.count("\n") == 1


def test_page_without_notes_is_short() -> None:
    done = work_out(with_sensors(**{name: getattr(EVERY, name) for name in ("event", "pulses")}))
    assert len(page(done)) < len(page(done, every_note=True))
