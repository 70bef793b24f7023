"""The series resistor: what flows when something is wrong, and what it costs when nothing is."""

from __future__ import annotations

from offtake.budget import circuit
from offtake.budget.lines import at_least, at_most, number
from offtake.budget.model import Line, Plan, Section, Verdict
from offtake.budget.parts import Parts


def resistor_section(plan: Plan, parts: Parts) -> Section:
    """The lines about the tap's resistor."""
    return Section("Series resistor", (*_slips(plan, parts), *_daily(plan, parts), *_usb_chip(plan, parts)))


def _slips(plan: Plan, parts: Parts) -> list[Line]:
    ohm, over_v, limit = plan.resistor_ohm, parts["over_supply"], parts["clamp_current"]
    clamp = (parts.source_of("clamp_current"), parts.source_of("over_supply"))
    unpowered = circuit.clamp_current_ma(plan.receiver_v, 0.0, over_v, ohm)
    needed = circuit.series_ohm_for(plan.receiver_v, over_v, limit)
    bit_share = _rise_percent(plan, parts, needed)
    on_supply = circuit.clamp_current_ma(plan.wrong_pad_v, plan.board_v, over_v, ohm)
    on_supply_dead = circuit.clamp_current_ma(plan.wrong_pad_v, 0.0, over_v, ohm)
    hottest = max(plan.wrong_pad_v, plan.receiver_v, plan.board_v)
    short_ma = circuit.current_ma(plan.receiver_v, ohm)
    return [
        _slip(
            "logger_unpowered", "If the logger has no power", unpowered, limit, clamp, parts,
            f"The line then feeds the dead chip through its clamp. Same supply, same switch avoids it;"
            f" {number(needed)} ohm would keep it within {limit:g} mA, and an edge to {number(bit_share)} % of a bit.",
        ),
        _receiver_unpowered(plan, parts),
        _slip(
            "supply_pad_powered", "If the tip hits a supply pad", on_supply, limit, clamp, parts,
            f"{plan.wrong_pad_v:g} V (--wrong-pad-volts) into the powered logger. On a ground pad nothing flows.",
        ),
        _slip(
            "supply_pad_unpowered", "If so, and without power", on_supply_dead, limit, clamp, parts,
            f"{plan.wrong_pad_v:g} V into the dead logger. Look for the pad with the logger powered, or through a"
            " larger resistor.",
        ),
        at_most(
            "wire_shorted", "If the wire is shorted", short_ma, parts["driver_current"], "mA",
            (parts.source_of("driver_current"), parts.sources["resistor"]),
            note="The resistor, at the pad, is then all that the receiver's output drives; the host still hears it."
            + (" A larger resistor loads it less." if short_ma > parts["driver_current"] else ""),
            beyond=Verdict.TIGHT,
        ),
        at_most(
            "resistor_power", "Heat in the resistor, worst", circuit.power_mw(hottest, ohm), parts["resistor_power"],
            "mW", (parts.source_of("resistor_power"),),
            note=f"With {hottest:g} V across it for good. A larger part, or a larger resistance, stays cooler.",
        ),
    ]  # fmt: skip


def _receiver_unpowered(plan: Plan, parts: Parts) -> Line:
    key, what, limit = "receiver_unpowered", "If the receiver has no power", parts["clamp_current"]
    if not plan.usb_chip:
        return at_most(
            key, what, parts["pin_leak"], limit, "mA", (parts.source_of("pin_leak"), parts.source_of("clamp_current")),
            note="Our pin is an input without pull-up: it feeds nothing back but its leakage.",
        )
    pushed = circuit.clamp_current_ma(
        plan.board_v, 0.0, parts["over_supply"], plan.resistor_ohm + parts["usb_chip_ohm"]
    )
    sources = (parts.source_of("usb_chip_ohm"), parts.source_of("clamp_current"))
    return _slip(key, what, pushed, limit, sources, parts, "The board's USB chip then feeds the dead receiver.")


