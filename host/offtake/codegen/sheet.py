"""A small drawing board for circuit sketches: boxes with pins, wires, a few symbols; written out as SVG.

Resistors are drawn as rectangles, as IEC 60617 has them (from memory). Lengths are in SVG user units.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from lxml import etree

SVG = "http://www.w3.org/2000/svg"
INK, PAPER, SOFT, FILL = "#1d2733", "#ffffff", "#5b6775", "#eef2f6"
LINE_WIRE, OUR_WIRE, WARN = "#1d2733", "#0b6e99", "#a3440b"

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]


class Sheet:
    """A sheet of ``width`` times ``height``, drawn on in order; :meth:`text_of` gives the SVG file's text."""

    def __init__(self, width: int, height: int, title: str, description: str) -> None:
        self._root = etree.fromstring(f'<svg xmlns="{SVG}"/>')
        size = {"width": str(width), "height": str(height), "viewBox": f"0 0 {width} {height}"}
        for name, value in {**size, "role": "img", "font-family": "DejaVu Sans, Verdana, sans-serif"}.items():
            self._root.set(name, value)
        self._add("title").text = title
        self._add("desc").text = description
        # Its own paper: the page around it may be dark.
        self._add("rect", x=0, y=0, width=width, height=height, fill=PAPER)

    def box(self, x: float, y: float, width: float, height: float, title: str, *lines: str) -> None:
        """A part: a box with its name and what else is to be said of it, near its top."""
        self._add("rect", x=x, y=y, width=width, height=height, rx=6, fill=FILL, stroke=INK, **{"stroke-width": 1.5})
        self.text(x + width / 2, y + 22, title, anchor="middle", size=15, bold=True)
        for index, line in enumerate(lines):
            self.text(x + width / 2, y + 40 + 16 * index, line, anchor="middle", size=12, colour=SOFT)

    def pin(self, x: float, y: float, name: str, side: Literal["left", "right", "top", "bottom"]) -> None:
        """A pin on a box's edge, its name inside the box."""
        self._add("circle", cx=x, cy=y, r=3.5, fill=PAPER, stroke=INK, **{"stroke-width": 1.5})
        if side == "left":
            self.text(x + 9, y + 4, name, size=12)
        elif side == "right":
            self.text(x - 9, y + 4, name, anchor="end", size=12)
        else:
            self.text(x, y + (17 if side == "top" else -9), name, anchor="middle", size=12)

    def wire(self, points: Sequence[Point], colour: str = OUR_WIRE, width: float = 2.0) -> None:
        """A wire through ``points``."""
        path = " ".join(f"{_number(x)},{_number(y)}" for x, y in points)
        line = {"stroke-width": width, "stroke-linejoin": "round", "stroke-linecap": "round"}
        self._add("polyline", points=path, fill="none", stroke=colour, **line)

    def joint(self, x: float, y: float, colour: str = OUR_WIRE) -> None:
        """A dot where wires are joined."""
        self._add("circle", cx=x, cy=y, r=4.5, fill=colour)

    def resistor(self, x: float, y: float, *, upright: bool = False) -> None:
        """A resistor, its middle at ``x``, ``y``; 44 long."""
        width, height = (16, 44) if upright else (44, 16)
        self._part(x - width / 2, y - height / 2, width, height)

    def button(self, x: float, y: float) -> None:
        """A push button, closed while pressed, its middle at ``x``, ``y``; its wires end 22 from it at both sides."""
        for end in (x - 22, x + 22):
            self._add("circle", cx=end, cy=y, r=3.5, fill=PAPER, stroke=OUR_WIRE, **{"stroke-width": 2})
        self.wire([(x - 20, y - 12), (x + 20, y - 12)], width=2.5)
        self.wire([(x, y - 12), (x, y - 22)], width=2.5)

    def capacitor(self, x: float, y: float, *, upright: bool = True) -> None:
        """A capacitor, its middle at ``x``, ``y``; its wires end 4 from it, above and below (or left and right)."""
        for side in (-4, 4):
            if upright:
                self.wire([(x - 13, y + side), (x + 13, y + side)], width=3)
            else:
                self.wire([(x + side, y - 13), (x + side, y + 13)], width=3)

    def ground(self, x: float, y: float, colour: str = OUR_WIRE) -> None:
        """Common ground, below ``x``, ``y``."""
        for index, half in enumerate((14, 9, 4)):
            self.wire([(x - half, y + 5 * index), (x + half, y + 5 * index)], colour, 2.5)

    def light(self, x: float, y: float) -> None:
        """A light-emitting diode that points down, its middle at ``x``, ``y``; 24 high."""
        self._add("path", d=f"M{x - 11},{y - 12} h22 l-11,22 z", fill=PAPER, stroke=OUR_WIRE, **{"stroke-width": 2})
        self.wire([(x - 11, y + 11), (x + 11, y + 11)], width=2.5)
        for shift in (0, 8):
            self.wire([(x + 15, y - 4 + shift), (x + 25, y - 12 + shift)], width=1.5)

    def band(self, x: float, y: float, width: float, height: float, *, lit: bool) -> None:
        """A stretch of a light's pattern."""
        self._add("rect", x=x, y=y, width=width, height=height, fill=OUR_WIRE if lit else FILL)

    def text(
        self, x: float, y: float, words: str, *, anchor: Anchor = "start", size: int = 13, colour: str = INK,
        bold: bool = False,
    ) -> None:  # fmt: skip
        """One line of words; ``y`` is its base line."""
        weight = {"font-weight": "600"} if bold else {}
        style = {"text-anchor": anchor, "font-size": size}
        self._add("text", x=x, y=y, fill=colour, **style, **weight).text = words

    def text_of(self, banner: str) -> str:
        """The SVG file, ``banner`` in a comment before it."""
        body = etree.tostring(self._root, pretty_print=True, encoding="unicode")
        return f"<!-- {banner} -->\n{body}"

    def _part(self, x: float, y: float, width: float, height: float) -> None:
        self._add("rect", x=x, y=y, width=width, height=height, fill=PAPER, stroke=OUR_WIRE, **{"stroke-width": 2})

    def _add(self, tag: str, **attributes: object) -> etree._Element:
        element = etree.SubElement(self._root, f"{{{SVG}}}{tag}")
        for name, value in attributes.items():
            element.set(name, _number(value) if isinstance(value, int | float) else str(value))
        return element


def _number(value: float) -> str:
    return f"{value:g}"
