"""What every page of ours has around its content: head, policy, colours, style sheet."""

from __future__ import annotations

import base64
import hashlib
from importlib import resources

from offtake.report.markup import Markup, element, join
from offtake.report.palette import DARK, LIGHT, custom_properties
from offtake.report.svg import StyleSheet

FOOTER = "Made by offtake. Not for navigation, and not for decisions that safety hangs on."
# Shapes, not only colours; the word beside them says the same.
MARKS = {"good": "●", "look": "▲", "bad": "■", "unknown": "○"}


def document(title: str, body: Markup, styles: StyleSheet, script: str = "") -> bytes:
    """Return a whole page in UTF-8 that needs nothing from anywhere; ``script`` names one of our assets.

    Its policy allows its own style sheet and script by their hashes and nothing else.
    """
    css = _asset("page.css") + _themes() + styles.css
    code = _asset(script) if script else ""
    allowed = f"style-src '{_hash(css)}'" + (f"; script-src '{_hash(code)}'" if code else "")
    policy = f"default-src 'none'; {allowed}; base-uri 'none'; form-action 'none'"
    page = join(
        Markup("<!DOCTYPE html>\n"),
        element(
            "html",
            element(
                "head",
                element("meta", charset="utf-8"),
                element("meta", http_equiv="Content-Security-Policy", content=policy),
                element("meta", name="viewport", content="width=device-width, initial-scale=1"),
                element("meta", name="color-scheme", content="light dark"),
                element("meta", name="referrer", content="no-referrer"),
                element("title", title),
                element("style", Markup(css)),
            ),
            element("body", body, element("script", Markup(code)) if code else None),
            lang="en",
        ),
    )
    return page.encode("utf-8", errors="replace")


def footer() -> Markup:
    """What the page must not be used for."""
    return element("footer", element("p", FOOTER))


def theme_choice() -> Markup:
    """The choice of colours."""
    pairs = [
        element(
            "span",
            element("input", type="radio", name="theme", id=f"theme-{key}", checked=key == "system"),
            element("label", words, for_=f"theme-{key}"),
        )
        for key, words in (("system", "as the system"), ("light", "light"), ("dark", "dark"))
    ]
    return element("fieldset", element("legend", "Colours"), *pairs, class_="themes")


def _asset(name: str) -> str:
    return (resources.files("offtake.report") / "assets" / name).read_text(encoding="utf-8")


def _hash(content: str) -> str:
    digest = hashlib.sha256(content.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


def _themes() -> str:
    """The light theme, on paper always; on a screen the system's, or the one chosen on the page."""
    light, dark = custom_properties(LIGHT), custom_properties(DARK)
    return (
        f":root{{{light}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
        f"@media screen{{:root:has(#theme-light:checked){{{light}color-scheme:light}}\n"
        f":root:has(#theme-dark:checked){{{dark}color-scheme:dark}}}}\n"
    )