def _slip(
    key: str, what: str, current_ma: float, limit_ma: float, sources: tuple[str, ...], parts: Parts, note: str
) -> Line:
    """Past the clamp's limit a slip is a caution; far past it the input may die of it."""
    most = parts["slip_current"]
    survives = current_ma < most
    more = " Past the limit: nothing is promised, even for a slip." if limit_ma < current_ma < most else ""
    if not survives:
        more = f" Past {most:g} mA the input may die of a single slip: a larger resistor."
        sources = (sources[0], parts.source_of("slip_current"))
    beyond = Verdict.TIGHT if survives else Verdict.WILL_NOT_DO
    return at_most(key, what, current_ma, limit_ma, "mA", sources, note=note + more, beyond=beyond)


def _daily(plan: Plan, parts: Parts) -> list[Line]:
    capacitance = _capacitance_pf(plan, parts)
    rise_ns = circuit.rise_time_ns(plan.resistor_ohm, capacitance)
    share = _rise_percent(plan, parts, plan.resistor_ohm)
    load_ma = parts["pin_leak"] + circuit.charging_current_ma(capacitance, plan.receiver_v, plan.baud)
    return [
        at_most(
            "rise_time", "Edge behind it, of a bit", share, parts["edge_share"], "%",
            (parts.source_of("pin_capacitance"), parts.source_of("edge_share")), tight=share > parts["edge_share"] / 2,
            note=f"{number(rise_ns)} ns: 2.197 x {plan.resistor_ohm:,.0f} ohm x {number(capacitance)} pF, the pin's and"
            f" {plan.wire_m:g} m of wire's." + (" A shorter wire or a smaller resistor is quicker."
                                              if share > parts["edge_share"] / 2 else ""),
        ),
        at_most(
            "tap_load", "Taken from the tapped line", load_ma, parts["driver_current"], "mA",
            (parts.source_of("pin_leak"), parts.source_of("driver_current")),
            note=f"On average: leakage, and loading the wire at each edge, with at most"
            f" {number(circuit.current_ma(plan.receiver_v, plan.resistor_ohm))} mA for a few ten nanoseconds.",
        ),
    ]  # fmt: skip


def _usb_chip(plan: Plan, parts: Parts) -> list[Line]:
    """Both hold the receive pin: the tap through its resistor, the board's own USB-serial chip through another."""
    if not plan.usb_chip:
        return []
    own, low_v = parts["usb_chip_ohm"], parts["output_low"]
    low = circuit.between_v(low_v, plan.resistor_ohm, plan.board_v, own)
    high = circuit.between_v(plan.receiver_v, plan.resistor_ohm, plan.board_v, own)
    low_limit, high_limit = parts["vil_share"] * plan.board_v, parts["vih_share"] * plan.board_v
    reach = circuit.series_ohm_against(plan.board_v, own, low_v, low_limit)
    pushed = circuit.current_ma(max(0.0, plan.board_v - low_v), plan.resistor_ohm + own)
    sources = (parts.source_of("usb_chip_ohm"), parts.source_of("vil_share"))
    return [
        at_most(
            "usb_chip_low", "USB chip on board: low", low, low_limit, "V", sources,
            note="That chip's idle output holds the pin up against the tap, so a low is never read: this cannot work."
            f" Take a board without one, or cut its resistor out. (The tap's would have to be below {number(reach)}"
            " ohm, which loads the receiver's line.)" if low > low_limit
            else "A low is read, at the cost of the next lines.",
        ),
        at_least(
            "usb_chip_high", "USB chip on board: high", high, high_limit, "V", sources,
            note="A high is read, for both sides pull up.",
        ),
        at_most(
            "usb_chip_current", "USB chip on board: pushes", pushed, parts["pin_leak"], "mA",
            (parts.source_of("usb_chip_ohm"), parts.source_of("pin_leak")),
            note="Into the receiver's output, each time that it is low. A passive tap gives no more than a pin's"
            " leakage; this one drives the line.",
        ),
    ]  # fmt: skip


def _capacitance_pf(plan: Plan, parts: Parts) -> float:
    return parts["pin_capacitance"] + parts["wire_capacitance"] * plan.wire_m


def _rise_percent(plan: Plan, parts: Parts, ohm: float) -> float:
    return circuit.rise_time_ns(ohm, _capacitance_pf(plan, parts)) * 1e-9 * plan.baud * 100.0
