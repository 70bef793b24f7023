"""The event input and the pulse counter: levels, bouncing contacts, and how fast they may be."""

from __future__ import annotations

from offtake.budget import circuit
from offtake.budget.lines import at_least, at_most, number
from offtake.budget.model import Line, Plan, Section, Verdict
from offtake.budget.parts import Parts
from offtake.budget.sensors import Switch


def switch_section(plan: Plan, parts: Parts) -> Section:
    """The lines about the event input and the pulse counter, where in use."""
    lines: list[Line] = []
    if plan.sensors.event is not None:
        lines += _event(plan, parts, plan.sensors.event)
        lines += _levels(plan, parts, "event", "Event", plan.sensors.event)
    if plan.sensors.pulses is not None:
        lines += _pulses(plan, parts, plan.sensors.pulses)
        lines += _levels(plan, parts, "pulses", "Pulses", plan.sensors.pulses)
    return Section("Event and pulses", tuple(lines))


def _event(plan: Plan, parts: Parts, event: Switch) -> list[Line]:
    debounce_ms = plan.sensors.debounce_ms
    fastest = 1000.0 / (2.0 * debounce_ms)
    lines = [
        at_most(
            "event_rate", "Event: times a second", event.most_hz, fastest, "Hz",
            (parts.sources["debounce"],), tight=event.most_hz > 0.5 * fastest,
            note=f"Down for {debounce_ms:g} ms at least, and up for as long (--debounce-ms). What is shorter is counted"
            " as ignored, not logged.",
        )
    ]  # fmt: skip
    if event.driven_v is None:
        short = debounce_ms < parts["bounce"]
        lines.append(
            at_least(
                "event_debounce", "Event: debounce", debounce_ms, parts["bounce"], "ms", (parts.source_of("bounce"),),
                note="A contact opens and closes several times before it rests; the tick logged is the first edge's."
                + (" A longer one, or a trigger output, which does not bounce (--event-volts)." if short else ""),
                beyond=Verdict.TIGHT,
            )
        )  # fmt: skip
    return lines


def _pulses(plan: Plan, parts: Parts, pulses: Switch) -> list[Line]:
    clock_hz = plan.board.clock_hz
    counted_hz = float(parts.boards[plan.board.name].pulses_hz)
    return [
        at_most(
            "pulses_pin", "Pulses: what the pin takes", pulses.most_hz / 1000.0,
            clock_hz / parts["counter_divider"] / 1000.0, "kHz", (parts.source_of("counter_divider"),),
            note="Each half of a pulse must be longer than one period of the board's clock.",
        ),
        at_most(
            "pulses_counted", "Pulses: as tried", pulses.most_hz / 1000.0, counted_hz / 1000.0, "kHz",
            (parts.sources["counted"],), tight=pulses.most_hz > 0.5 * counted_hz,
            note="The chip counts, and an interrupt at each 256th pulse keeps up with it. A reed contact bounces, and"
            " each bounce counts: firmware/WIRING.md has what helps.",
            beyond=Verdict.TIGHT,
        ),
    ]  # fmt: skip


def _levels(plan: Plan, parts: Parts, key: str, name: str, switch: Switch) -> list[Line]:
    low_limit = parts["vil_share"] * plan.board_v
    series = parts["contact_series_ohm"]
    if switch.driven_v is None:
        low = circuit.between_v(0.0, series, plan.board_v, parts["pull_up_least_ohm"])
        sources = (parts.source_of("vil_share"), parts.source_of("pull_up_least_ohm"))
        note = (
            f"The pin's own pull-up, {parts['pull_up_least_ohm']:,.0f} ohm at the least, against {series:,.0f} ohm and"
            " the contact to ground."
        )
        return [at_most(f"{key}_low", f"{name}: low", low, low_limit, "V", sources, note=note)]
    return [*_driven(plan, parts, key, name, switch.driven_v, series)]


def _driven(plan: Plan, parts: Parts, key: str, name: str, driven_v: float, series: float) -> list[Line]:
    off = plan.supply_off_percent / 100.0
    needed, highest = parts["vih_share"] * plan.board_v, plan.board_v + parts["over_supply"]
    limit = parts["clamp_current"]
    own = " Nothing to mend where the logger's own supply feeds it." if driven_v <= plan.board_v * (1.0 + off) else ""
    unpowered = circuit.clamp_current_ma(driven_v, 0.0, parts["over_supply"], series)
    divider = " A divider in front of the pin takes it down." if driven_v > highest else ""
    clamp = (parts.source_of("clamp_current"), parts.source_of("over_supply"))
    return [
        at_least(
            f"{key}_high", f"{name}: high", driven_v, needed, "V", (parts.source_of("vih_share"),),
            tight=driven_v * (1.0 - off) < needed * (1.0 + off), note="What must be read as high.",
        ),
        at_most(
            f"{key}_low", f"{name}: low", parts["output_low"], parts["vil_share"] * plan.board_v, "V",
            (parts.source_of("output_low"), parts.source_of("vil_share")), note="What must be read as low.",
        ),
        at_most(
            f"{key}_over", f"{name}: over supply", driven_v, highest, "V", clamp,
            note=f"Through {series:,.0f} ohm at the pin it pushes"
            f" {number(circuit.clamp_current_ma(driven_v, plan.board_v, parts['over_supply'], series))} mA into the"
            f" clamp.{divider}",
        ),
        at_most(
            f"{key}_logger_off", f"{name}: logger off", unpowered, limit, "mA", clamp,
            note=f"Through {series:,.0f} ohm, for as long as the logger stays off."
            + (f" {number(circuit.series_ohm_for(driven_v, parts['over_supply'], limit))} ohm keep it within"
               f" {limit:g} mA; or one switch for both.{own}" if unpowered > limit else ""),
            beyond=Verdict.TIGHT,
        ),
    ]  # fmt: skip
