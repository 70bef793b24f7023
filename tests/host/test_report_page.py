"""The report's page as a file: self-contained, the same for the same input, bounded, and inert whatever a log says."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections import Counter
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from lxml import etree, html
from offtake.report import build
from offtake.report.build import build_report
from offtake.report.inputs import ReportInput, RunInput
from offtake.report.lists import LISTED_MAX
from offtake.report.palette import PLACEHOLDERS
from offtake.track.analysis import Analysis
from offtake.track.fix import Track
from report_sensors import hostile_input, sensor_input
from report_worlds import World, make_hostile, make_input, make_run, make_verify

PAGES = {
    "whole": lambda: make_input(World(epochs=800), World(epochs=300, run=2, calm=True, cut_off=True)),
    "bare": lambda: make_input(World(epochs=120, with_positions=False, with_time=False, with_extras=False)),
    "none": make_input,
    "hostile": make_hostile,
    "sensors": lambda: sensor_input(World(epochs=240)),
    "hostile_sensors": hostile_input,
}  # fmt: skip


@pytest.fixture(scope="module")
def pages() -> dict[str, bytes]:
    return {name: build_report(make()).html for name, make in PAGES.items()}


@pytest.fixture(params=PAGES)
def page(request: pytest.FixtureRequest, pages: dict[str, bytes]) -> bytes:
    return pages[request.param]


def tree(page: bytes) -> Any:
    return html.document_fromstring(page.decode("utf-8"))


@pytest.mark.parametrize("name", ["hostile", "bare"])
def test_same_input_same_bytes(name: str, pages: dict[str, bytes]) -> None:
    assert build_report(PAGES[name]()).html == pages[name]


def test_nothing_comes_from_elsewhere(page: bytes) -> None:
    text = page.decode("utf-8")
    assert not re.search(r"@import|url\((?!#)", text)
    for one in tree(page).iter(etree.Element):
        for name, value in one.attrib.items():
            if name in ("href", "src", "action", "data", "poster", "srcset", "xlink:href"):
                assert name == "href", (one.tag, name)
                assert value.startswith("#"), value
        assert one.tag not in ("link", "iframe", "object", "embed", "img", "base", "form"), one.tag


def test_policy_allows_our_style_and_script_alone(page: bytes) -> None:
    root = tree(page)
    (policy,) = root.xpath('//meta[@http-equiv="Content-Security-Policy"]/@content')
    parts = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert parts["default-src"] == "'none'"
    source = page.decode("utf-8")
    for kind, tag in (("style-src", "style"), ("script-src", "script")):
        contents = re.findall(f"<{tag}>(.*?)</{tag}>", source, re.DOTALL)
        assert len(contents) == 1
        digest = base64.b64encode(hashlib.sha256(contents[0].encode()).digest()).decode()
        assert parts[kind] == f"'sha256-{digest}'"
    for one in root.iter(etree.Element):
        assert "style" not in one.attrib
        assert not [name for name in one.attrib if name.startswith("on")]


def test_hostile_text_makes_no_element(pages: dict[str, bytes]) -> None:
    """Against the same journal with tame text: the same elements, whatever the text says."""
    root = tree(pages["hostile"])
    assert not root.xpath("//img | //svg[@onload] | //*[@onerror]")
    scripts = root.xpath("//script[not(@type)]")
    assert len(scripts) == 1
    assert all(one.get("type") == "application/json" for one in root.xpath("//script[@type]"))
    shown = root.text_content()
    assert '<script>alert("log")</script>' in shown
    assert "<svg onload=alert(3)>" in shown
    assert not re.search("[\u202e\u2066\x00\x1b]", pages["hostile"].decode("utf-8"))


def test_hostile_figures_are_left_out_and_said(pages: dict[str, bytes]) -> None:
    shown = tree(pages["hostile"]).text_content()
    assert "1 value is beyond any vehicle's and not drawn." in shown
    assert "inf" not in re.findall(r"[a-z]+", shown)
    assert "nan" not in re.findall(r"[a-z]+", shown)


def test_every_id_once_and_every_link_lands(page: bytes) -> None:
    root = tree(page)
    ids = Counter(root.xpath("//@id"))
    assert [name for name, count in ids.items() if count > 1] == []
    for target in root.xpath("//@href | //@for"):
        assert target.removeprefix("#") in ids, target
    for target in re.findall(r"url\(#([^)]+)\)", page.decode("utf-8")):
        assert target in ids, target


def test_sentences_lead_to_the_figure_they_show(page: bytes) -> None:
    root = tree(page)
    links = root.xpath('//a[@class="figure"]')
    assert links
    for link in links:
        (cell,) = root.xpath(f'//td[@id="{link.get("href")[1:]}"]')
        assert cell.text_content() == link.text_content()


def test_headings_go_down_one_at_a_time(page: bytes) -> None:
    levels = [int(one.tag[1]) for one in tree(page).iter("h1", "h2", "h3", "h4", "h5")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_every_picture_has_words(page: bytes) -> None:
    root = tree(page)
    for figure in root.xpath("//figure"):
        assert figure.xpath("./figcaption/h4")[0].text_content().strip()
        assert figure.xpath("./figcaption/p")[0].text_content().strip().endswith(".")
        for svg in figure.xpath(".//svg"):
            assert svg.get("role") == "img"
            assert len(svg.get("aria-label")) > 30
    if root.xpath('//figure[@class="empty"]'):
        assert "The run has no position, so there is no track to draw." in root.text_content()


def test_colours_come_from_the_palette_alone(page: bytes) -> None:
    source = page.decode("utf-8")
    drawn = re.sub(r"^:root.*$|^@media screen.*$", "", source, flags=re.MULTILINE)
    assert not [colour for colour in PLACEHOLDERS.values() if colour in drawn]
    assert re.findall(r"(?:fill|stroke): ?#[0-9a-f]{3,6}", drawn) == []
    assert "DejaVu Sans'" not in drawn


def test_cursor_data_are_what_the_run_holds(pages: dict[str, bytes]) -> None:
    data = json.loads(tree(pages["whole"]).xpath('//script[@id="r1-data"]')[0].text)
    speed = next(row for row in data["rows"] if row["name"] == "speed")
    told = [value for value in [*speed["least"], *speed["greatest"]] if value is not None]
    fixes = [fix.speed_m_s for fix in make_run(World(epochs=800)).track.fixes if fix.speed_m_s is not None]
    assert (min(told), max(told)) == (round(min(fixes), 2), round(max(fixes), 2))
    assert data["start"] == "2026-03-14T21:39:58.500Z" or data["start"].startswith("2026-03-14T21:39:58.")


def long_run(run: RunInput, epochs: int) -> RunInput:
    """The run's fixes over and over, ten a second."""
    fixes = run.track.fixes
    many = tuple(replace(fixes[number % len(fixes)], tick_us=number * 100_000) for number in range(epochs))
    return replace(run, track=Track(1, many), analysis=Analysis(1, 0.1), end_tick_us=epochs * 100_000)


