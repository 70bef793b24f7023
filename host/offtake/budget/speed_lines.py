"""Line speed: is what the receiver sends read right, and in time?"""

from __future__ import annotations

from offtake.budget.divisor import (
    chosen_divisor,
    line_speed_limits_percent,
    line_speed_range_percent,
    mismatch_limit_percent,
)
from offtake.budget.lines import at_least, at_most
from offtake.budget.model import Line, Plan, Section, Verdict
from offtake.budget.parts import Parts

USUAL_BAUDS = (4_800, 9_600, 19_200, 38_400, 57_600, 115_200, 230_400, 250_000, 460_800, 500_000, 921_600)


def speed_section(plan: Plan, parts: Parts) -> Section:
    """The lines about speed: the tapped line first, then the desk."""
    costs = parts.boards[plan.board.name]
    load = plan.load
    lines = [*_line_speed(plan, parts)]
    use = 100.0 * load.asked_bytes_per_s / load.most_bytes_per_s
    lines.append(
        at_most(
            "line_use", "Share of the line in use", use, 100.0, "%", (parts.sources["layout"],),
            tight=use > 85.0 and bool(plan.outputs),
            note=f"The receiver's messages come to {load.asked_bytes_per_s:,.0f} bytes a second, the line carries"
            f" {load.most_bytes_per_s:,.0f}. Fewer messages or a faster line leave room." if plan.outputs
            else "Nothing was said about messages, so the line is taken never to pause: the worst there is.",
        )
    )  # fmt: skip
    lines.append(
        at_most(
            "sustained", "Speed the firmware bears", plan.baud / 1000.0, costs.sustained_bd / 1000.0, "kBd",
            (parts.sources["board_speed"],),
            note="Without a pause, for as long as the card is quick. Set the receiver to a lower speed.",
        )
    )  # fmt: skip
    lines.append(_desk_speed(plan, parts))
    return Section("Line speed", tuple(lines))


def _line_speed(plan: Plan, parts: Parts) -> list[Line]:
    divisor = chosen_divisor(plan.board.clock_hz, plan.baud)
    error = divisor.error_percent(plan.baud)
    mode = "double" if divisor.double else "single"
    recommended, source = _recommended(parts, divisor.double)
    board_off, line_off = plan.board_clock_off_percent, plan.line_clock_off_percent
    total = abs(error) + board_off + line_off
    slowest, fastest = line_speed_range_percent(divisor, plan.baud, board_off, line_off)
    low, high = line_speed_limits_percent(divisor.samples)
    clocks = parts.sources["clocks"]
    hard = (parts.sources["limits_hard"],)
    whole, sampled = mismatch_limit_percent(), mismatch_limit_percent(divisor.samples)
    read = slowest >= low and fastest <= high
    doubt = " That is past what is recommended, not past what is possible: noise on the line then costs bytes."
    return [
        at_most(
            "divisor_error", "Divisor's error alone", abs(error), recommended, "%",
            (parts.sources["divisor"], source), tight=abs(error) > 0.8 * recommended,
            note=f"UBRR {divisor.ubrr} at {mode} speed gives {divisor.speed_bd:,.0f} Bd, {error:+.2f} %."
            + (_better(plan, parts) if abs(error) > recommended else ""),
            beyond=_past(read),
        ),
        at_most(
            "clock_error", "With both clocks' tolerance", total, recommended, "%", (source, clocks),
            tight=total > 0.9 * recommended,
            note=f"The board's clock may be {board_off:g} % off, the receiver's {line_off:g} %, both the wrong way."
            + ((doubt if read else "") + _better(plan, parts) if total > recommended else ""),
            beyond=_past(read),
        ),
        at_least(
            "slowest_line", "Slowest line against ours", slowest, low, "%", hard,
            note="Below it the last bits are misread." + (_better(plan, parts) if slowest < low else ""),
        ),
        at_most(
            "fastest_line", "Fastest line against ours", fastest, high, "%", hard,
            note="Above it the last bits are misread." + (_better(plan, parts) if fastest > high else ""),
        ),
        at_most(
            "mismatch", "Two clocks apart, in all", total, sampled, "%", (parts.sources["mismatch"],),
            note=f"The plain rule of half a bit in 9.5 allows {whole:.2f} %, with {divisor.samples} samples a bit"
            f" {sampled:.2f} %; the two lines above look closer.",
            beyond=_past(read),
        ),
    ]  # fmt: skip


def _desk_speed(plan: Plan, parts: Parts) -> Line:
    baud = plan.board.desk_baud
    divisor = chosen_divisor(plan.board.clock_hz, baud)
    recommended, source = _recommended(parts, divisor.double)
    total = abs(divisor.error_percent(baud)) + plan.board_clock_off_percent + plan.line_clock_off_percent
    slowest, fastest = line_speed_range_percent(
        divisor, baud, plan.board_clock_off_percent, plan.line_clock_off_percent
    )
    low, high = line_speed_limits_percent(divisor.samples)
    return at_most(
        "desk_error", f"At the desk, {baud:,} Bd", total, recommended, "%", (source, parts.sources["divisor"]),
        note="The first words at the desk; the rest goes at the fastest speed that both have. Past what is recommended,"
        " within what is possible: bytes that are misread are asked for again.",
        beyond=_past(slowest >= low and fastest <= high),
    )  # fmt: skip


def _recommended(parts: Parts, double: bool) -> tuple[float, str]:
    name = "limit_double" if double else "limit_normal"
    return parts[name], parts.source_of(name)


def _past(still_read: bool) -> Verdict:
    """Past the recommended limit: tight for as long as the hard limits hold."""
    return Verdict.TIGHT if still_read else Verdict.WILL_NOT_DO


def _better(plan: Plan, parts: Parts) -> str:
    """Which usual speeds this board's clock reads within what is recommended."""
    clocks = plan.board_clock_off_percent + plan.line_clock_off_percent
    fit = []
    for baud in USUAL_BAUDS:
        divisor = chosen_divisor(plan.board.clock_hz, baud)
        within = abs(divisor.error_percent(baud)) + clocks <= _recommended(parts, divisor.double)[0]
        if within and baud <= parts.boards[plan.board.name].sustained_bd:
            fit.append(f"{baud:,}")
    return f" Well read with these clocks: {', '.join(fit) or 'none of the usual speeds'}."
