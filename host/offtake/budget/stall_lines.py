"""Card stalls: how long may the card be busy before bytes are lost, and how many go then?"""

from __future__ import annotations

import math

from offtake.budget.lines import at_most
from offtake.budget.model import Line, Plan, Section, Verdict
from offtake.budget.parts import Parts
from offtake.budget.stalls import arriving_bytes, longest_stall_ms, lost_bytes
from offtake.budget.storage import HIGH_CAPACITY_BYTES_MAX

_CLOSE = 1.05
"""Within 5 % of its limit a stall is tight."""


def stall_section(plan: Plan, parts: Parts) -> Section:
    """The lines about stalls: those that the standard allows, the worst one seen, and one that the user insists on."""
    hold_ms = longest_stall_ms(plan.load, plan.ring_bytes, parts.boards[plan.board.name], plan.board.clock_hz)
    extended = plan.card_bytes > HIGH_CAPACITY_BYTES_MAX
    small, large, seen = (parts[name] for name in ("stall_high_capacity", "stall_extended", "stall_seen"))
    busy, worst = parts.source_of("stall_extended"), parts.source_of("stall_seen")
    own = " (this card)"
    lines = [
        _stall(plan, parts, hold_ms, small, "stall_high_capacity", "Up to 32 GiB" + ("" if extended else own), busy),
        _stall(plan, parts, hold_ms, large, "stall_extended", "Above 32 GiB" + (own if extended else ""), busy),
        _stall(plan, parts, hold_ms, seen, "stall_seen", "Worst one seen", worst),
    ]
    if plan.stall_ms is not None:
        source = parts.sources["your_stall"]
        lines.insert(0, _stall(plan, parts, hold_ms, plan.stall_ms, "stall_asked", "The longest you allow", source))
    return Section("Card stalls", (*lines, _start(plan, parts, hold_ms)))


def _stall(plan: Plan, parts: Parts, hold_ms: float, stall_ms: float, key: str, what: str, source: str) -> Line:
    costs = parts.boards[plan.board.name]
    load = plan.load
    lost = math.ceil(lost_bytes(load, stall_ms, plan.ring_bytes, costs, plan.board.clock_hz))
    come = math.ceil(arriving_bytes(load, stall_ms))
    outcome = (
        f"at most {lost:,} are lost each time, counted in the log, and the recording goes on. Fewer messages, a lower"
        " speed or a quicker card help." if lost else "the ring keeps them all, with this much to spare."
    )  # fmt: skip
    return at_most(
        key, what, stall_ms, hold_ms, "ms", (source, parts.sources["ring"]), tight=stall_ms * _CLOSE > hold_ms,
        note=f"{come:,} bytes can come meanwhile: {outcome}",
        beyond=Verdict.WILL_NOT_DO if key == "stall_asked" else Verdict.TIGHT,
    )  # fmt: skip


def _start(plan: Plan, parts: Parts, hold_ms: float) -> Line:
    ready = parts.boards[plan.board.name].ready_ms
    return at_most(
        "start", "From power-on to ready", ready, hold_ms, "ms", (parts.sources["board_costs"],),
        tight=ready * _CLOSE > hold_ms, beyond=Verdict.TIGHT,
        note="Until the end of the journal is found (one of 32 MiB) the ring alone holds the line. A receiver that"
        " talks at once and without a pause loses bytes there; they are counted.",
    )  # fmt: skip
