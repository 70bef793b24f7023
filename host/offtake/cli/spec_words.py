"""What the parts of `offtake spec` say alike: mistakes and warnings, and which checkout they are of."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from offtake.cli import show

if TYPE_CHECKING:
    from offtake.spec.evolution_model import Finding


def show_findings(findings: Sequence[Finding], word: str = "") -> None:
    """Prints each with its place and the way out, an empty line between them; ``word`` stands before."""
    for number, one in enumerate(findings):
        if number:
            print()
        show.paragraph(f"{word}{one.where}: {one.what}")
        show.paragraph(f"  {one.way_out}", indent=4)


def show_warnings(findings: Sequence[Finding]) -> None:
    """Prints warnings, and an empty line after them."""
    if findings:
        show_findings(findings, "warning: ")
        print()


def tell_checkout(root: Path | None) -> None:
    """Says on standard error that the program works on its own checkout, where the current directory is in another."""
    from offtake.jobs.spec import other_checkout

    other = other_checkout() if root is None else None
    if other:
        own, here = other
        text = f"note: this is about {own}, which the program is from, not about {here} (that would be --root {here})"
        print(show.error_text(text, sys.stderr.isatty()), file=sys.stderr)
