"""The report's page in a real browser: drawn, quiet, inert, readable and usable by keyboard."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from report_view import (
    CONTRASTS,
    LETTERS,
    PICTURES,
    ask,
    choose_theme,
    console,
    open_details,
    open_page,
    overflow,
    requests,
    resize,
)
from selenium import webdriver
from selenium.common.exceptions import NoAlertPresentException
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

WIDTHS = (360, 800, 1280)
NAMES = ("whole", "bare", "hostile", "sensors", "strangers", "hostile_sensors")
WHOLE_PICTURES = 2 * (1 + 10 + 2)
"""Two runs: of each the map, ten pictures over time and two stays."""


@pytest.mark.parametrize("name", NAMES)
def test_quiet_and_alone(browser: webdriver.Chrome, pages: dict[str, Path], name: str) -> None:
    """No error, no warning, nothing asked for but the page itself, whatever is done with it."""
    open_page(browser, pages[name])
    for slider in browser.find_elements(By.CSS_SELECTOR, ".control input"):
        slider.send_keys(Keys.END, Keys.ARROW_LEFT)
    for theme in ("dark", "light", "system"):
        choose_theme(browser, theme)
    for details in browser.find_elements(By.TAG_NAME, "summary"):
        details.send_keys(Keys.ENTER)
    assert console(browser) == []
    assert requests(browser) == [pages[name].as_uri()]


def test_the_checks_notice_intruders(browser: webdriver.Chrome, pages: dict[str, Path], tmp_path: Path) -> None:
    """The policy stops a foreign script, an inline style and a picture from elsewhere, and we hear of it."""
    foreign = '<script>document.title = "got in"</script><p style="color:red">x</p><img src="http://127.0.0.1:9/x.png">'
    bad = tmp_path / "bad.html"
    bad.write_text(pages["bare"].read_text(encoding="utf-8").replace("</main>", f"{foreign}</main>"), encoding="utf-8")
    open_page(browser, bad)
    said = "\n".join(console(browser))
    for directive in ("script-src", "style-src", "img-src"):
        assert directive in said or "default-src" in said, directive
    assert browser.title != "got in"
    assert said.count("Content Security Policy") >= 3


def test_every_picture_is_drawn(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    open_page(browser, pages["whole"])
    for width in WIDTHS:
        resize(browser, width)
        drawn = ask(browser, PICTURES)
        assert len(drawn) == WHOLE_PICTURES
        for across, high, paths, texts in drawn:
            assert 250 < across <= width
            assert high > 60
            assert paths >= 3
            assert texts >= 2


def test_empty_data_are_said_in_words(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    open_page(browser, pages["bare"])
    empty = [one.text for one in browser.find_elements(By.CSS_SELECTOR, "figure.empty")]
    assert any("no track to draw" in words for words in empty)
    assert any("The stream tells no height." in words for words in empty)
    assert len(ask(browser, PICTURES)) == 2


def test_hostile_text_is_inert(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    open_page(browser, pages["hostile"])
    for slider in browser.find_elements(By.CSS_SELECTOR, ".control input"):
        slider.send_keys(Keys.ARROW_RIGHT)
    with pytest.raises(NoAlertPresentException):
        browser.switch_to.alert.accept()
    assert browser.find_elements(By.CSS_SELECTOR, "img, iframe, [onerror], [onload]") == []
    assert ask(browser, "return document.scripts.length") == 2
    assert '<script>alert("log")</script>' in browser.find_element(By.CSS_SELECTOR, ".about").text


@pytest.mark.parametrize("name", NAMES)
def test_no_page_scrolls_sideways(browser: webdriver.Chrome, pages: dict[str, Path], name: str) -> None:
    open_page(browser, pages[name])
    open_details(browser)
    for width in (320, *WIDTHS):
        resize(browser, width)
        assert overflow(browser) == 0, width


def test_letters_in_pictures_are_large_enough(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    """At least 12 px, also where the wide pictures just begin."""
    open_page(browser, pages["whole"])
    for width in (*WIDTHS, 761):
        resize(browser, width)
        letters = ask(browser, LETTERS)
        assert len(letters) > 100
        assert min(letters) >= 12.0, width


@pytest.mark.parametrize("name", NAMES)
def test_contrast_of_every_text(browser: webdriver.Chrome, pages: dict[str, Path], name: str) -> None:
    """WCAG 2.2, 1.4.3: at least 4.5:1, in both themes, letters in pictures too."""
    open_page(browser, pages[name])
    open_details(browser)
    for theme in ("light", "dark"):
        choose_theme(browser, theme)
        found = ask(browser, CONTRASTS)
        assert len(found) > 100
        assert [one for one in found if one[0] < 4.5] == [], theme


def ground(browser: webdriver.Chrome) -> str:
    return str(ask(browser, "return getComputedStyle(document.documentElement).backgroundColor"))


def test_theme_follows_the_system_and_the_keyboard(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    open_page(browser, pages["bare"])
    light = ground(browser)
    feature = {"features": [{"name": "prefers-color-scheme", "value": "dark"}]}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", feature)
    dark = ground(browser)
    assert dark != light
    browser.find_element(By.ID, "theme-system").send_keys(Keys.ARROW_RIGHT)
    assert ground(browser) == light
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    browser.find_element(By.ID, "theme-light").send_keys(Keys.ARROW_RIGHT)
    assert ground(browser) == dark
    # On paper it is always light.
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    assert ask(browser, "return getComputedStyle(document.documentElement).getPropertyValue('--paper')") == "#f6f4ec"
    assert not browser.find_element(By.CSS_SELECTOR, ".themes").is_displayed()
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_tab_reaches_everything_and_shows_where_it_is(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    open_page(browser, pages["whole"])
    seen: list[Any] = []
    for _ in range(80):
        ActionChains(browser).send_keys(Keys.TAB).perform()
        seen.append(ask(browser, """
            const one = document.activeElement, style = getComputedStyle(one), box = one.getBoundingClientRect();
            return [one.id || one.className || one.getAttribute("href") || one.tagName,
                    style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2, box.right > 0];
        """))  # fmt: skip
        if seen[-1][0] == "BODY":
            break
    names = [name for name, _, _ in seen]
    assert names[0] == "skip"
    assert {"theme-system", "#run-1", "r1-cursor", "r2-cursor", "scroll"} <= set(names)
    assert [name for name, outlined, inside in seen if name != "BODY" and not (outlined and inside)] == []


def test_skip_link_and_figure_links_land(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    open_page(browser, pages["whole"])
    ActionChains(browser).send_keys(Keys.TAB, Keys.ENTER).perform()
    assert ask(browser, "return document.activeElement.id") == "summary"
    link = browser.find_element(By.CSS_SELECTOR, "#summary a.figure")
    shown = link.text
    link.send_keys(Keys.ENTER)
    assert ask(browser, 'return document.querySelector("td:target").textContent') == shown


def cursor_places(browser: webdriver.Chrome) -> set[float]:
    return set(ask(browser, """
        return [...document.querySelectorAll("[data-run=r1] figure.time svg")].filter((one) => one.checkVisibility())
            .map((svg) => Number(svg.querySelector(".cursor").getAttribute("x1")));
    """))  # fmt: skip


def test_cursor_by_arrow_keys(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    open_page(browser, pages["whole"])
    slider, read = browser.find_element(By.ID, "r1-cursor"), browser.find_element(By.ID, "r1-read")
    slider.send_keys(Keys.HOME, *[Keys.PAGE_UP] * 2, Keys.ARROW_RIGHT)
    first, place = read.text, cursor_places(browser)
    assert "UTC" in first
    assert "speed" in first
    assert len(place) == 1
    slider.send_keys(Keys.ARROW_RIGHT)
    assert read.text != first
    # One column of 360 on 726 units.
    assert cursor_places(browser).pop() - place.pop() == pytest.approx(726 / 360)
    assert str(slider.get_attribute("aria-valuetext")).split(",")[0] in read.text
    dots = ask(browser, 'return document.querySelectorAll("[data-run=r1] circle.cursor.on").length')
    assert dots == 2
    # Each run has its own.
    assert ask(browser, 'return document.querySelectorAll("[data-run=r2] .cursor.on").length') == 0


def test_cursor_reads_the_values_of_the_moment_pointed_at(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    open_page(browser, pages["whole"])
    picture = browser.find_element(By.CSS_SELECTOR, "#run-1 .stack .drawing.wide svg")
    ask(browser, "arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", picture)
    ActionChains(browser).move_to_element(picture).perform()
    (x,) = cursor_places(browser)
    box = ask(browser, "const b = arguments[0].getBoundingClientRect(); return [b.left, b.width]", picture)
    assert x / 800 * box[1] == pytest.approx(box[1] / 2, abs=3)
    column = int(browser.find_element(By.ID, "r1-cursor").get_attribute("value") or -1)
    row = ask(browser, """
        const data = JSON.parse(document.getElementById("r1-data").textContent);
        const row = data.rows.find((one) => one.name === "speed");
        return [row.least[arguments[0]], row.greatest[arguments[0]]];
    """, column)  # fmt: skip
    shown = f"{row[0]:.2f} m/s" if row[1] is None else f"{row[0]:.2f} to {row[1]:.2f} m/s"
    assert f"speed {shown}" in browser.find_element(By.ID, "r1-read").text


@pytest.mark.parametrize("width", [360, 1280])
def test_cursor_works_on_the_sensors_pictures(browser: webdriver.Chrome, pages: dict[str, Path], width: int) -> None:
    """Pointing at one moves the line in all pictures, those of the receiver too, and tells what the sensors told."""
    open_page(browser, pages["sensors"], width)
    form = "narrow" if width < 500 else "wide"
    figure = browser.find_element(By.XPATH, '//figure[.//h4[text()="Event: level"]]')
    picture = figure.find_element(By.CSS_SELECTOR, f".drawing.{form} svg")
    ask(browser, "arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", picture)
    ActionChains(browser).move_to_element(picture).perform()
    assert len(cursor_places(browser)) == 1
    lines = browser.find_elements(By.CSS_SELECTOR, f"#run-1 figure.time .drawing.{form} line.cursor.on")
    assert len(lines) == 10 + 8
    column = int(browser.find_element(By.ID, "r1-cursor").get_attribute("value") or -1)
    word, volts = ask(browser, """
        const rows = JSON.parse(document.getElementById("r1-data").textContent).rows;
        const named = (name) => rows.find((one) => one.name === name);
        const level = named("event level"), first = named("analogue input 1");
        return [level.words[level.least[arguments[0]]], first.least[arguments[0]]];
    """, column)  # fmt: skip
    read = browser.find_element(By.ID, "r1-read").text
    assert f"event level {word}" in read
    assert f"analogue input 1 {volts:.3f}" in read
    # However much there is to tell, it leaves the pictures their room.
    assert ask(browser, "return document.querySelector('.control').offsetHeight / innerHeight") < 0.45


def test_sensors_pictures_by_arrow_keys_and_words(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    open_page(browser, pages["strangers"])
    slider = browser.find_element(By.ID, "r1-cursor")
    slider.send_keys(Keys.END, Keys.ARROW_LEFT)
    read = browser.find_element(By.ID, "r1-read").text
    assert "pump mode idle" in read
    assert "pump alarms dry, overload" in read
    assert re.search(r"battery cell all 8 [\d.]+ to [\d.]+ V", read)


def test_every_sensors_picture_is_drawn(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    for name, count in (("sensors", 1 + 10 + 8 + 2), ("strangers", 1 + 10 + 6 + 2)):
        open_page(browser, pages[name])
        for width in WIDTHS:
            resize(browser, width)
            drawn = ask(browser, PICTURES)
            assert len(drawn) == count
            assert all(across <= width and high > 60 and paths >= 2 for across, high, paths, _ in drawn)
            assert min(ask(browser, LETTERS)) >= 12.0


@pytest.mark.parametrize("width", [360, 1280])
def test_slider_lies_under_the_axes(browser: webdriver.Chrome, pages: dict[str, Path], width: int) -> None:
    open_page(browser, pages["whole"], width)
    ends = ask(browser, """
        const slider = document.getElementById("r1-cursor").getBoundingClientRect();
        const svg = [...document.querySelectorAll("#run-1 .stack svg")].find((one) => one.checkVisibility());
        const box = svg.getBoundingClientRect(), scale = box.width / svg.viewBox.baseVal.width;
        return [slider.left + 8 - (box.left + svg.dataset.left * scale),
                slider.right - 8 - (box.left + svg.dataset.right * scale)];
    """)  # fmt: skip
    assert ends == pytest.approx([0, 0], abs=2.0)


def test_without_a_script_all_is_there_but_the_cursor(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        open_page(browser, pages["whole"])
        assert not browser.find_element(By.CSS_SELECTOR, ".control").is_displayed()
        shown = [one for one in browser.find_elements(By.CSS_SELECTOR, "svg.drawn") if one.is_displayed()]
        assert len(shown) == WHOLE_PICTURES
        before = browser.find_element(By.TAG_NAME, "html").value_of_css_property("background-color")
        choose_theme(browser, "dark")
        assert browser.find_element(By.TAG_NAME, "html").value_of_css_property("background-color") != before
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_motion_only_where_it_is_wanted(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    open_page(browser, pages["bare"])
    for wish, behaviour in (("no-preference", "smooth"), ("reduce", "auto")):
        feature = {"features": [{"name": "prefers-reduced-motion", "value": wish}]}
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", feature)
        assert ask(browser, "return getComputedStyle(document.documentElement).scrollBehavior") == behaviour
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_turning_a_phone_swaps_the_pictures(browser: webdriver.Chrome, pages: dict[str, Path]) -> None:
    open_page(browser, pages["whole"], 360)
    slider = browser.find_element(By.ID, "r1-cursor")
    slider.send_keys(Keys.END)
    narrow = cursor_places(browser)
    resize(browser, 800, 360)
    wide = cursor_places(browser)
    assert (len(narrow), len(wide)) == (1, 1)
    assert narrow != wide
