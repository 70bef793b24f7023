"""Makes lines: writes numbers with their units, works out margins and verdicts."""

from __future__ import annotations

import math

from offtake.budget.model import Line, Verdict

_TINY = 5e-5
"""What no one could measure is zero, and so is a margin within rounding of it."""
_MOST = 999_999.0


def number(value: float) -> str:
    """Three figures or four, never with an exponent."""
    size = abs(value)
    if math.isinf(value):
        return "no end"
    if size < _TINY:
        return "0"
    if size > _MOST:
        return f"{'-' if value < 0 else '>'}{_MOST:,.0f}"
    if size >= 999.95:
        return f"{value:,.0f}"
    if size >= 99.95:
        return f"{value:.1f}".removesuffix(".0")
    if size >= 9.995:
        return f"{value:.1f}"
    if size >= 0.0995:
        return f"{value:.2f}"
    return f"{value:.{1 - math.floor(math.log10(size))}f}"


def with_unit(value: float, unit: str) -> str:
    """A number and its unit."""
    return f"{number(value)} {unit}" if unit and math.isfinite(value) else number(value)


def at_most(
    key: str,
    what: str,
    value: float,
    limit: float,
    unit: str,
    sources: tuple[str, ...],
    *,
    tight: bool = False,
    note: str = "",
    beyond: Verdict = Verdict.WILL_NOT_DO,
) -> Line:
    """A value that must not exceed ``limit``; within it, ``tight`` says that little would cross it."""
    margin = _margin(limit - value)
    return _limited(key, what, value, limit, "at most", margin, unit, sources, tight, note, beyond)


def at_least(
    key: str,
    what: str,
    value: float,
    limit: float,
    unit: str,
    sources: tuple[str, ...],
    *,
    tight: bool = False,
    note: str = "",
    beyond: Verdict = Verdict.WILL_NOT_DO,
) -> Line:
    """A value that must reach ``limit``; beyond it, ``tight`` says that little would fall short of it."""
    margin = _margin(value - limit)
    return _limited(key, what, value, limit, "at least", margin, unit, sources, tight, note, beyond)


def fact(
    key: str,
    what: str,
    value: float | None,
    unit: str,
    sources: tuple[str, ...],
    *,
    note: str = "",
    verdict: Verdict | None = None,
) -> Line:
    """A value that has no limit; None where there is none."""
    shown = "none" if value is None else with_unit(value, unit)
    return Line(key, what, value, unit, shown, None, "", None, "", verdict, note, sources)


def _limited(
    key: str,
    what: str,
    value: float,
    limit: float,
    sense: str,
    margin: float,
    unit: str,
    sources: tuple[str, ...],
    tight: bool,
    note: str,
    beyond: Verdict,
) -> Line:
    verdict = beyond if margin < 0.0 else Verdict.TIGHT if tight else Verdict.GOOD
    sign = "<=" if sense == "at most" else ">="
    shown = (with_unit(value, unit), f"{sign} {_plain(limit)} {unit}", number(margin))
    return Line(
        key,
        what,
        _finite(value),
        unit,
        shown[0],
        limit,
        shown[1],
        _finite(margin),
        shown[2],
        verdict,
        note,
        sources,
    )


def _plain(limit: float) -> str:
    """A limit is a round number more often than not."""
    text = number(limit)
    return text.rstrip("0").removesuffix(".") if "." in text else text


def _margin(margin: float) -> float:
    return 0.0 if abs(margin) < _TINY else margin


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
