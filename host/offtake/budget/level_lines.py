"""Levels: does each side read the other's highs and lows, and does nobody push above the other's supply?"""

from __future__ import annotations

from dataclasses import dataclass

from offtake.budget.circuit import clamp_current_ma
from offtake.budget.lines import at_least, at_most, number
from offtake.budget.model import Line, Plan, Section, Verdict
from offtake.budget.parts import Parts


@dataclass(frozen=True)
class _Output:
    """What drives: its supply (V), and the highs and lows that it guarantees at a supply of 1 V, and where from."""

    supply_v: float
    least_high_share: float
    low_v: float
    source: str


@dataclass(frozen=True)
class _Input:
    """What reads: its supply (V), its thresholds as shares of that, and how far above it a level may go (V)."""

    supply_v: float
    high_share: float
    low_share: float
    over_supply_v: float
    source: str
    over_source: str


def level_section(plan: Plan, parts: Parts) -> Section:
    """The lines about levels: the tap, the desk both ways, the card both ways."""
    chip_in = _chip_input(plan, parts)
    adapter_in = _Input(
        plan.adapter_v, parts["adapter_vih_share"], parts["adapter_vil_share"], parts["adapter_over_supply"],
        parts.source_of("adapter_vih_share"), parts.source_of("adapter_over_supply"),
    )  # fmt: skip
    chip_out, adapter_out = _output(plan.board_v, parts), _output(plan.adapter_v, parts)
    off = plan.supply_off_percent / 100.0
    pairs = [
        ("tap", "Tap", _output(plan.receiver_v, parts), chip_in, plan.resistor_ohm, _TAP),
        ("desk_out", "Desk out", chip_out, adapter_in, plan.desk_ohm, _DESK),
        ("desk_in", "Desk in", adapter_out, chip_in, plan.desk_ohm, _DESK),
    ]
    lines: list[Line] = []
    for key, name, out, into, ohm, advice in pairs:
        lines += _pair(key, name, out, into, ohm, advice, off, parts)
    return Section("Levels", (*lines, *_card(plan, parts, chip_in, chip_out, off)))


_TAP = "Choose the board whose supply is the receiver's level, or put a level converter behind the resistor."
_DESK = "Use an adapter of the board's voltage (many have a jumper)."
_CARD_IN = "Put level shifting to 3.3 V into CS, DI and CLK."
_CARD_OUT = (
    "Most cards drive their full 3.3 V, which nobody guarantees; a shifter that also lifts DO, or a 3.3 V board, is"
    " safe."
)


def _card(plan: Plan, parts: Parts, chip_in: _Input, chip_out: _Output, off: float) -> list[Line]:
    card_v = parts["card_volts"]
    source = parts.source_of("card_volts")
    card_in = _Input(
        card_v, parts["card_vih_share"], parts["card_vil_share"], parts["card_over_supply"], source, source
    )
    card_out = _Output(card_v, parts["card_voh_share"], parts["card_vol_share"] * card_v, source)
    needs = plan.board_v > card_v + parts["card_over_supply"]
    shifted = needs if plan.card_shifter is None else plan.card_shifter
    driver, name = (_output(card_v, parts), "Card in, shifted") if shifted else (chip_out, "Card in, direct")
    return [
        *_pair("card_in", name, driver, card_in, 0.0, _CARD_IN, off, parts),
        *_pair("card_out", "Card out", card_out, chip_in, 0.0, _CARD_OUT, off, parts),
    ]


def _pair(
    key: str, name: str, out: _Output, into: _Input, series_ohm: float, advice: str, off: float, parts: Parts
) -> list[Line]:
    high_needed, low_needed = into.high_share * into.supply_v, into.low_share * into.supply_v
    worst_high = out.supply_v * min(out.least_high_share, 1.0 - off) - high_needed * (1.0 + off)
    worst_low = low_needed * (1.0 - off) - out.low_v
    worst = (
        f"both supplies {100.0 * off:g} % off the wrong way" if out.least_high_share >= 1.0 - off
        else f"no more than the {number(out.least_high_share * out.supply_v)} V that is guaranteed"
    )  # fmt: skip
    high_worry = f" With {worst} the margin is {number(worst_high)} V. {advice}" if worst_high < 0 else ""
    lines = [
        at_least(
            f"{key}_high", f"{name}: high", out.supply_v, high_needed, "V", (into.source, out.source),
            tight=worst_high < 0, note=f"What must be read as high.{high_worry}",
        ),
        at_most(
            f"{key}_low", f"{name}: low", out.low_v, low_needed, "V", (into.source, out.source),
            tight=worst_low < 0, note="What must be read as low." + (f" {advice}" if worst_low < 0 else ""),
        ),
    ]  # fmt: skip
    clamp_ma = parts["clamp_current"]
    highest = into.supply_v + into.over_supply_v
    if out.supply_v > into.supply_v:
        current = clamp_current_ma(out.supply_v, into.supply_v, into.over_supply_v, series_ohm)
        pushed = (
            f"Through {series_ohm:,.0f} ohm that pushes {number(current)} mA through the input's clamp, which is good"
            f" for {clamp_ma:g} mA." if series_ohm
            else "With nothing in series nothing limits the current through the clamp."
        )  # fmt: skip
        lines.append(
            at_most(
                f"{key}_over", f"{name}: over supply", out.supply_v, highest, "V",
                (into.over_source, parts.source_of("clamp_current")),
                note=pushed + (f" {advice}" if out.supply_v > highest else ""),
                beyond=Verdict.TIGHT if current <= clamp_ma else Verdict.WILL_NOT_DO,
            )
        )  # fmt: skip
    return lines


def _output(supply_v: float, parts: Parts) -> _Output:
    return _Output(supply_v, 1.0, parts["output_low"], parts.source_of("output_low"))


def _chip_input(plan: Plan, parts: Parts) -> _Input:
    return _Input(
        plan.board_v, parts["vih_share"], parts["vil_share"], parts["over_supply"], parts.source_of("vih_share"),
        parts.source_of("over_supply"),
    )  # fmt: skip
