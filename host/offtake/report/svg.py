"""matplotlib's SVG made part of the page: colours by role, styles in the page's own sheet, nothing that says when."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from lxml import etree

from offtake.report.markup import Markup
from offtake.report.palette import PLACEHOLDERS

_SVG = "{http://www.w3.org/2000/svg}"
_HREF = "{http://www.w3.org/1999/xlink}href"
_LONG_NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
_LINKED = re.compile(r"url\(#([^)]+)\)")
_ROLES = {colour: role for role, colour in PLACEHOLDERS.items()}
_COLOUR = re.compile("|".join(_ROLES))
# Numbers in these lay the picture out; a tenth of a unit is finer than anyone sees.
_PLACES = ("d", "x", "y", "x1", "x2", "y1", "y2", "width", "height", "transform")


@dataclass
class StyleSheet:
    """The styles of all pictures, each once. A page that forbids inline styles can have them as classes."""

    classes: dict[str, str] = field(default_factory=dict)

    def name(self, style: str) -> str:
        """Return the class that stands for an inline ``style``."""
        themed = _COLOUR.sub(lambda found: f"var(--{_ROLES[found.group()]})", style.strip())
        # The page's own font is used; matplotlib's stays the one it measured with.
        kept = [
            part.strip() for part in themed.split(";") if part.strip() and not part.strip().startswith("font-family")
        ]
        return self.classes.setdefault(";".join(kept), f"p{len(self.classes)}")

    @property
    def css(self) -> str:
        """All of them as CSS rules."""
        return "\n".join(f".{name}{{{style}}}" for style, name in self.classes.items())


def inline_svg(
    source: bytes, key: str, styles: StyleSheet, label: str, extra: Markup, data: Mapping[str, float]
) -> Markup:
    """Return a picture of matplotlib's as an element of the page.

    ``key`` begins every id, ``label`` is its name for those who do not see it, ``extra`` is SVG put on top,
    ``data`` become data attributes.
    """
    # What is parsed was made by matplotlib; still, nothing outside it is ever fetched.
    parser = etree.XMLParser(resolve_entities=False, no_network=True, remove_comments=True, huge_tree=True)
    root = etree.fromstring(source, parser)
    for unwanted in [*root.iter(f"{_SVG}metadata"), *root.iter(f"{_SVG}style")]:
        parent = unwanted.getparent()
        if parent is not None:
            parent.remove(unwanted)
    names = _names(root, key)
    for one in root.iter(etree.Element):
        _tidy(one, names, styles)
    box = root.get("viewBox", "")
    for attribute in list(root.attrib):
        del root.attrib[attribute]
    root.set("viewBox", box)
    root.set("role", "img")
    root.set("aria-label", label)
    root.set("class", "drawn")
    root.set("focusable", "false")
    for name, value in data.items():
        root.set(f"data-{name}", f"{value:.8g}")
    etree.cleanup_namespaces(root)
    text = etree.tostring(root, encoding="unicode")
    text = text.replace(' xmlns="http://www.w3.org/2000/svg"', "", 1)
    return Markup(text.removesuffix("</svg>") + extra + "</svg>")


def _names(root: etree._Element, key: str) -> dict[str, str]:
    """New ids for those that something refers to; the others go."""
    wanted: dict[str, str] = {}
    for one in root.iter(etree.Element):
        for name, value in _attributes(one):
            found = [value[1:]] if name == _HREF else _LINKED.findall(value)
            for identifier in found:
                wanted.setdefault(identifier, f"{key}-{len(wanted)}")
    return wanted


def _attributes(one: etree._Element) -> list[tuple[str, str]]:
    return [(str(name), str(value)) for name, value in one.attrib.items()]


def _taken(one: etree._Element, name: str) -> str | None:
    """Take an attribute off."""
    value = one.get(name)
    if value is not None:
        del one.attrib[name]
    return value


def _tidy(one: etree._Element, names: dict[str, str], styles: StyleSheet) -> None:
    identifier = _taken(one, "id")
    if identifier in names:
        one.set("id", names[identifier])
    target = _taken(one, _HREF)
    if target is not None:
        one.set("href", f"#{names[target[1:]]}")
    for name in ("clip-path", "style"):
        linked = one.get(name)
        if linked is not None:
            one.set(name, _LINKED.sub(lambda found: f"url(#{names[found.group(1)]})", linked))
    style = _taken(one, "style")
    if style is not None:
        one.set("class", styles.name(style))
    for name in _PLACES:
        place = one.get(name)
        if place is not None:
            one.set(name, _LONG_NUMBER.sub(_shorter, place).replace(" \n", " ").replace("\n", " ").strip())


def _shorter(found: re.Match[str]) -> str:
    text = f"{float(found.group()):.1f}".removesuffix(".0")
    return "0" if text == "-0" else text
