"""Reads a tutorial: the commands and edits in its fenced blocks, what it shows, and what it says of itself.

A ``console`` block holds commands, each after ``$ ``, and what they print. In shown output ``...`` stands for anything
within a line, and alone on a line for any lines; in a block marked ``figures vary`` any number stands for any other. A
``diff`` block is an edit of the one file that it names: lines that are there, lines to take out, lines to put in.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

_FENCE = re.compile(r"^```(console|diff)( figures vary)?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_SAYS = re.compile(
    r"(\d+)\s+commands?\s+and\s+(\d+)\s+edits?\s+by\s+hand:\s+(\d+)\s+(?:new\s+)?lines?\s+in\s+the\s+spec"
    r"(?:\s+\([^)]*\))?\s+and\s+(\d+)\s+calls?\s+in\s+the\s+firmware"
)


@dataclass(frozen=True)
class Command:
    """A command line and the lines that it is shown to print, whose figures may be others where they ``vary``."""

    line: str
    shown: tuple[str, ...]
    vary: bool = False


@dataclass(frozen=True)
class Edit:
    """Lines of a file that become others; both include the lines that stay."""

    path: str
    before: tuple[str, ...]
    after: tuple[str, ...]
    added: tuple[str, ...]


@dataclass(frozen=True)
class Said:
    """What the text says that it takes."""

    commands: int
    edits: int
    spec_lines: int
    calls: int


def section(text: str, head: str) -> str:
    """The section of a page under ``## head``, up to the next one of its level."""
    found = re.search(rf"^## {re.escape(head)}$(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    if not found:
        raise AssertionError(f"no section {head!r}")
    return found[1]


def steps(text: str) -> list[Command | Edit]:
    """Commands and edits in the order of the text."""
    found: list[Command | Edit] = []
    for kind, vary, body in _FENCE.findall(text):
        found += _commands(body, bool(vary)) if kind == "console" else [_edit(body)]
    return found


def said(text: str) -> list[Said]:
    """Every count that the text gives of itself."""
    return [Said(int(c), int(e), int(s), int(f)) for c, e, s, f in _SAYS.findall(text)]


def _commands(body: str, vary: bool) -> list[Command]:
    lines = body.splitlines()
    found: list[Command] = []
    at = 0
    while at < len(lines):
        if not lines[at].startswith("$ "):
            raise AssertionError(f"output before a command: {lines[at]}")
        command = lines[at][2:]
        at += 1
        while command.endswith("\\"):
            command = command[:-1] + lines[at].strip()
            at += 1
        start = at
        while at < len(lines) and not lines[at].startswith("$ "):
            at += 1
        found.append(Command(command, tuple(lines[start:at]), vary))
    return found


def _edit(body: str) -> Edit:
    head, *lines = body.splitlines()
    if not head.startswith("--- "):
        raise AssertionError(f"an edit names its file first: {head}")
    return Edit(
        path=head[4:].strip(),
        before=tuple(line[1:] for line in lines if line[:1] in " -"),
        after=tuple(line[1:] for line in lines if line[:1] in " +"),
        added=tuple(line[1:] for line in lines if line[:1] == "+"),
    )


def apply(edit: Edit, root: Path) -> None:
    """Does the edit; what it names must be there, once."""
    path = root / edit.path
    text = path.read_text(encoding="utf-8")
    before = "\n".join(edit.before) + "\n"
    if text.count(before) != 1:
        raise AssertionError(f"{edit.path} has these lines {text.count(before)} times:\n{before}")
    path.write_text(text.replace(before, "\n".join(edit.after) + "\n"), encoding="utf-8")


def agrees(step: Command, printed: str) -> bool:
    """Whether what a command printed is what the text shows."""
    pattern = "".join(r"(?:.*\n)*" if line.strip() == "..." else _line(line, step.vary) for line in step.shown)
    return re.fullmatch(pattern, printed if printed.endswith("\n") or not printed else printed + "\n") is not None


def _line(line: str, vary: bool) -> str:
    pattern = re.escape(line.rstrip()).replace(r"\.\.\.", ".*")
    if vary:
        # Columns move with the figures in them.
        pattern = re.sub(r"(?:\\ )+", r"[ ]+", re.sub(r"\d(?:[\d,]|\\\.(?=\d))*", r"[\\d,.]+", pattern))
    return pattern + r"[ ]*\n"
