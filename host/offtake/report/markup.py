"""HTML that is safe by construction: whatever is not :class:`Markup` is escaped."""

from __future__ import annotations

import html
import json
from typing import Any

VOID = frozenset({"br", "hr", "input", "link", "meta"})


class Markup(str):
    """Text that is HTML already."""

    __slots__ = ()


Child = str | Markup | None


def escape(text: str) -> Markup:
    """Return ``text`` as HTML that shows it as it is, in an element or a quoted attribute."""
    return Markup(text if isinstance(text, Markup) else html.escape(text, quote=True))


def join(*children: Child) -> Markup:
    """Put pieces together; ``None`` is left out."""
    return Markup("".join(escape(child) for child in children if child is not None))


def element(name: str, /, *children: Child, **attributes: str | int | bool | None) -> Markup:
    """Return an element. Attribute names: ``class_`` is class, other underscores are hyphens; ``True`` is an attribute
    without a value, ``False`` and ``None`` none."""
    head = name
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        shown = key.rstrip("_").replace("_", "-")
        head += f" {shown}" if value is True else f' {shown}="{escape(str(value))}"'
    if name in VOID:
        return Markup(f"<{head}>")
    return Markup(f"<{head}>{join(*children)}</{name}>")


def data_block(identifier: str, value: Any) -> Markup:
    """Return ``value`` as JSON that a script can read and no parser takes for markup."""
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    for character in "<>&":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Markup(f'<script type="application/json" id="{escape(identifier)}">{text}</script>')
