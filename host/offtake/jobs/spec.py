"""Checks shared_spec and generates from it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from offtake.codegen.all import stale, write_all
from offtake.spec.dialect import load_dialects
from offtake.spec.load import find_spec_folder, load_spec


@dataclass(frozen=True)
class SpecFacts:
    """What the definitions hold."""

    folder: Path
    layout_hash: int
    messages: tuple[str, ...]
    packets: int
    boards: tuple[str, ...]
    dialects: tuple[str, ...]


@dataclass(frozen=True)
class Generated:
    """Generated files that were not current, relative to the checkout; ``written`` says whether they are now."""

    root: Path
    stale: tuple[Path, ...]
    written: bool


def check(root: Path | None = None) -> SpecFacts:
    """Reads every definition of the checkout ``root``. SpecError for the first mistake."""
    folder = find_spec_folder(root)
    spec = load_spec(folder)
    dialects = load_dialects(folder / "dialects")
    return SpecFacts(
        folder=folder,
        layout_hash=spec.layout_hash,
        messages=tuple(message.name for message in spec.messages),
        packets=len(spec.link.packets),
        boards=tuple(variant.name for board in spec.boards for variant in board.variants),
        dialects=tuple(dialect.name for dialect in dialects),
    )


def generate(root: Path | None = None, *, write: bool) -> Generated:
    """Finds the generated files that are not current, and writes them if told to. SpecError for a wrong spec."""
    checkout = find_spec_folder(root).parent
    found = write_all(checkout) if write else stale(checkout)
    return Generated(checkout, tuple(found), write)
