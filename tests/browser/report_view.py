"""What the browser is asked about a page."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

# Of each text on the page: its colour against what lies behind it, as WCAG 2.2 counts contrast.
CONTRASTS = """
const level = (rgb) => rgb.map((v) => v / 255).map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
  .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
const parts = (text) => text.match(/[\\d.]+/g).map(Number);
const found = [];
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const node = walker.currentNode, one = node.parentElement;
  if (!node.data.trim() || one.closest("script, .skip") || !one.checkVisibility({visibilityProperty: true})) continue;
  const style = getComputedStyle(one);
  let ground = null;
  for (let up = one; up && !ground; up = up.parentElement) {
    const colour = parts(getComputedStyle(up).backgroundColor);
    if (colour.length < 4 || colour[3] > 0) ground = colour;
  }
  const ink = parts(one.closest("svg") ? style.fill : style.color);
  const levels = [level(ink.slice(0, 3)), level((ground || [255, 255, 255]).slice(0, 3))].sort((a, b) => a - b);
  found.push([(levels[1] + 0.05) / (levels[0] + 0.05), node.data.trim().slice(0, 40)]);
}
return found;
"""

# Of each text within a picture that is shown: its letters' height in CSS pixels.
LETTERS = """
return [...document.querySelectorAll("svg.drawn text")].filter((one) => one.checkVisibility()).map((one) => {
  const svg = one.closest("svg");
  return parseFloat(getComputedStyle(one).fontSize) * svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
});
"""

# Of each picture that is shown: its size, and how many paths in it have any extent.
PICTURES = """
return [...document.querySelectorAll("svg.drawn")].filter((one) => one.checkVisibility()).map((svg) => {
  const box = svg.getBoundingClientRect();
  const paths = [...svg.querySelectorAll("path")].filter((path) => !path.closest("defs"))
    .filter((path) => { const size = path.getBBox(); return size.width + size.height > 0; });
  return [box.width, box.height, paths.length, svg.querySelectorAll("text").length];
});
"""


def resize(browser: webdriver.Chrome, width: int, height: int = 900) -> None:
    """Make the page ``width`` CSS pixels wide; narrow ones are phones."""
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)


def open_page(browser: webdriver.Chrome, page: Path, width: int = 1280) -> None:
    """Open ``page`` with empty logs."""
    resize(browser, width)
    browser.get("about:blank")
    for kind in ("browser", "performance"):
        logged(browser, kind)
    browser.get(page.as_uri())


def logged(browser: webdriver.Chrome, kind: str) -> list[dict[str, Any]]:
    """The browser's log of a kind since it was last asked for."""
    return list(browser.get_log(kind))  # type: ignore[no-untyped-call]


def open_details(browser: webdriver.Chrome) -> None:
    browser.execute_script('document.querySelectorAll("details").forEach((one) => { one.open = true; })')


def console(browser: webdriver.Chrome) -> list[str]:
    """Everything the page made the browser complain about since it was opened."""
    return [entry["message"] for entry in logged(browser, "browser")]


def requests(browser: webdriver.Chrome) -> list[str]:
    """Every address asked for since the page was opened."""
    messages = [json.loads(entry["message"])["message"] for entry in logged(browser, "performance")]
    return [one["params"]["request"]["url"] for one in messages if one["method"] == "Network.requestWillBeSent"]


def overflow(browser: webdriver.Chrome) -> int:
    """By how many pixels the page is wider than its window."""
    return int(
        browser.execute_script("return document.documentElement.scrollWidth - document.documentElement.clientWidth")
    )


def choose_theme(browser: webdriver.Chrome, theme: str) -> None:
    browser.find_element(By.ID, f"theme-{theme}").send_keys(Keys.SPACE)


def ask(browser: webdriver.Chrome, script: str, *arguments: Any) -> Any:
    return browser.execute_script(script, *arguments)
