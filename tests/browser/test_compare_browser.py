"""The comparison's page in a real browser: drawn, quiet, readable at every width, in both themes."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

# The invented recordings are those of the figures.
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "figures"))

from dataclasses import replace

from harm_worlds import Pair, Plant, make_pair
from offtake.compare.judge import compare
from offtake.compare.page import render
from report_view import (
    CONTRASTS,
    LETTERS,
    PICTURES,
    ask,
    choose_theme,
    console,
    open_page,
    overflow,
    requests,
    resize,
)
from report_worlds import HOSTILE
from selenium import webdriver
from selenium.common.exceptions import NoAlertPresentException

WIDTHS = (360, 800, 1280)
NAMES = ("worse", "hostile", "bare")


@pytest.fixture(scope="module")
def compared(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The pages as files, by name."""
    before, after = make_pair(Pair(3, minutes=10.0, plant=Plant(2.0, 0.004, 0.6, 2.2)))
    hostile = replace(before, source=HOSTILE[0], notes=HOSTILE), replace(after, source=HOSTILE[2], notes=HOSTILE)
    bare = replace(before, satellites={}), replace(after, satellites={}, moving=True)
    folder = tmp_path_factory.mktemp("compared")
    paths = {}
    for name, pair in zip(NAMES, ((before, after), hostile, bare), strict=True):
        paths[name] = folder / f"{name}.html"
        paths[name].write_bytes(render(compare(*pair))[0])
    return paths


@pytest.mark.parametrize("name", NAMES)
def test_quiet_and_alone(browser: webdriver.Chrome, compared: dict[str, Path], name: str) -> None:
    open_page(browser, compared[name])
    for theme in ("dark", "light", "system"):
        choose_theme(browser, theme)
    with pytest.raises(NoAlertPresentException):
        _ = browser.switch_to.alert.text
    assert console(browser) == []
    assert requests(browser) == [compared[name].as_uri()]
    assert browser.title == "Did the tap do any harm?"


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_wider_than_the_window(browser: webdriver.Chrome, compared: dict[str, Path], name: str) -> None:
    open_page(browser, compared[name])
    for width in WIDTHS:
        resize(browser, width)
        assert overflow(browser) <= 0, width


def test_the_pictures_are_drawn_with_letters_to_read(browser: webdriver.Chrome, compared: dict[str, Path]) -> None:
    open_page(browser, compared["worse"])
    for width in WIDTHS:
        resize(browser, width)
        pictures = ask(browser, PICTURES)
        assert len(pictures) == 2
        for wide, high, paths, texts in pictures:
            assert wide > 250
            assert high > 200
            assert paths > 10
            assert texts >= 8
        assert min(ask(browser, LETTERS)) >= 11.5
    open_page(browser, compared["bare"])
    # The rate of bad checks needs no sky; C/N0 has nothing to draw.
    assert len(ask(browser, PICTURES)) == 1


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_all_words_stand_out(browser: webdriver.Chrome, compared: dict[str, Path], theme: str) -> None:
    open_page(browser, compared["worse"])
    choose_theme(browser, theme)
    contrasts = ask(browser, CONTRASTS)
    assert len(contrasts) > 60
    assert [words for ratio, words in contrasts if ratio < 4.5] == []
