"""The analogue inputs: what reaches the pin, how fine it reads, and what happens while the logger is off."""

from __future__ import annotations

from offtake.budget import circuit
from offtake.budget.lines import at_most, fact, number
from offtake.budget.model import Line, Plan, Section, Verdict
from offtake.budget.parts import Parts
from offtake.budget.sensors import FULL_SCALE_MV_MOST, Divider


def analogue_section(plan: Plan, parts: Parts) -> Section:
    """The lines about the analogue inputs in use."""
    lines: list[Line] = []
    for which, divider in plan.sensors.dividers:
        lines += _range(plan, parts, which, divider)
        lines += _fineness(plan, parts, which, divider)
        lines += _currents(plan, parts, which, divider)
    return Section("Analogue inputs", tuple(lines))


def _range(plan: Plan, parts: Parts, which: int, divider: Divider) -> list[Line]:
    pin_v = divider.most_v / divider.ratio
    highest = plan.board_v + parts["over_supply"]
    lowest_full = plan.board_v * (1.0 - plan.supply_off_percent / 100.0)
    full_mv = divider.full_scale_mv(plan.board_v)
    advice = " A larger upper resistor, or a smaller lower one."
    if pin_v > highest:
        note = f"Above {highest:g} V the chip may be damaged, and nothing above {plan.board_v:g} V is read.{advice}"
    elif pin_v > lowest_full:
        note = f"What is above the supply, which may be as low as {number(lowest_full)} V, reads as full.{advice}"
    else:
        note = f"{divider.most_v:g} V at the source, {divider.ratio:.4g} times less at the pin."
    return [
        at_most(
            f"analogue_{which}_pin", f"Input {which}: pin, at the most", pin_v, plan.board_v, "V",
            (parts.sources["reference"], parts.source_of("over_supply")), tight=pin_v > lowest_full, note=note,
            beyond=Verdict.WILL_NOT_DO if pin_v > highest else Verdict.TIGHT,
        ),
        at_most(
            f"analogue_{which}_full", f"Input {which}: full scale to give", full_mv, float(FULL_SCALE_MV_MOST), "mV",
            (parts.sources["reference"], parts.sources["full_scale"]),
            note=f"`offtake prepare --full-scale-{which} {min(FULL_SCALE_MV_MOST, round(full_mv))}`: what stands at the"
            f" source when the pin is at {plan.board_v:g} V. Better: hold a meter to a steady voltage, and give the"
            " full scale so far times what the meter says, by what the log says.",
        ),
    ]  # fmt: skip


def _fineness(plan: Plan, parts: Parts, which: int, divider: Divider) -> list[Line]:
    full_mv = divider.full_scale_mv(plan.board_v)
    step_mv = full_mv / parts["converter_steps"]
    top_mv = min(1000.0 * divider.most_v, full_mv)
    off_mv = top_mv * (plan.supply_off_percent + _divider_off_percent(divider, parts)) / 100.0
    off_mv += parts["converter_off"] * step_mv
    return [
        fact(
            f"analogue_{which}_step", f"Input {which}: one step", step_mv, "mV", (parts.sources["reference"],),
            note="Of one conversion, at the source. A reading is 16 of them, which is finer where there is some noise.",
        ),
        fact(
            f"analogue_{which}_off", f"Input {which}: off by up to", off_mv, "mV",
            (parts.sources["reference"], parts.source_of("converter_off")),
            note=f"At {number(top_mv / 1000.0)} V: supply {plan.supply_off_percent:g} % (--supply-off), resistors,"
            f" and {parts['converter_off']:g} steps. With a full scale found by a meter little but the supply's drift"
            " is left; a potentiometer fed from the board's own supply does not even have that.",
        ),
    ]  # fmt: skip


def _divider_off_percent(divider: Divider, parts: Parts) -> float:
    """Both resistors off the wrong way, as a share of the ratio."""
    return 2.0 * parts["divider_off"] * divider.upper_ohm / (divider.upper_ohm + divider.lower_ohm)


def _currents(plan: Plan, parts: Parts, which: int, divider: Divider) -> list[Line]:
    return [
        _source(parts, which, divider), _logger_off(plan, parts, which, divider), *_broken(plan, parts, which, divider),
    ]  # fmt: skip


def _source(parts: Parts, which: int, divider: Divider) -> Line:
    key, what = f"analogue_{which}_source", f"Input {which}: source"
    sources = (parts.source_of("source_most"), parts.source_of("pin_leak"))
    if divider.upper_ohm == 0.0:
        note = (
            f"Straight on the pin the source's own resistance counts: {parts['source_most']:g} kohm at the most. A"
            " potentiometer has a quarter of its value at its middle."
        )
        return fact(key, what, None, "kohm", sources, note=note, verdict=Verdict.CANNOT_TELL)
    source_kohm, most_kohm = divider.source_ohm / 1000.0, parts["source_most"]
    leak_mv = parts["pin_leak"] * divider.source_ohm * divider.ratio
    drawn = circuit.current_ma(divider.most_v, divider.upper_ohm + divider.lower_ohm)
    return at_most(
        key, what, source_kohm, most_kohm, "kohm", sources,
        note=f"Both resistors side by side. The pin's leakage through them is {number(leak_mv)} mV at the source, at"
        f" the worst; they take {number(drawn)} mA from it for good."
        + (" 100 nF at the pin, and slow signals only; or smaller resistors." if source_kohm > most_kohm else ""),
        beyond=Verdict.TIGHT,
    )  # fmt: skip


def _logger_off(plan: Plan, parts: Parts, which: int, divider: Divider) -> Line:
    """For as long as the source is on and the logger is not; a source on the logger's own supply is off with it."""
    limit = parts["clamp_current"]
    pushed = circuit.divider_clamp_ma(divider.most_v, 0.0, parts["over_supply"], divider.upper_ohm, divider.lower_ohm)
    own = divider.most_v <= plan.board_v * (1.0 + plan.supply_off_percent / 100.0)
    note = "Into the dead chip's clamp, for as long as it stays off and the source on."
    if pushed > limit:
        least = circuit.series_ohm_for(divider.most_v, parts["over_supply"], limit)
        note += (
            f" {_hundreds(least)} ohm or more above the pin keeps it within {limit:g} mA."
            + (" Nothing to mend where the source is fed by the logger's own supply." if own else " Or one switch for"
               " both.")
        )  # fmt: skip
    return at_most(
        f"analogue_{which}_logger_off", f"Input {which}: logger off", pushed, limit, "mA",
        (parts.source_of("clamp_current"), parts.source_of("over_supply")), note=note,
        beyond=Verdict.TIGHT if own else Verdict.WILL_NOT_DO,
    )  # fmt: skip


def _broken(plan: Plan, parts: Parts, which: int, divider: Divider) -> list[Line]:
    if divider.upper_ohm == 0.0:
        return []
    pushed = circuit.clamp_current_ma(divider.most_v, plan.board_v, parts["over_supply"], divider.upper_ohm)
    return [
        at_most(
            f"analogue_{which}_open", f"If its ground wire opens ({which})", pushed, parts["clamp_current"], "mA",
            (parts.source_of("clamp_current"), parts.source_of("over_supply")),
            note="The whole source then stands at the pin, through the upper resistor alone."
            + (" Solder the lower resistor at the pin, not at the far end." if pushed > parts["clamp_current"] else ""),
            beyond=Verdict.TIGHT if pushed < parts["slip_current"] else Verdict.WILL_NOT_DO,
        )
    ]  # fmt: skip


def _hundreds(ohm: float) -> str:
    """The next whole hundred above."""
    return f"{-(-int(ohm) // 100) * 100:,}"
