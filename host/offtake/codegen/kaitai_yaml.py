"""Nested dictionaries and lists as YAML text, as far as a format description needs it."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Mapping, Sequence

Node = str | int | bool | Mapping[str, "Node"] | Mapping[int, "Node"] | Sequence["Node"]

WIDTH = 110
# Without quotes a YAML 1.1 reader takes some words for something else than text; one takes e1 for a number.
_PLAIN = re.compile(r"-?(?!e[0-9])[a-z][a-z0-9_]*(-[a-z0-9_]+)*\Z")
_WORDS = ("y", "n", "yes", "no", "on", "off", "true", "false", "null")


def prose(text: str) -> str:
    """``text`` in one line, as it may stand in comments of any language: compilers copy it there as it is."""
    return " ".join(text.split()).replace("\\", "\\\\").replace('"', "'")


def dump(node: Node, indent: int = 0) -> list[str]:
    """Lines of ``node`` at ``indent`` blanks. Text that is no bare word is quoted, or wrapped where it is long."""
    lead = " " * indent
    lines: list[str] = []
    if isinstance(node, Mapping):
        for key, value in node.items():
            if isinstance(value, Mapping | list) and value:
                lines += [f"{lead}{_scalar(key)}:", *dump(value, indent + 2)]
            elif isinstance(value, str) and len(value) > WIDTH - indent and value.isprintable():
                lines += [f"{lead}{_scalar(key)}: >-", *_wrapped(value, indent + 2)]
            else:
                lines.append(f"{lead}{_scalar(key)}: {_scalar(value)}")
        return lines
    if isinstance(node, list):
        for value in node:
            first, *rest = dump(value, indent + 2)
            lines += [f"{lead}- {first.lstrip()}", *rest]
        return lines
    return [f"{lead}{_scalar(node)}"]


def _wrapped(text: str, indent: int) -> list[str]:
    """Lines that a reader joins again with single blanks."""
    lead = " " * indent
    return [lead + line for line in textwrap.wrap(text, WIDTH - indent, break_long_words=False, break_on_hyphens=False)]


def _scalar(value: Node) -> str:
    if isinstance(value, str) and _PLAIN.match(value) and value not in _WORDS:
        return value
    # Text in JSON is the same text in YAML; so are numbers, true, false, [] and {}.
    return json.dumps(value, ensure_ascii=False)
