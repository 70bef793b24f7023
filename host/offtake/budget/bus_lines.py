"""The pressure sensor's two wires (I2C): levels of both sides, the pull-ups, and how fast an edge rises."""

from __future__ import annotations

from offtake.budget import circuit
from offtake.budget.lines import at_least, at_most, number
from offtake.budget.model import Line, Plan, Section
from offtake.budget.parts import Parts
from offtake.budget.sensors import Bus


def bus_section(plan: Plan, parts: Parts) -> Section:
    """The lines about the bus, where in use."""
    bus = plan.sensors.pressure
    if bus is None:
        return Section("Pressure sensor", ())
    return Section("Pressure sensor", (*_board_side(plan, parts, bus), *_part_side(parts, bus), *_pull_ups(parts, bus)))


def _board_side(plan: Plan, parts: Parts, bus: Bus) -> list[Line]:
    high_v = plan.board_v if bus.shifted else bus.pull_up_v
    needed = parts["vih_share"] * plan.board_v
    off = plan.supply_off_percent / 100.0
    worst = high_v * (1.0 - off) - needed * (1.0 + off)
    tight = worst < 0.0 and not bus.shifted  # the shifted side's pull-ups follow the board's supply
    sources = (parts.source_of("vih_share"), parts.source_of("two_wire_share"))
    worry = (
        f" With both supplies {plan.supply_off_percent:g} % off the wrong way the margin is {number(worst)} V: take a"
        " breakout with level shifters (--bus-shifter), or the board at 3.3 V."
    )
    return [
        at_least(
            "bus_high", "Board reads: high", high_v, needed, "V", sources, tight=tight,
            note="What the pull-ups give. The firmware reads plain pins; the chip's own two-wire unit, which it does"
            f" not use, would need {number(parts['two_wire_share'] * plan.board_v)} V."
            + (worry if tight or high_v < needed else ""),
        ),
        at_most(
            "bus_low", "Board reads: low", parts["bus_low"], parts["vil_share"] * plan.board_v, "V",
            (parts.source_of("bus_low"), parts.source_of("vil_share")), note="What the sensor pulls down to.",
        ),
        at_most(
            "bus_over_board", "Board: over supply", high_v, plan.board_v + parts["over_supply"], "V",
            (parts.source_of("over_supply"),), note="The pull-ups' supply against the board's.",
        ),
    ]  # fmt: skip


def _part_side(parts: Parts, bus: Bus) -> list[Line]:
    part_v = parts["part_volts"]
    if bus.shifted:
        high_v, over_note = part_v, "Behind the breakout's own level shifters."
    else:
        high_v, over_note = bus.pull_up_v, "Wires and pull-ups go straight to the part, a 3.3 V one."
    most = part_v + parts["part_over_supply"]
    advice = " Pull up to 3.3 V, never to 5 V; or a breakout with level shifters (--bus-shifter)."
    source = (parts.source_of("part_vih_share"),)
    return [
        at_least(
            "bus_part_high", "Sensor reads: high", high_v, parts["part_vih_share"] * part_v, "V", source,
            note="What the pull-ups give.",
        ),
        at_most(
            "bus_part_low", "Sensor reads: low", parts["bus_low"], parts["part_vil_share"] * part_v, "V",
            (*source, parts.source_of("bus_low")), note="What the board pulls down to.",
        ),
        at_most(
            "bus_part_over", "Sensor: over supply", high_v, most, "V", (parts.source_of("part_over_supply"),),
            note=over_note + (advice if high_v > most else ""),
        ),
    ]  # fmt: skip


def _pull_ups(parts: Parts, bus: Bus) -> list[Line]:
    picofarad = parts["bus_pins"] * parts["pin_capacitance"] + parts["wire_capacitance"] * bus.wire_m
    rise_ns = circuit.bus_rise_ns(bus.pull_up_ohm, picofarad)
    sink_ma = circuit.current_ma(max(0.0, bus.pull_up_v - parts["bus_low"]), bus.pull_up_ohm)
    most_ohm = bus.pull_up_ohm * parts["bus_rise"] / rise_ns
    least_ohm = 1000.0 * max(0.0, bus.pull_up_v - parts["bus_low"]) / parts["bus_sink"]
    values = f"{number(least_ohm)} to {number(most_ohm)} ohm will do with this wire"
    return [
        at_most(
            "bus_rise", "Edge at the pull-up", rise_ns, parts["bus_rise"], "ns",
            (parts.source_of("bus_rise"), parts.source_of("wire_capacitance")), tight=rise_ns > 0.8 * parts["bus_rise"],
            note=f"0.8473 x {bus.pull_up_ohm:,.0f} ohm x {number(picofarad)} pF, of the pins and {bus.wire_m:g} m of"
            f" wire (--sensor-wire): {values}.",
        ),
        at_most(
            "bus_sink", "Current at a low", sink_ma, parts["bus_sink"], "mA", (parts.source_of("bus_sink"),),
            note=f"Through the pull-up of each wire; a breakout may have pull-ups of its own beside yours. {values}.",
        ),
    ]  # fmt: skip
