"""The report's colours: enough contrast, and apart for people who see fewer colours."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray
from offtake.report.palette import DARK, LIGHT, PLACEHOLDERS, SERIES_ROLES, TEXT_ROLES

Floats = NDArray[np.float64]

# Machado, Oliveira and Fernandes, "A physiologically-based model for simulation of color vision deficiency", IEEE
# Transactions on Visualization and Computer Graphics 15 (2009): the matrices for severity 1.0, on linear RGB; from
# memory, and the same in several public programs. Their rows sum to one, so grey stays grey: checked below.
DEFICIENCIES = {
    "none": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "protanopia": (
        (0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998),
    ),
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881),
    ),
    "tritanopia": (
        (1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900),
    ),
}  # fmt: skip
THEMES = {"light": LIGHT, "dark": DARK}
# Colours this far apart in CIELAB are told apart beside each other at a glance; ours also differ in dash or lane.
APART_MIN = 17.0


def linear(colour: str) -> Floats:
    """sRGB (IEC 61966-2-1) to linear light."""
    value = np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """WCAG 2.2's contrast ratio."""
    levels = sorted(float(linear(colour) @ (0.2126, 0.7152, 0.0722)) for colour in (one, other))
    return (levels[1] + 0.05) / (levels[0] + 0.05)


def lab(rgb: Floats) -> Floats:
    """CIELAB of linear sRGB under D65."""
    matrix = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = matrix @ np.clip(rgb, 0, 1) / (0.9505, 1.0, 1.089)
    root = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * root[1] - 16, 500 * (root[0] - root[1]), 200 * (root[1] - root[2])])


def test_contrast_agrees_with_the_definition() -> None:
    """WCAG 2.2: black on white is 21:1, and a colour on itself 1:1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#0f6fa8", "#0f6fa8") == 1.0


def test_deficiency_matrices_keep_grey() -> None:
    for matrix in DEFICIENCIES.values():
        assert np.array(matrix).sum(axis=1) == pytest.approx([1.0, 1.0, 1.0], abs=2e-6)


@pytest.mark.parametrize("theme", THEMES)
def test_text_is_readable(theme: str) -> None:
    """WCAG 2.2, 1.4.3: at least 4.5:1."""
    colours = THEMES[theme]
    for role in TEXT_ROLES:
        for ground in ("paper", "sheet"):
            assert contrast(colours[role], colours[ground]) >= 4.5, (role, ground)


@pytest.mark.parametrize("theme", THEMES)
def test_lines_and_marks_stand_out(theme: str) -> None:
    """WCAG 2.2, 1.4.11: at least 3:1, on the sheet and on the shading of gaps."""
    colours = THEMES[theme]
    for role in SERIES_ROLES:
        for ground in ("sheet", "shade"):
            assert contrast(colours[role], colours[ground]) >= 3.0, (role, ground)


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
@pytest.mark.parametrize("theme", THEMES)
def test_series_stay_apart(theme: str, deficiency: str) -> None:
    colours: Mapping[str, str] = THEMES[theme]
    matrix = np.array(DEFICIENCIES[deficiency])
    for one, other in combinations(SERIES_ROLES, 2):
        seen = [lab(matrix @ linear(colours[role])) for role in (one, other)]
        assert float(np.linalg.norm(seen[0] - seen[1])) >= APART_MIN, (one, other)


def test_placeholders_are_distinct_and_no_colour_of_a_theme() -> None:
    assert len(set(PLACEHOLDERS.values())) == len(LIGHT)
    assert set(LIGHT) == set(DARK) == set(PLACEHOLDERS)
    assert not set(PLACEHOLDERS.values()) & {*LIGHT.values(), *DARK.values()}
