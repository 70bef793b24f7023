"""A picture with its words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from offtake.report.pen import NARROW, WIDE, Draw, Format, Sheet, draw_png

Kind = Literal["map", "time", "square"]
Extent = tuple[float, float, float, float]
"""Metres at a picture's left, right, lower and upper edge."""


@dataclass(frozen=True)
class Picture:
    """``name`` is ours and good for a file name. ``caption`` says in words what is to be seen, ``description`` the
    same for those who do not see it. ``draw`` is ``None`` where there is nothing to draw, and then ``caption`` says
    so. ``sheets`` are the outer sizes, wide and narrow."""

    name: str
    kind: Kind
    heading: str
    caption: str
    description: str
    draw: Draw | None
    sheets: tuple[Sheet, Sheet]
    extents: tuple[Extent, ...] = ()
    """Of a map, wide and narrow."""

    @property
    def formats(self) -> tuple[tuple[Format, Sheet], ...]:
        """What the page holds of it: a square one needs no second format."""
        if self.kind == "square":
            return ((SQUARE, self.sheets[0]),)
        return ((WIDE, self.sheets[0]), (NARROW, self.sheets[1]))

    def png(self) -> bytes:
        """Return it as a PNG file, in the wide format and the light theme."""
        if self.draw is None:
            raise ValueError(f"{self.name} has nothing to draw")
        form, sheet = self.formats[0]
        return draw_png(self.draw, form, sheet)


SQUARE = Format("square", 380, 52, 12, 14.0, 4, 300)
