"""The drawings in firmware/wiring: every pin of the board file, light patterns to scale, nothing sticks out."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest
from lxml import etree
from offtake.codegen.sheet import OUR_WIRE, SVG
from offtake.codegen.wiring import drawings
from offtake.codegen.wiring_sensors import PINS
from offtake.spec.load import load_spec
from offtake.spec.model import Board

DRAWINGS = ("field", "desk", "lights", "sensors")


@pytest.fixture(scope="module")
def board(repo_root: Path) -> Board:
    return load_spec(repo_root / "shared_spec").boards[0]


def drawn(board: Board, name: str) -> etree._Element:
    return etree.fromstring(drawings(board, "banner")[name].encode())


def words(root: etree._Element) -> list[str]:
    return [element.text or "" for element in root.iter(f"{{{SVG}}}text")]


def test_every_pin_of_the_board_is_drawn_and_named_by_the_board_file(board: Board) -> None:
    seen = {name: " ".join(words(drawn(board, name))) for name in ("field", "sensors")}
    for pin in board.pins:
        assert re.search(rf"\b{pin.pin}\b", seen["sensors" if pin.name in PINS else "field"]), pin.name
    assert re.search(r"\bPD0 receive\b", " ".join(words(drawn(board, "desk"))))
    moved = dataclasses.replace(
        board, pins=tuple(dataclasses.replace(pin, pin="PC3") if pin.name == "light" else pin for pin in board.pins)
    )
    assert "PC3 light" in words(drawn(moved, "field"))
    assert "PB1 light" not in words(drawn(moved, "field"))


def test_sensors_are_drawn_where_the_board_has_their_pins(board: Board) -> None:
    assert set(drawings(board, "banner")) == set(DRAWINGS)
    without = dataclasses.replace(board, pins=tuple(pin for pin in board.pins if pin.name != "sensor_clock"))
    assert set(drawings(without, "banner")) == {"field", "desk", "lights"}
    moved = dataclasses.replace(
        board, pins=tuple(dataclasses.replace(pin, pin="PD7") if pin.name == "event" else pin for pin in board.pins)
    )
    assert "PD7 event" in words(drawn(moved, "sensors"))


def test_light_patterns_are_to_scale(board: Board) -> None:
    root = drawn(board, "lights")
    rows: dict[float, float] = {}
    for band in root.iter(f"{{{SVG}}}rect"):
        if band.get("fill") == OUR_WIRE:
            y = float(band.get("y", ""))
            rows[y] = rows.get(y, 0.0) + float(band.get("width", ""))
    assert len(rows) == len(board.lights)
    for light, lit in zip(board.lights, (rows[y] for y in sorted(rows)), strict=True):
        at_ms, on_ms, step = 0, 0, 0
        while at_ms < 6000:
            length = min(50 * light.steps[step % len(light.steps)], 6000 - at_ms)
            on_ms += length if step % 2 == 0 else 0
            at_ms, step = at_ms + length, step + 1
        assert lit / 460 * 6000 == pytest.approx(on_ms, abs=1.0), light.name


@pytest.mark.parametrize("name", DRAWINGS)
def test_nothing_sticks_out_of_the_sheet(board: Board, name: str) -> None:
    root = drawn(board, name)
    width, height = float(root.get("width", "")), float(root.get("height", ""))
    for element in root.iter(f"{{{SVG}}}text"):
        # A letter of this face is at most about 0.65 of its size wide on average.
        length = 0.65 * float(element.get("font-size", "")) * len(element.text or "")
        before = {"start": 0.0, "middle": 0.5, "end": 1.0}[element.get("text-anchor", "")]
        left = float(element.get("x", "")) - before * length
        assert left >= 0, element.text
        assert left + length <= width, element.text
        assert 0 < float(element.get("y", "")) < height, element.text


def test_the_guide_shows_each_drawing(board: Board, repo_root: Path) -> None:
    guide = (repo_root / "firmware" / "WIRING.md").read_text(encoding="utf-8")
    for name in DRAWINGS:
        link = f"wiring/{board.name}_{name}.svg"
        assert f"]({link})" in guide
        assert (repo_root / "firmware" / link).is_file()
