"""Lists of what was found. Long ones are folded, very long ones cut, and both say so."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from offtake.report import text
from offtake.report.figures import Facts, RunFacts
from offtake.report.kinds import GAPS
from offtake.report.markup import Markup, element, join

LISTED = 8
"""Rows of a list that stand open; the rest is folded away."""
LISTED_MAX = 500
"""Rows of a list that are in the page at all."""

Row = tuple[str, ...]

# Columns that never break within a cell.
_TIGHT = ("no.", "from", "at", "told", "lasted", "tick", "length", "kind", "block", "byte", "count")
_MOMENTS = ("from", "at")
# Units at the end of a figure's name.
_UNITS = {
    "m_s": "m/s",
    "m_s2": "m/s²",
    "m": "m",
    "s": "s",
    "ms": "ms",
    "us": "µs",
    "deg": "°",
    "db_hz": "dB-Hz",
    "hz": "Hz",
}
_UNIT = re.compile(r"^(.+?)_(m_s2|m_s|db_hz|deg|hz|ms|us|m|s)$")


def listing(title: str, heads: Row, rows: Sequence[Row], total: int, nothing: str) -> Markup:
    """Return a heading and a table of ``rows``, the first :data:`LISTED_MAX` of ``total``, or ``nothing`` in words."""
    if not rows:
        return join(element("h3", title), element("p", nothing))
    rest = rows[LISTED:]
    folded = None
    if rest:
        words = f"The other {text.whole(len(rest))}" if len(rest) > 1 else "One more"
        folded = element("details", element("summary", words), table(heads, rest, f"{title}, continued"))
    cut = total - len(rows)
    more = f"{text.plural(cut, 'row is', 'rows are')} left out here; they are counted above." if cut > 0 else None
    return join(
        element("h3", f"{title} ({text.whole(total)})"),
        table(heads, rows[:LISTED], title),
        folded,
        element("p", more, class_="note") if more else None,
    )


def table(heads: Row, rows: Sequence[Row], title: str) -> Markup:
    """Return a table in a box of its own that scrolls sideways where it has to."""
    inner = element(
        "table",
        element("thead", element("tr", *(element("th", head, scope="col") for head in heads))),
        element("tbody", *(_row(heads, row) for row in rows)),
        class_="list",
    )
    return element("div", inner, class_="scroll", tabindex="0", role="region", aria_label=title)


def _row(heads: Row, cells: Row) -> Markup:
    return element("tr", *(
        element("td", cell, class_=_class(head)) for head, cell in zip(heads, cells, strict=True)
    ))  # fmt: skip


def _class(head: str) -> str | None:
    if head in _MOMENTS:
        return "tight moment"
    return "tight" if head in _TIGHT else None


def when(one: RunFacts, tick_us: int) -> str:
    """A moment in UTC where it is known, else as time since the run's start."""
    timeline = one.run.track.timeline
    stamp = timeline.stamp(tick_us) if timeline is not None else None
    return text.moment(stamp.utc) if stamp is not None else f"{text.duration(one.series.clock.second(tick_us))} in"


def precisely(one: RunFacts, ticks_us: Sequence[int]) -> list[str]:
    """Moments in UTC with their uncertainty, and with as many decimals as the least of these lets mean something; as
    time since the run's start, to the microsecond, where UTC is not known."""
    timeline = one.run.track.timeline
    stamps = [timeline.stamp(tick) if timeline is not None else None for tick in ticks_us]
    sharpest = min((stamp.uncertainty_s for stamp in stamps if stamp is not None), default=1.0)
    digits = 6 if sharpest <= 1e-6 else max(0, math.ceil(-math.log10(sharpest)))
    return [
        f"{text.number(one.series.clock.second(tick), 6)} s in"
        if stamp is None
        else f"{text.moment(stamp.utc, digits)} ± {text.small_time(stamp.uncertainty_s)}"
        for tick, stamp in zip(ticks_us, stamps, strict=True)
    ]


def evidence(figures: Sequence[tuple[str, float]]) -> str:
    """Named figures in words: ``moved_m`` becomes ``moved 12.3 m``."""
    parts = []
    for name, value in figures:
        found = _UNIT.match(name)
        words, unit = (found.group(1), _UNITS[found.group(2)]) if found else (name, "")
        digits = 0 if not found and float(value).is_integer() else 2
        parts.append(f"{text.stranger(words.replace('_', ' '), 60)} {text.number(value, digits, unit)}")
    return "; ".join(parts)


def glitches(one: RunFacts) -> Markup:
    """The run's glitches with their evidence."""
    found = one.run.analysis.glitches
    rows = [
        (
            text.whole(number),
            when(one, glitch.start_tick_us),
            text.stranger(glitch.text, 300),
            evidence(glitch.evidence),
        )
        for number, glitch in enumerate(found[:LISTED_MAX], start=1)
    ]
    nothing = "No glitch was found in this run."
    return listing("Glitches", ("no.", "from", "what", "evidence"), rows, len(found), nothing)


def gaps(one: RunFacts) -> Markup:
    """The run's gaps."""
    found = one.run.analysis.gaps
    rows = [
        (when(one, gap.start_tick_us), text.duration(gap.seconds), GAPS.get(gap.reason, "other"))
        for gap in found[:LISTED_MAX]
    ]
    return listing("Gaps in the track", ("from", "length", "why"), rows, len(found), "The track has no gap.")


def events(one: RunFacts) -> Markup:
    """What the logger wrote down, but for supply voltages and sensors, which have pictures."""
    told = [event for event in one.run.events if event.kind not in ("supply", "event")]
    rows = [(when(one, event.tick_us), text.stranger(event.text, 300)) for event in told[:LISTED_MAX]]
    return listing("What the logger wrote down", ("at", "what"), rows, len(told), "It wrote nothing down in this run.")


def messages(one: RunFacts) -> Markup:
    """The messages heard, by dialect and name, folded away."""
    counts = one.run.track.counts
    rows = [
        (text.stranger(dialect, 60), text.stranger(name, 60), text.whole(count))
        for dialect, found in sorted(counts.dialects.items()) for name, count in sorted(found.names.items())
    ]  # fmt: skip
    rows += [
        ("not known", text.stranger(name, 60), text.whole(count))
        for name, count in sorted(counts.unknown_names.items())
    ]
    if not rows:
        return join(element("h3", "Messages heard"), element("p", "No message was found in the stream of this run."))
    cut = len(rows) - LISTED_MAX
    return join(
        element("h3", "Messages heard"),
        element(
            "details",
            element("summary", text.plural(len(rows), "kind")),
            table(("dialect", "message", "count"), rows[:LISTED_MAX], "Messages heard"),
            element("p", f"{text.plural(cut, 'kind is', 'kinds are')} left out here.", class_="note")
            if cut > 0
            else None,
        ),
    )


def findings(facts: Facts) -> Markup:
    """What was found wrong or odd in the journal's blocks, or in those of one run."""
    verify = facts.inputs.verify
    rows = [
        (one.severity, text.whole(one.position), text.whole(one.offset), text.stranger(one.text, 300))
        for one in verify.findings[:LISTED_MAX]
    ]
    nothing = f"Every block and frame of the {'journal' if verify.only_run is None else 'run'} passed its checks."
    total = len(verify.findings) + verify.findings_left_out
    return listing("Findings", ("kind", "block", "byte", "what"), rows, total, nothing)