def test_a_long_run_makes_no_longer_page() -> None:
    run = make_run(World(epochs=500, calm=True))
    made = build_report(ReportInput("a", make_verify((run,)), (long_run(run, 40_000),)))
    assert len(made.html) < 900_000
    said = "Long series (up to 40,000 values here) are drawn column by column, 726 in the wide pictures"
    assert said in made.html.decode("utf-8")


def test_many_runs_and_findings_are_cut_with_their_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build, "PICTURED_MAX", 2)
    small = make_run(World(epochs=30, calm=True, with_extras=False, fixed_from=0.2))
    runs = [replace(small, info=replace(small.info, run=number)) for number in range(1, 241)]
    glitchy = replace(runs[0], analysis=replace(small.analysis, gaps=small.analysis.gaps * 2_000))
    runs[0] = glitchy
    made = build_report(ReportInput("a.jnl", make_verify(runs, damaged=700), runs))
    assert len(made.html) < 3_000_000
    root = tree(made.html)
    assert len(root.xpath('//section[@class="run"]')) == 2
    shown = root.text_content()
    assert "238 shorter runs have no pictures here" in shown
    assert "40 runs are left out of these tables" in shown
    assert f"{700 - LISTED_MAX} rows are left out here" in shown
    assert f"{len(glitchy.analysis.gaps) - LISTED_MAX:,} rows are left out here" in shown


def test_hostile_times_do_not_break_the_page() -> None:
    run = make_run(World(epochs=200, calm=True))
    jumps = np.random.default_rng(3).integers(0, 2**40, len(run.track.fixes)).tolist()
    fixes = tuple(replace(fix, tick_us=tick) for fix, tick in zip(run.track.fixes, jumps, strict=True))
    wild = replace(run, track=replace(run.track, fixes=fixes))
    assert len(build_report(ReportInput("a", make_verify((wild,)), (wild,))).html) < 1_500_000
