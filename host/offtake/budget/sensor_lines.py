"""What sensors cost the rest: bytes, a shorter ring, and frames that wait while the card is busy."""

from __future__ import annotations

from offtake.budget import storage
from offtake.budget.lines import at_most, fact, number
from offtake.budget.model import Line, Plan, Section, Verdict
from offtake.budget.parts import Parts
from offtake.budget.stalls import longest_stall_ms


def sensor_section(plan: Plan, parts: Parts) -> Section:
    """The lines about what sensors cost, where there are any."""
    if not plan.sensor_frames:
        return Section("What sensors cost", ())
    layout = parts.sources["layout"]
    extra = storage.frame_bytes_per_s(plan.sensor_frames)
    whole, without = plan.card_bytes_per_s, storage.card_bytes_per_s(plan.load)
    costs = parts.boards[plan.board.name]
    clock_hz = plan.board.clock_hz
    hold, hold_without = (
        longest_stall_ms(plan.load, size, costs, clock_hz) for size in (plan.ring_bytes, plan.board.ring_bytes)
    )
    names = ", ".join(f"{frame.name} {number(frame.per_second)}" for frame in plan.sensor_frames)
    lines = [
        fact("sensor_bytes", "Their frames", extra, "B/s", (layout,), note=f"A second: {names}."),
        fact(
            "sensor_share", "To the card because of them", whole - without, "B/s", (layout,),
            note=f"{number(whole)} B/s in all, {number(without)} B/s without them. More than their frames have, for a"
            " block goes, full or not, when half of what holds their frames is taken; with long intervals they find"
            " room in those that go anyway.",
        ),
        fact(
            "sensor_ring", "Taken from the ring", float(plan.board.ring_bytes - plan.ring_bytes), "B",
            (parts.sources["memory"], parts.sources["ring"]),
            note=f"For as long as any sensor is on: {plan.ring_bytes:,} of {plan.board.ring_bytes:,} bytes are left,"
            f" and the longest stall that costs no line byte is {number(hold)} ms, not {number(hold_without)}.",
        ),
        _waiting(plan, parts),
    ]  # fmt: skip
    return Section("What sensors cost", tuple(lines))


def _waiting(plan: Plan, parts: Parts) -> Line:
    """How long the sensors' shelf lasts; a frame that finds no room is counted, and the log says so."""
    stall = parts["stall_high_capacity"]
    hold_ms = storage.frames_kept_ms(plan.sensor_frames, plan.board.sensor_shelf_bytes)
    return at_most(
        "sensor_wait", "Busy card, frames kept", stall, hold_ms, "ms",
        (parts.source_of("stall_high_capacity"), parts.sources["memory"]), tight=stall > 0.8 * hold_ms,
        note=f"{plan.board.sensor_shelf_bytes} bytes hold what the sensors say for that long. What comes after is"
        " dropped and counted (cause sensor_room)."
        + (" Longer intervals last longer." if stall > 0.8 * hold_ms else ""),
        beyond=Verdict.TIGHT,
    )  # fmt: skip
