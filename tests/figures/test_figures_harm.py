"""A short run of the harm table, and that its limits can be crossed."""

from __future__ import annotations

from collections import Counter
from functools import cache

import harm_table
import numpy as np
import pytest
from harm_sky import directions
from harm_table import REPORTED_SEED, Table, Tally, crossed, measure, wilson
from harm_worlds import Pair, Plant, make_pair, many
from offtake.compare import judge, kinds
from offtake.compare.model import MeasureKind
from offtake.compare.session import Session


@pytest.fixture(autouse=True)
def made_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tests judge the same pairs; inventing them takes longest."""
    monkeypatch.setattr(harm_table, "make_pair", _made_once)


@cache
def _made_once(pair: Pair) -> tuple[Session, Session]:
    return make_pair(pair)


def test_a_short_table(capsys: pytest.CaptureFixture[str]) -> None:
    table = measure(REPORTED_SEED, 16)
    # So few cannot hold a share of 5 %: one slip each.
    assert table.null.outcomes["worse"] <= 1
    assert table.lost.measures["cn0"]["worse"] >= 15
    assert table.null.count == table.lost.count == 16
    assert len(table.null.kinds) == 5
    harm_table.print_table(table)
    assert max(len(line) for line in capsys.readouterr().out.splitlines()) <= 80


def test_limits_can_be_crossed() -> None:
    table = Table(null=Tally(count=100), lost=Tally(count=100))
    table.null.outcomes["worse"] = 6
    table.lost.measures["cn0"] = Counter(worse=94)
    assert [sentence.split(":")[0] for sentence in crossed(table)] == ["harm where there is none", "2 dB lost"]
    table.null.outcomes["worse"] = 5
    table.lost.measures["cn0"]["worse"] = 95
    assert crossed(table) == []


def test_a_comparison_that_is_too_keen_crosses_them(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(kind: MeasureKind, same_sky: bool | None, moving: bool) -> float:
        return 0.0

    # Without the allowance for sessions, and with every finding taken at its word.
    monkeypatch.setattr(kinds, "session_sd", none)
    monkeypatch.setattr(judge, "FAMILY_ERROR", 0.5)
    monkeypatch.setattr(judge, "holm", lambda found, weights: [one is not None and one < 0.2 for one in found])
    (sentence,) = crossed(measure(REPORTED_SEED, 10))
    assert sentence.startswith("harm where there is none")


def test_one_that_is_too_dull_crosses_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(judge, "holm", lambda found, weights: [one is not None and one < 1e-9 for one in found])
    (sentence,) = crossed(measure(REPORTED_SEED, 10))
    assert sentence.startswith("2 dB lost")


def test_wilsons_interval_of_a_worked_case() -> None:
    # 10 of 200 by hand: (0.05 + 0.009604) / 1.019207 = 0.05848, give or take 0.03113
    assert wilson(10, 200) == pytest.approx((0.0274, 0.0896), abs=2e-4)
    assert wilson(0, 0) == (0.0, 1.0)


def test_worlds_are_as_they_say() -> None:
    assert repr(make_pair(Pair(3, minutes=3.0))) == repr(make_pair(Pair(3, minutes=3.0)))
    assert len({pair.seed for pair in many(1, 40)}) == 40
    day = np.array([0.0, 86_164.09])
    gps, galileo = (directions(system, day).elevation_deg for system in ("gps", "galileo"))
    # GPS satellites come back after a sidereal day; those of the other systems do not.
    assert np.abs(gps[:, 1] - gps[:, 0]).max() < 0.5
    assert np.abs(galileo[:, 1] - galileo[:, 0]).max() > 20
    assert 8 <= (gps[:, 0] > 5).sum() <= 14


def test_what_is_planted_is_there() -> None:
    plain, lost = (make_pair(Pair(5, minutes=4.0, plant=plant))[1] for plant in (Plant(), Plant(loss_db=3.0)))
    both = plain.satellites.keys() & lost.satellites.keys()
    steps = [lost.satellites[key].cn0_db_hz.mean() - plain.satellites[key].cn0_db_hz.mean() for key in both]
    assert sum(steps) / len(steps) == pytest.approx(-3.0, abs=0.2)
    bad = make_pair(Pair(5, minutes=4.0, plant=Plant(checks=0.02, gaps_per_minute=2.0, start=3.0)))
    assert bad[1].checks.amount > 20 > bad[0].checks.amount
    assert bad[1].gaps.events > 2 > bad[0].gaps.events
    assert (bad[1].starts[0].seconds or 0) > 1.5 * (bad[0].starts[0].seconds or 99)
