"""Pieces of Markdown that the reference page is made of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def words(text: str) -> str:
    """One line, with nothing in it that would break a table."""
    return " ".join(text.split()).replace("|", "\\|")


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Lines of a table with the columns ``head``."""
    lines = [head, ["---"] * len(head), *rows]
    return [f"| {' | '.join(words(cell) if cell else ' ' for cell in line)} |" for line in lines]
