"""The card: hours until it is full, and years until it is worn."""

from __future__ import annotations

from offtake.budget import storage
from offtake.budget.lines import at_least, at_most, fact, number
from offtake.budget.model import Line, Plan, Section, Verdict
from offtake.budget.parts import Parts

GIGABYTE = 1e9
OVERHEAD_AIM_PERCENT = 6.0
"""What the design aims at on a line that never pauses."""


def card_section(plan: Plan, parts: Parts) -> Section:
    """The lines about the card's room and life."""
    layout, day = parts.sources["layout"], parts.sources["day"]
    rate = plan.card_bytes_per_s
    line_only = storage.card_bytes_per_s(plan.load)
    journal = min(plan.card_bytes, storage.JOURNAL_BYTES_MAX)
    hours = storage.hours_to_fill(journal, rate)
    overhead = 100.0 * (line_only / plan.load.bytes_per_s - 1.0)
    lines = [
        fact(
            "line_rate", "From the line", plan.load.bytes_per_s, "B/s", (layout,),
            note="What the receiver says, on average." if plan.outputs
            else "A line that never pauses: the most it can be. --messages makes it what yours says.",
        ),
        fact("card_rate", "To the card", rate, "B/s", (layout,), note="With what blocks and frames add"
             + (", and the sensors' messages." if plan.sensor_frames else ".")),
        _overhead(overhead, plan.load.saturated, layout),
        fact(
            "hours_per_gb", "Hours for a gigabyte", storage.hours_to_fill(GIGABYTE, rate), "h", (layout,),
            note="A gigabyte is 1,000,000,000 bytes here, as it is on a card's label.",
        ),
        at_least(
            "hours_to_full", "Hours, longest journal", hours, plan.hours_a_day, "h",
            (parts.sources["fat_file"], day), tight=hours < 1.5 * plan.hours_a_day,
            note=_journal_note(plan, journal, hours),
        ),
        _as_prepared(plan, parts, rate),
    ]  # fmt: skip
    return Section("Card life and hours", (*lines, *_wear(plan, parts, rate)))


def _as_prepared(plan: Plan, parts: Parts, rate: float) -> Line:
    size = min(plan.card_bytes, storage.PREPARED_BYTES)
    hours = storage.hours_to_fill(size, rate)
    return at_least(
        "hours_as_prepared", "Hours, no --size given", hours, plan.hours_a_day, "h",
        (parts.sources["prepared"], parts.sources["day"]), tight=hours < 1.5 * plan.hours_a_day,
        note=f"`offtake prepare` makes a journal of {size // 2**20} MiB unless --size says more, and the logger stops"
        " when it is full. Say more.",
        beyond=Verdict.TIGHT,
    )  # fmt: skip


def _overhead(overhead: float, saturated: bool, source: str) -> Line:
    what = "Added by blocks and frames"
    if not saturated:
        note = "More than on a line that never pauses: a block is closed when its oldest byte is 700 ms old."
        return fact("overhead", what, overhead, "%", (source,), note=note)
    return at_most("overhead", what, overhead, OVERHEAD_AIM_PERCENT, "%", (source,), note="28 bytes beside each 484.")


def _journal_note(plan: Plan, journal: int, hours: float) -> str:
    days = f"{number(hours / plan.hours_a_day)} days of {plan.hours_a_day:g} hours (--hours-a-day)"
    if journal < plan.card_bytes:
        return (
            f"A journal is one file and ends below 4 GiB, whatever the card's size (prepare --size): {days}."
            " Pull it then, and prepare a new one."
        )
    return (
        f"{days}, with the whole card for the journal (prepare --size). Pull it then, and prepare a new one; or a"
        " larger card."
    )


def _wear(plan: Plan, parts: Parts, rate: float) -> list[Line]:
    limit = parts["life_least"]
    cycles = parts["erase_cycles"]
    lines = []
    for key, name in (("amplified_least", "Flash life, at best"), ("amplified_most", "Flash life, at worst")):
        years = storage.flash_years(plan.card_bytes, rate, plan.hours_a_day, cycles, parts[key])
        lines.append(
            at_least(
                key, name, years, limit, "yr", (parts.source_of("erase_cycles"), parts.source_of(key)),
                tight=years < 2 * limit,
                note=f"{plan.hours_a_day:g} hours a day, each block written once, in order: one erasure for each time"
                f" the card is filled, {cycles:g} of them, times {parts[key]:g} for what the card writes beside."
                + (" A larger card lasts longer." if years < 2 * limit else ""),
                beyond=Verdict.TIGHT if key == "amplified_most" else Verdict.WILL_NOT_DO,
            )
        )  # fmt: skip
    return lines
