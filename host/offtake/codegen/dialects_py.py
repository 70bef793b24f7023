"""Write decoder tables out as Python, so that an installed package needs no TOML."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

from offtake.dialects.tables import AnyDialect

_CLASSES = (
    "Address", "AnyDialect", "BinaryDialect", "BinaryField", "BinaryFraming", "BinaryMessage", "Dialect", "Field",
    "Framing", "HeaderField", "LetterSet", "Sentence",
)  # fmt: skip
_INDENT = "    "


def render(dialects: Sequence[AnyDialect], banner: str) -> str:
    """Return the text of ``offtake/generated/dialects.py``: the tables of ``dialects``, under ``banner``.

    The same input gives the same text. ``banner`` may have several lines; they become comments.
    """
    lines = [f"# {line}".rstrip() for line in banner.splitlines()]
    lines += [
        "# ruff: noqa: E501",
        '"""Decoder tables of the receiver dialects."""',
        "",
        "from __future__ import annotations",
        "",
        "from offtake.dialects.tables import (",
        *(f"{_INDENT}{name}," for name in _CLASSES),
        ")",
        "",
    ]
    for dialect in dialects:
        lines += [f"{dialect.name.upper()} = {_literal(dialect, '')}", ""]
    entries = [f"{_INDENT}{dialect.name!r}: {dialect.name.upper()}," for dialect in dialects]
    lines += ["DIALECTS: dict[str, AnyDialect] = {", *entries, "}", ""]
    return "\n".join(lines)


def _literal(value: Any, indent: str) -> str:
    """Return ``value`` as a Python expression; what equals its default is left out."""
    deeper = indent + _INDENT
    if dataclasses.is_dataclass(value):
        parts = [
            f"{deeper}{field.name}={_literal(getattr(value, field.name), deeper)},"
            for field in dataclasses.fields(value)
            if getattr(value, field.name) != field.default
        ]
        return "\n".join([f"{type(value).__name__}(", *parts, f"{indent})"])
    if isinstance(value, tuple):
        if all(isinstance(part, str | int) for part in value):
            return "(" + ", ".join(repr(part) for part in value) + ("," if len(value) == 1 else "") + ")"
        return "\n".join(["(", *(f"{deeper}{_literal(part, deeper)}," for part in value), f"{indent})"])
    return repr(value)
