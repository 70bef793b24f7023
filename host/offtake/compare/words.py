"""The answer in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from offtake.compare.carrier import Carrier
from offtake.compare.measures import Both
from offtake.compare.model import Found, Measure, MeasureKind, Outcome
from offtake.report import text


def size(value: float, digits: int, unit: str) -> str:
    """A value with its unit, without a sign."""
    return text.number(abs(value), digits, unit)


def change(one: Measure) -> str:
    """The effect with its interval: `fell by 2.1 dB (1.6 to 2.6)`, `was 1.3 times as much (1.1 to 1.5)`."""
    if one.difference is None or one.low is None or one.high is None:
        return "could not be compared"
    if one.scale == "ratio":
        return (
            f"was {text.number(one.difference, 2)} times as much ({text.number(one.low, 2)} to "
            f"{text.number(one.high, 2)})"
        )
    low, high = sorted((abs(one.low), abs(one.high))) if one.low * one.high > 0 else (one.low, one.high)
    word = "rose" if one.difference > 0 else "fell"
    if one.low * one.high <= 0:
        return (
            f"changed by {signed(one.difference, one.digits, one.unit)} ({signed(one.low, one.digits)} to "
            f"{signed(one.high, one.digits)})"
        )
    return (
        f"{word} by {size(one.difference, one.digits, one.unit)} ({text.number(low, one.digits)} to "
        f"{text.number(high, one.digits)})"
    )


def signed(value: float | None, digits: int, unit: str = "") -> str:
    """A difference with its sign."""
    shown = text.number(value, digits, unit)
    return f"+{shown}" if value is not None and value > 0 and shown[:1] not in ("–", "−") else shown


def effect(found: Found, shown: Sequence[float | None], outcome: Outcome, alone: bool) -> str:
    """One measure's effect in plain words; ``alone`` says that by itself it would be worse beyond chance."""
    kind = found.kind
    if found.limits is None:
        return found.why_not[:1].upper() + found.why_not[1:] + "."
    limit = matters(kind)
    if outcome == "worse":
        return f"Worse, beyond chance. {limit} would matter: {kind.why}."
    if outcome == "better":
        return "Better, beyond chance; hardly the tap's doing."
    if outcome == "no_harm":
        return f"A change for the worse of {limit}, the smallest that matters, is excluded."
    if alone:
        return (
            "Taken alone this would be worse, but of several measures one may look so by chance. Record again: if it"
            " comes again, it is no chance."
        )
    if found.time_limited:
        return f"A change for the worse of {limit}, the smallest that matters, is neither shown nor excluded."
    return (
        f"A change for the worse of {limit} is neither shown nor excluded: two sessions differ by nearly as much"
        " anyway, and longer ones do not help, further pairs do."
    )


def matters(kind: MeasureKind) -> str:
    """The smallest change that matters."""
    return f"{kind.matters:g} {'times' if kind.scale == 'ratio' else kind.unit or 'satellites'}"


def paragraph(outcome: Outcome, judged: Sequence[Measure], satellites: Carrier | None) -> str:
    """The answer, in one paragraph."""
    head = {
        "worse": "After the tap the receiver did worse.",
        "no_harm": "After the tap no harm was seen.",
        "better": "After the tap no harm was seen.",
        "too_short": "The recordings are too short to tell whether the tap did any harm.",
        "not_comparable": "The two recordings cannot be compared.",
    }[outcome]
    parts = [head]
    main = next(one for one in judged if one.key == "cn0")
    if main.outcome != "not_comparable" and main.difference is not None and satellites is not None:
        shared = satellites.alike + satellites.elsewhere
        on = f"on {text.plural(shared, 'satellite')} seen in both"
        if satellites.single:
            on += f" and {satellites.single} in one only" if shared else ""
        on = on if shared else "by elevation, on satellites seen in one recording only"
        parts.append(f"C/N0 {change(main)}, {on}; 1 dB would matter.")
    elif main.difference is None:
        parts.append(f"C/N0: {_lower(main.words)}")
    others = [one for one in judged if one.key != "cn0"]
    parts += [f"{_upper(one.title)} {change(one)}." for one in others if one.outcome == "worse"]
    for state, said in (("better", "Better: "), ("no_harm", "No harm seen in: "), ("too_short", "Too short to tell: ")):
        names = [one.title for one in others if one.outcome == state]
        if names:
            parts.append(f"{said}{_listed(names)}.")
    names = [one.title for one in others if one.outcome == "not_comparable"]
    if names:
        parts.append(f"Not comparable: {_listed(names)}.")
    return " ".join(parts)


def advice(outcome: Outcome, judged: Sequence[Measure]) -> str:
    """What to do about it."""
    if outcome == "worse":
        keys = {one.key for one in judged if one.outcome == "worse"}
        steps = []
        if keys & {"cn0", "used", "hdop", "accuracy", "scatter", "ttff"}:
            steps.append(
                "Move the wire, the board and the card away from the antenna and its cable, keep the wire short, and"
                " see that nothing covers the antenna."
            )
        if keys & {"checks"}:
            steps.append(
                "Failed checks are seen on the tapped line, so our own wire may be at fault: look at the ground wire"
                " and the series resistor, and ask the receiver's host for its own count."
            )
        if keys & {"gaps"}:
            steps.append("Look at the receiver's supply: a dip when the card writes can restart it.")
        steps.append(
            "Then take the tap off and record once more: if that is as good as before, it was the tap; if not, it was"
            " something else, the weather or a new place for the antenna."
        )
        return " ".join(steps)
    if outcome == "no_harm":
        return "Once more on another day would make it surer: one pair shows one pair of days."
    if outcome == "too_short":
        if any(one.key == "cn0" and one.units is not None for one in judged):
            return (
                "Record longer, half an hour or more each, with the antenna at the same place and at the same hour."
            )
        return "Record at least ten minutes each, with the messages that tell of satellites (GSV and GSA) turned on."
    return (
        "Record both at rest, at the same place and hour, with the messages that tell of satellites (GSV and GSA)"
        " turned on."
    )


def sky(same: bool | None) -> str:
    """Whether the sky was the same."""
    if same is None:
        return "The satellites' places were not told in both recordings."
    if same:
        return "Both recordings had about the same satellites at the same places."
    return "The satellites stood elsewhere in the two recordings; what could be was corrected for that."


def notes(both: Both) -> tuple[str, ...]:
    """What a reader must know."""
    found = []
    if both.motion_differs:
        found.append("One recording was made on the move and the other at rest: what the sky decides is not compared.")
    elif both.before.moving:
        found.append("Both were made on the move, where houses and trees come and go: allowances are doubled.")
    for name, one in (("before", both.before), ("after", both.after)):
        if one.kind == "capture":
            found.append(
                f"The {name} recording is of bytes alone: times are the receiver's own, and its start is not seen."
            )
    return tuple(found)


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _upper(words: str) -> str:
    return words[:1].upper() + words[1:]


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]


def value(number: float | None, one: Measure) -> str:
    """A measure's value before or after."""
    return text.number(number, one.digits) if number is not None and math.isfinite(number) else text.NONE


def difference(one: Measure) -> tuple[str, str]:
    """The change and its interval as a table shows them."""
    if one.difference is None or one.low is None or one.high is None:
        return text.NONE, text.NONE
    if one.scale == "ratio":
        shown = [f"×{text.number(min(number, 999.0), 2)}" for number in (one.difference, one.low, one.high)]
    else:
        shown = [signed(number, one.digits) for number in (one.difference, one.low, one.high)]
    return shown[0], f"{shown[1]} to {shown[2]}"
