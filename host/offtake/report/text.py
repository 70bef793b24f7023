"""Figures and moments as people read them, and text of others made harmless."""

from __future__ import annotations

import datetime as dt
import math

from offtake.export.values import clean_label, iso_utc

NONE = "–"
"""What stands where there is no figure."""


def whole(value: int) -> str:
    """A count, with commas at the thousands."""
    return f"{value:,}"


def number(value: float | None, digits: int = 1, unit: str = "") -> str:
    """A value with ``digits`` decimals and its unit; :data:`NONE` for what is absent or not finite."""
    if value is None or not math.isfinite(value):
        return NONE
    text = f"{value:,.{digits}f}" if abs(value) < 1e15 else f"{value:.3g}"
    if text.startswith("-"):
        text = "−" + text[1:] if any(digit in "123456789" for digit in text) else text[1:]
    return f"{text} {unit}" if unit else text


def share(part: int, total: int) -> str:
    """``part`` of ``total`` in per cent, never rounded up to all or down to none."""
    if not total:
        return NONE
    percent = 100.0 * part / total
    if 0 < part < total:
        percent = min(max(percent, 0.1), 99.9)
    return f"{percent:.0f} %" if part in (0, total) else f"{percent:.1f} %"


def duration(seconds: float) -> str:
    """A length of time in its two largest units."""
    if seconds < 0 or not math.isfinite(seconds):
        return NONE
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    total = round(seconds)
    if total < 60:
        return f"{total} s"
    if total < 3600:
        return f"{total // 60} min {total % 60} s"
    minutes = round(seconds / 60)
    if minutes < 24 * 60:
        return f"{minutes // 60} h {minutes % 60} min"
    hours = round(seconds / 3600)
    return f"{hours // 24} d {hours % 24} h"


def small_time(seconds: float | None) -> str:
    """A fraction of a second in milliseconds, a longer time in seconds."""
    if seconds is None or not math.isfinite(seconds):
        return NONE
    if abs(seconds) < 1.0:
        return number(seconds * 1000.0, 1, "ms")
    return number(seconds, 2, "s")


def length(metres: float | None) -> str:
    """A distance in metres or, when long, kilometres."""
    if metres is None or not math.isfinite(metres):
        return NONE
    if abs(metres) < 10.0:
        return number(metres, 2, "m")
    return number(metres, 1, "m") if abs(metres) < 10_000.0 else number(metres / 1000.0, 2, "km")


def moment(when: dt.datetime | None, digits: int = 0) -> str:
    """A moment in UTC with ``digits`` (0 to 6) decimals of its seconds, cut."""
    if when is None:
        return NONE
    decimals = f".{when.microsecond:06d}"[: digits + 1] if digits else ""
    return iso_utc(when.replace(microsecond=0)).replace("T", " ").replace("Z", f"{decimals} UTC")


def plural(count: int, one: str, many: str = "") -> str:
    """A counted noun."""
    return f"{whole(count)} {one if count == 1 else many or one + 's'}"


def stranger(text: str, limit: int = 160) -> str:
    """Text that may come out of a log as one short harmless line."""
    cleaned = clean_label(text)
    return cleaned if len(cleaned) <= limit else cleaned[: limit - 1] + "…"
