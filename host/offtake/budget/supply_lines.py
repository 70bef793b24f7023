"""The supply: does it bear the clock, what is taken from it, how long does a battery last?"""

from __future__ import annotations

from offtake.budget import supply
from offtake.budget.lines import at_least, at_most, fact, number
from offtake.budget.model import Line, Plan, Section, Verdict
from offtake.budget.parts import Parts
from offtake.budget.stalls import block_ms

HERTZ_PER_MEGAHERTZ = 1e6


def supply_section(plan: Plan, parts: Parts) -> Section:
    """The lines about the supply."""
    clock = plan.board.clock_hz / HERTZ_PER_MEGAHERTZ
    return Section("Supply", (*_clock(plan, parts, clock), *_current(plan, parts, clock), *_regulator(plan, parts)))


def _clock(plan: Plan, parts: Parts, clock: float) -> list[Line]:
    off = plan.supply_off_percent / 100.0
    least, most = plan.board_v * (1.0 - off), plan.board_v * (1.0 + off)
    safe, safe_least = supply.safe_clock_mhz(plan.board_v), supply.safe_clock_mhz(least)
    needed = supply.least_supply_v(clock)
    range_source = (parts.source_of("supply_most"),)
    return [
        at_most(
            "safe_clock", "Clock at this supply", clock, safe, "MHz", (parts.sources["safe_clock"],),
            tight=clock > safe_least,
            note=f"{clock:g} MHz needs {needed:.2f} V; {plan.board_v:g} V bears {number(safe)} MHz,"
            f" {plan.supply_off_percent:g} % less of it {number(safe_least)}."
            + (" Raise the supply, or take the board with the slower clock." if clock > safe_least else ""),
        ),
        at_least(
            "supply_least", "Supply, lowest", least, parts["supply_least"], "V", range_source,
            note=f"{plan.supply_off_percent:g} % (--supply-off) below {plan.board_v:g} V.",
        ),
        at_most(
            "supply_most", "Supply, highest", most, parts["supply_most"], "V", range_source,
            note=f"{plan.supply_off_percent:g} % above {plan.board_v:g} V. More is past what the chip is made for.",
        ),
        _brown_out(parts, clock, needed, least),
    ]  # fmt: skip


def _brown_out(parts: Parts, clock: float, needed: float, least: float) -> Line:
    """The level that resets the chip before its clock is too fast for the supply, and never while all is well."""
    sources = (parts.sources["brown_out"], parts.sources["safe_clock"])
    fit = [typical for low, typical, high in parts.brown_out_v if low >= needed and high <= least]
    if not fit:
        note = f"No level lies between the {needed:.2f} V that the clock needs and the supply's lowest, {least:.2f} V."
        return fact("brown_out", "Brown-out level to set", None, "V", sources, note=note, verdict=Verdict.TIGHT)
    note = (
        f"Set by a fuse, which nothing here reads or writes. Below {needed:.2f} V a clock of {clock:g} MHz is no longer"
        " safe; many boards come with 2.7 V. What is written below may be wrong (its checks will say so)."
    )
    return fact("brown_out", "Brown-out level to set", fit[0], "V", sources, note=note, verdict=Verdict.CANNOT_TELL)


def _current(plan: Plan, parts: Parts, clock: float) -> list[Line]:
    points = [(2.0, parts["chip_at_2_v"]), (3.0, parts["chip_at_3_v"]), (5.0, parts["chip_at_5_v"])]
    chip = supply.chip_current_ma(points, plan.board_v, clock)
    costs = parts.boards[plan.board.name]
    ms = block_ms(costs, plan.board.clock_hz, plan.load.bytes_per_s) + parts["card_busy"]
    writing = plan.blocks_per_s * ms / 1000.0
    card = supply.card_current_ma(parts["card_idle"], parts["card_writing"], writing)
    lit = max(0.0, plan.board_v - parts["light_volts"]) / parts["light_ohm"] * 1000.0
    light = lit * parts["light_share"]
    own = parts["regulator_own"]
    mean = chip + card + light + own
    peak = chip + parts["card_peak"] + lit + own
    hours = supply.battery_hours(plan.battery_mah, parts["battery_usable"], mean)
    sources = (parts.source_of("chip_at_5_v"), parts.source_of("card_writing"))
    return [
        fact(
            "mean_current", "Current, on average", mean, "mA", sources,
            note=f"Chip {number(chip)}, awake all the time; card {number(card)}, writing {number(100 * writing)} % of"
            f" the time; light {number(light)}; regulator {number(own)}.",
        ),
        at_most(
            "peak_current", "Current, at its highest", peak, parts["regulator_limit"], "mA",
            (parts.source_of("regulator_limit"), parts.source_of("card_peak")),
            tight=peak > 0.9 * parts["regulator_limit"],
            note="While the card writes; 100 nF and 10 uF at the socket carry its first gulp.",
        ),
        at_least(
            "battery_hours", "Hours from the battery", hours, plan.hours_a_day, "h",
            (parts.source_of("battery_usable"), parts.sources["day"]), tight=hours < 1.5 * plan.hours_a_day,
            note=f"{plan.battery_mah:,.0f} mAh (--battery) at the board's voltage or ahead of a linear regulator;"
            " a converter that steps the voltage up takes as much more as it steps. Lithium cells: a fuse at the cell,"
            " never below what its maker allows, never charged unwatched.",
            beyond=Verdict.TIGHT,
        ),
    ]  # fmt: skip


def _regulator(plan: Plan, parts: Parts) -> list[Line]:
    if plan.battery_lowest_v is None:
        return []
    left = plan.battery_lowest_v - plan.regulator_drop_v
    needed = max(supply.least_supply_v(plan.board.clock_hz / HERTZ_PER_MEGAHERTZ), parts["supply_least"])
    bare = [] if plan.regulator_drop_v else [
        at_most(
            "battery_direct", "That battery straight to VCC", plan.battery_lowest_v, parts["supply_most"], "V",
            (parts.source_of("supply_most"),),
            note="No regulator between (--regulator-drop 0), and a fuller battery has more. Put one in.",
        )
    ]  # fmt: skip
    return [
        *bare,
        at_least(
            "regulator_left", "Supply on a low battery", left, needed, "V", (parts.sources["your_regulator"],),
            tight=left < plan.board_v * (1.0 - plan.supply_off_percent / 100.0),
            note=f"{plan.battery_lowest_v:g} V less a drop of {plan.regulator_drop_v:g} V; the clock needs {needed:.2f}"
            f" V, and the levels above were worked out for {plan.board_v:g} V.",
        )
    ]  # fmt: skip
