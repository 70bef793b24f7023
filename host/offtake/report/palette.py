"""The page's colours: one role, two values.

Colour never says anything alone here: every series also has its own dash or marker, every band its own lane with its
name on it. The tests hold the contrasts (WCAG 2.2) and how far the series lie apart for people who see fewer colours.
"""

from __future__ import annotations

from types import MappingProxyType

LIGHT = MappingProxyType({
    "paper": "#f6f4ec",
    "sheet": "#fffefa",
    "ink": "#1c2730",
    "soft": "#55606a",
    "rule": "#d9d6c9",
    "shade": "#e6e3d8",
    "first": "#0f6fa8",
    "second": "#a84e00",
    "third": "#4b1d70",
    "gap": "#6d7076",
    "alarm": "#b8003c",
    "good": "#1f6b45",
})  # fmt: skip
DARK = MappingProxyType({
    "paper": "#12181c",
    "sheet": "#1a2127",
    "ink": "#e9e6dc",
    "soft": "#a9b1b8",
    "rule": "#353e46",
    "shade": "#2a333a",
    "first": "#46a8e6",
    "second": "#f2b84b",
    "third": "#e3d3ff",
    "gap": "#848d98",
    "alarm": "#ff6b66",
    "good": "#7fd3a4",
})  # fmt: skip

TEXT_ROLES = ("ink", "soft", "first", "second", "third", "alarm", "good")
"""Roles that letters are set in, on ``paper`` or ``sheet``."""
SERIES_ROLES = ("first", "second", "third", "gap", "alarm")
"""Roles that lines and marks are drawn in, on ``sheet``."""

# Pictures are drawn once, in colours that stand for roles, and these become custom properties in the page.
PLACEHOLDERS = MappingProxyType({role: f"#0d0c{number:02x}" for number, role in enumerate(LIGHT, start=1)})


def custom_properties(colours: MappingProxyType[str, str]) -> str:
    """Return CSS declarations that give each role its colour."""
    return "".join(f"--{role}:{colour};" for role, colour in colours.items())
