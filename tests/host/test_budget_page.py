"""The budget as a whole: verdicts, the page at 80 columns, and what its figures rest on."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import offtake.budget
import pytest
from hypothesis import given
from hypothesis import strategies as st
from offtake.budget.lines import at_least, at_most, number
from offtake.budget.model import BoardFacts, Budget, Line, Plan, Verdict
from offtake.budget.page import page
from offtake.budget.parts import load_parts
from offtake.budget.stalls import Output
from offtake.budget.storage import PREPARED_BYTES, PREPARED_CLOSE_MS
from offtake.budget.work import work_out
from offtake.cli import prepare
from offtake.errors import UsageError

FAST = BoardFacts("atmega328p_16mhz", 16_000_000, 115_200, 1_484)
SLOW = BoardFacts("atmega328p_8mhz", 8_000_000, 38_400, 1_484)
PLAN = Plan(FAST, 57_600, 5.0, 5.0)
SLOW_PLAN = Plan(SLOW, 57_600, 3.3, 3.3)


def lines_of(plan: Plan) -> dict[str, Line]:
    return {line.key: line for line in work_out(plan).lines}


@pytest.mark.parametrize(
    ("changed", "key", "verdict"),
    [
        ({}, "tap_high", Verdict.TIGHT),  # 0.3 V, and nothing with both supplies off
        ({"supply_off_percent": 1.0}, "tap_high", Verdict.GOOD),
        ({"receiver_v": 1.8}, "tap_high", Verdict.WILL_NOT_DO),
        ({"board_v": 3.6}, "safe_clock", Verdict.WILL_NOT_DO),
        ({"board_v": 3.9}, "safe_clock", Verdict.TIGHT),
        ({"board_v": 3.9}, "brown_out", Verdict.TIGHT),
        ({}, "brown_out", Verdict.CANNOT_TELL),
        ({"board_v": 6.0}, "supply_most", Verdict.WILL_NOT_DO),
        ({"adapter_v": 3.3}, "desk_out_over", Verdict.WILL_NOT_DO),
        ({"adapter_v": 3.3, "desk_ohm": 2_200.0}, "desk_out_over", Verdict.TIGHT),
        ({"card_shifter": False}, "card_in_over", Verdict.WILL_NOT_DO),
        ({}, "logger_unpowered", Verdict.TIGHT),
        ({"resistor_ohm": 4_700.0}, "logger_unpowered", Verdict.GOOD),
        ({"wrong_pad_v": 48.0}, "supply_pad_powered", Verdict.WILL_NOT_DO),
        ({"resistor_ohm": 100_000.0, "wire_m": 1.0}, "rise_time", Verdict.WILL_NOT_DO),
        ({"wrong_pad_v": 12.0}, "resistor_power", Verdict.WILL_NOT_DO),
        ({"baud": 500_000}, "sustained", Verdict.WILL_NOT_DO),
        ({"baud": 115_200}, "clock_error", Verdict.TIGHT),
        ({"baud": 115_200}, "stall_high_capacity", Verdict.TIGHT),
        ({"baud": 115_200, "stall_ms": 200.0}, "stall_asked", Verdict.WILL_NOT_DO),
        ({"outputs": (Output("GGA", 1.0, 75),)}, "stall_seen", Verdict.GOOD),
        ({"outputs": (Output("GGA", 100.0, 75),)}, "line_use", Verdict.WILL_NOT_DO),
        ({"card_bytes": 2**20}, "hours_to_full", Verdict.WILL_NOT_DO),
        ({}, "hours_as_prepared", Verdict.GOOD),
        ({"baud": 115_200}, "hours_as_prepared", Verdict.TIGHT),
        ({"usb_chip": True}, "receiver_unpowered", Verdict.TIGHT),
        # So small a resistor lets a low be read, by driving the receiver's line.
        ({"usb_chip": True, "resistor_ohm": 300.0}, "usb_chip_low", Verdict.GOOD),
        ({"usb_chip": True, "resistor_ohm": 300.0}, "usb_chip_current", Verdict.WILL_NOT_DO),
        ({"baud": 1_000_000, "outputs": (Output("bytes", 1.0, 100_000),)}, "line_use", Verdict.TIGHT),
        ({"card_bytes": 2**30}, "amplified_most", Verdict.TIGHT),
        ({"battery_mah": 100.0}, "battery_hours", Verdict.TIGHT),
        ({"battery_lowest_v": 3.0}, "regulator_left", Verdict.WILL_NOT_DO),
    ],
)
def test_verdicts(changed: dict[str, object], key: str, verdict: Verdict) -> None:
    assert lines_of(replace(PLAN, **changed))[key].verdict is verdict  # type: ignore[arg-type]


def test_slow_board_has_no_trouble_with_levels() -> None:
    lines = lines_of(SLOW_PLAN)
    levels = [line for key, line in lines.items() if key.startswith(("tap_h", "tap_low", "desk_o", "desk_in", "card_"))]
    assert len(levels) >= 10
    assert all(line.verdict in (Verdict.GOOD, None) for line in levels if line.key != "card_rate")
    assert "Card in, direct: high" in [line.what for line in levels]


def test_stalls_lose_what_they_say() -> None:
    lost = lines_of(PLAN)["stall_extended"].note
    assert lost.startswith("2,880 bytes can come meanwhile: at most 1,425 are lost each time")
    assert "keeps them all" in lines_of(PLAN)["stall_high_capacity"].note


def test_what_prepare_makes_of_its_own_accord() -> None:
    parser = argparse.ArgumentParser()
    prepare.add(parser.add_subparsers())
    options = parser.parse_args(["prepare", "card"])
    assert (options.size, options.close_ms) == (PREPARED_BYTES, PREPARED_CLOSE_MS)


def test_an_input_over_its_supply_names_its_own_source() -> None:
    """The adapter's was once said to stand in the chip's datasheet."""
    over = lines_of(replace(PLAN, adapter_v=3.3))["desk_out_over"]
    assert over.sources == (load_parts().source_of("adapter_over_supply"), load_parts().source_of("clamp_current"))


def test_large_cards_may_be_busy_for_longer() -> None:
    small, large = lines_of(PLAN), lines_of(replace(PLAN, card_bytes=64 * 2**30))
    assert "this card" in small["stall_high_capacity"].what
    assert "this card" in large["stall_extended"].what
    assert "below 4 GiB" in large["hours_to_full"].note
    assert large["hours_to_full"].value == small["hours_to_full"].value


@pytest.mark.parametrize(
    "changed",
    [
        {"baud": 300},
        {"receiver_v": float("nan")},
        {"resistor_ohm": 0.0},
        {"wire_m": -1.0},
        {"supply_off_percent": float("inf")},
        {"outputs": (Output("a", float("nan"), 75),)},
        {"outputs": (Output("a", 1.0, 0),)},
        {"hours_a_day": 25.0},
        {"board": BoardFacts("another", 16_000_000, 115_200, 1_484)},
    ],
)
def test_senseless_plans_are_refused(changed: dict[str, object]) -> None:
    with pytest.raises(UsageError, match="expected"):
        work_out(replace(PLAN, **changed))  # type: ignore[arg-type]


PLANS = st.builds(
    Plan,
    board=st.sampled_from((FAST, SLOW)),
    baud=st.integers(1_200, 1_000_000),
    board_v=st.floats(0.5, 20.0),
    adapter_v=st.floats(0.5, 20.0),
    receiver_v=st.floats(0.5, 20.0),
    supply_off_percent=st.floats(0.0, 50.0),
    board_clock_off_percent=st.floats(0.0, 20.0),
    resistor_ohm=st.floats(1.0, 1e6),
    desk_ohm=st.floats(0.0, 1e6),
    wire_m=st.floats(0.0, 100.0),
    wrong_pad_v=st.floats(0.0, 100.0),
    usb_chip=st.booleans(),
    outputs=st.lists(
        st.builds(Output, st.just("a"), st.floats(0.001, 1000.0), st.integers(1, 65_535)), max_size=3
    ).map(tuple),
    card_bytes=st.integers(2**20, 2**41),
    card_shifter=st.sampled_from((None, True, False)),
    stall_ms=st.one_of(st.none(), st.floats(0.0, 60_000.0)),
    hours_a_day=st.floats(0.01, 24.0),
    battery_mah=st.floats(1.0, 1e6),
    battery_lowest_v=st.one_of(st.none(), st.floats(0.5, 100.0)),
    regulator_drop_v=st.floats(0.0, 20.0),
)


@given(PLANS)
def test_any_plan_makes_a_page_and_its_margins_agree(plan: Plan) -> None:
    done = work_out(plan)
    assert len({line.key for line in done.lines}) == len(done.lines)
    for line in done.lines:
        assert line.sources
        assert line.note
        assert line.what == line.what.strip() and len(line.what) <= 28  # noqa: PT018
        if line.limit is not None and line.verdict in (Verdict.GOOD, Verdict.WILL_NOT_DO):
            assert line.margin is None or (line.margin >= 0) == (line.verdict is Verdict.GOOD)
    check_page(done)


def check_page(done: Budget) -> None:
    text = page(done, every_note=True)
    rows = [row for row in text if len(row) > 80]
    assert not rows
    named = {source for line in done.lines for source in line.sources}
    shown = " ".join(" ".join(text[text.index("SOURCES") :]).split())
    assert all(source in shown for source in named)


def test_page_explains_what_is_not_good_and_all_of_it_on_request() -> None:
    done = work_out(PLAN)
    short, full = page(done), page(done, every_note=True)
    assert len(full) > len(short) + 20
    for line in done.lines:
        first = line.note[:40]
        assert any(first in row for row in full)
        if line.verdict in (Verdict.TIGHT, Verdict.CANNOT_TELL):
            assert any(first in row for row in short)
    assert any("UBRR 34 at double speed" in row for row in full)
    assert not any("UBRR 34 at double speed" in row for row in short)
    assert short[-2].startswith("will do, but look at what is tight")
    failed = page(work_out(replace(PLAN, usb_chip=True)))
    assert any(row.startswith("will not do (USB chip on board: low; USB chip on board: pushes)") for row in failed)


def test_a_brief_page_has_the_lines_that_are_not_good_alone() -> None:
    done = work_out(replace(PLAN, usb_chip=True))
    text = page(done, brief=True)
    assert text[-3:] == page(done)[-3:], "the verdict counts all lines"
    for line in done.lines:
        shown = any(row.startswith(f"{line.what} ") and line.shown in row for row in text)
        assert shown == (line.verdict not in (None, Verdict.GOOD)), line.what
    named = {source for line in done.lines if line.verdict not in (None, Verdict.GOOD) for source in line.sources}
    sources = " ".join(" ".join(text[text.index("SOURCES") :]).split())
    assert all((source in sources) == (source in named) for line in done.lines for source in line.sources)
    # A section without such a line is not named.
    assert "CARD LIFE AND HOURS" in " ".join(page(done))
    assert len(text) < len(page(done)) - 20


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"), (2e-5, "0"), (6e-5, "0.000060"), (3e9, ">999,999"), (-3e9, "-999,999"),
        (0.0048, "0.0048"), (0.001, "0.0010"), (-0.015, "-0.015"), (0.0999, "0.10"),
        (2.676, "2.68"), (9.996, "10.0"), (12.34, "12.3"), (99.96, "100"), (252.68, "252.7"), (250.0, "250"),
        (1234.5, "1,234"), (float("inf"), "no end"),
    ],
)  # fmt: skip
def test_numbers(value: float, text: str) -> None:
    assert number(value) == text


def test_limits_themselves_are_kept() -> None:
    """At the limit all is well, whatever rounding does to it; a hair past it is past it."""
    assert at_most("k", "w", 0.1 + 0.2, 0.3, "V", ("s",)).verdict is Verdict.GOOD
    assert at_most("k", "w", 0.301, 0.3, "V", ("s",)).verdict is Verdict.WILL_NOT_DO
    assert at_least("k", "w", 0.3, 0.1 + 0.2, "V", ("s",)).verdict is Verdict.GOOD
    assert at_least("k", "w", 0.299, 0.3, "V", ("s",)).verdict is Verdict.WILL_NOT_DO


def test_every_figure_and_source_is_used() -> None:
    parts = load_parts()
    room = Path(offtake.budget.__file__).parent
    # What a message costs is worked out beside the spec, with these figures too.
    files = [*room.glob("*.py"), *(room.parent / "spec").glob("*.py")]
    code = "".join(path.read_text(encoding="utf-8") for path in files)
    unused = [name for name in parts.figures if f'"{name}"' not in code]
    # The clocks' tolerances are a plan's own and only checked against the parts.
    assert unused == ["resonator_off", "quartz_off"]
    cited = {figure.source for figure in parts.figures.values()}
    assert [name for name, text in parts.sources.items() if text not in cited and f'"{name}"' not in code] == []
