"""The verdict on each measure and on the whole, over invented pairs of recordings."""

from __future__ import annotations

import math
from dataclasses import replace

import compare_streams  # noqa: F401  (makes the invented recordings importable)
import numpy as np
import pytest
from harm_worlds import Pair, Plant, make_pair
from offtake.compare.judge import compare, judge, overall, with_probabilities
from offtake.compare.kinds import CARRIER, DILUTION, KINDS
from offtake.compare.model import Comparison, Effect, Found, Measure
from offtake.compare.session import Faults, Session, session_of
from offtake.compare.terminal import lines
from offtake.track.analyse import analyse
from offtake.track.fix import Track
from report_worlds import make_hostile
from scipy import stats


def of(found: Comparison, key: str) -> Measure:
    return next(one for one in found.measures if one.key == key)


@pytest.fixture(scope="module")
def same() -> tuple[Session, Session]:
    """Half an hour each at the same hour; nothing was done to the receiver."""
    return make_pair(Pair(11, minutes=30.0, starts=5))


@pytest.fixture(scope="module")
def harmed() -> tuple[Session, Session]:
    plant = Plant(loss_db=2.0, checks=0.01, gaps_per_minute=2.0, scatter=4.0, start=2.0)
    return make_pair(Pair(12, minutes=30.0, starts=5, plant=plant))


def test_no_harm(same: tuple[Session, Session]) -> None:
    found = compare(*same)
    assert found.outcome == "no_harm"
    assert found.passed
    carrier = of(found, "cn0")
    assert carrier.excludes_harm
    assert carrier.low is not None
    assert carrier.high is not None
    assert carrier.low < 0 < carrier.high
    assert "no harm was seen" in found.paragraph
    assert not [one.key for one in found.measures if one.outcome == "worse"]


def test_harm_of_every_kind_is_found_and_told(harmed: tuple[Session, Session]) -> None:
    found = compare(*harmed)
    assert found.outcome == "worse"
    assert not found.passed
    worse = {one.key for one in found.measures if one.outcome == "worse"}
    assert {"cn0", "checks", "gaps", "ttff"} <= worse
    carrier = of(found, "cn0")
    assert carrier.difference == pytest.approx(-2.0, abs=0.8)
    assert "C/N0 fell by" in found.paragraph
    assert "Bad checks rose by" in found.paragraph
    assert "antenna" in found.advice
    assert "supply" in found.advice
    assert of(found, "ttff").difference == pytest.approx(2.0, rel=0.3)


def test_the_other_way_round_it_is_better(harmed: tuple[Session, Session]) -> None:
    found = compare(*reversed(harmed))
    assert of(found, "cn0").outcome == "better"
    assert of(found, "gaps").outcome == "better"
    assert found.passed


def test_scatter_at_rest_is_found_where_it_is_long_enough() -> None:
    plant = Plant(scatter=4.0)
    found = compare(*make_pair(Pair(15, systems=("gps", "galileo"), minutes=60.0, plant=plant)))
    assert of(found, "scatter").outcome == "worse"
    assert of(found, "scatter").difference == pytest.approx(4.0, rel=0.6)
    assert "R95" in of(found, "scatter").basis


def test_short_recordings_are_too_short() -> None:
    found = compare(*make_pair(Pair(13, minutes=0.5)))
    assert found.outcome in ("too_short", "not_comparable")
    assert not found.passed
    assert all(one.outcome in ("too_short", "not_comparable") for one in found.measures)


def test_one_start_each_tells_nothing() -> None:
    found = of(compare(*make_pair(Pair(14, plant=Plant(start=10.0)))), "ttff")
    assert found.outcome == "too_short"
    assert "One start each: cannot tell" in found.words
    assert found.after is not None
    assert found.after > 200


def test_on_the_move_and_at_rest_do_not_compare() -> None:
    found = compare(*make_pair(Pair(16, minutes=5.0, walk=(False, True))))
    assert found.outcome == "not_comparable"
    assert of(found, "cn0").outcome == "not_comparable"
    assert of(found, "gaps").outcome == "not_comparable"
    assert of(found, "checks").outcome in ("no_harm", "too_short")
    assert "on the move" in " ".join(found.notes)


def test_both_on_the_move_are_given_more_room() -> None:
    rest = compare(*make_pair(Pair(16, minutes=5.0)))
    both = compare(*make_pair(Pair(16, minutes=5.0, walk=(True, True))))
    widths = [(of(one, "cn0").high or 0) - (of(one, "cn0").low or 0) for one in (rest, both)]
    assert widths[1] > widths[0] + 0.5
    assert "doubled" in both.notes[0]


def test_without_satellites_nothing_of_the_sky_is_compared(same: tuple[Session, Session]) -> None:
    nothing = np.full(len(same[0].time_s), np.nan)
    bare = replace(same[0], satellites={}, available=nothing, geometry=nothing)
    found = compare(bare, same[1])
    assert found.outcome == "not_comparable"
    for key in ("used", "hdop", "accuracy"):
        assert of(found, key).outcome == "not_comparable"
        assert "the sky may have differed" in of(found, key).words
    assert of(found, "checks").outcome == "no_harm"


def test_fewer_satellites_than_the_sky_offers_are_missed(same: tuple[Session, Session]) -> None:
    lost = replace(same[1], used=same[1].used - 9.0)
    assert of(compare(same[0], lost), "used").outcome == "worse"
    fewer = of(compare(same[0], replace(same[1], used=same[1].used - 5.0)), "used")
    assert fewer.units is not None
    assert fewer.units[1] > 0
    assert (fewer.outcome, fewer.words[:11]) in (("worse", "Worse, beyo"), ("too_short", "Taken alone"))
    assert of(compare(*same), "used").outcome != "worse"
    thin = replace(same[1], hdop=same[1].hdop * 1.6, accuracy_m=same[1].accuracy_m * 2.5)
    found = compare(same[0], thin)
    assert of(found, "hdop").difference == pytest.approx(1.6 * (of(compare(*same), "hdop").difference or 0), rel=0.01)
    assert of(found, "hdop").outcome == "worse"


def test_a_change_too_small_to_matter_is_no_harm_however_sure() -> None:
    sure = with_probabilities(Found(CARRIER, 40.0, 39.7, Effect(-0.3, 0.01, 50.0, 0.0)))
    assert sure.p_worse is not None
    assert sure.p_worse < 1e-6
    assert judge(sure, True, False).outcome == "no_harm"
    large = with_probabilities(Found(CARRIER, 40.0, 39.2, Effect(-0.8, 0.01, 50.0, 0.0)))
    assert judge(large, True, False).outcome == "worse"
    assert judge(large, False, False).outcome == "no_harm"
    wide = with_probabilities(Found(CARRIER, 40.0, 39.2, Effect(-0.8, 0.5, 50.0, 0.0)))
    assert judge(wide, False, False).outcome == "too_short"


def test_intervals_are_students() -> None:
    effect = Effect(0.3, 0.1, 5.0, 0.0)
    found = with_probabilities(Found(DILUTION, 1.0, 1.3, effect))
    assert found.limits == pytest.approx(stats.t.interval(0.95, 5, 0.3, 0.1))
    assert found.p_worse == pytest.approx(stats.t.sf(3.0, 5))
    assert found.p_better == pytest.approx(stats.t.cdf(3.0, 5))
    measure = judge(found, False, False)
    assert measure.difference == pytest.approx(math.exp(0.3))
    assert measure.units is not None
    assert measure.units[0] == pytest.approx(0.3 / math.log(1.2))
    # An allowance that is known adds width but no doubt about the width.
    wider = Effect(0.3, 0.1, 5.0, 0.1)
    assert wider.total_se == pytest.approx(0.1 * math.sqrt(2))
    assert wider.total_df == pytest.approx(20.0)
    known = with_probabilities(Found(DILUTION, 1.0, 1.3, Effect(0.3, 0.0, 5.0, 0.1)))
    assert known.limits == pytest.approx(stats.norm.interval(0.95, 0.3, 0.1), rel=1e-4)


def test_values_that_make_no_sense_are_not_judged() -> None:
    found = with_probabilities(Found(CARRIER, 1.0, 1.0, Effect(math.nan, 1.0, 5.0, 0.0)))
    assert judge(found, False, False).outcome == "not_comparable"


def test_the_whole_hangs_on_the_first_that_can_be_compared(same: tuple[Session, Session]) -> None:
    measures = list(compare(*same).measures)

    def whole(**outcomes: str) -> str:
        return overall([replace(one, outcome=outcomes.get(one.key, "no_harm")) for one in measures])  # type: ignore[arg-type]

    assert whole() == "no_harm"
    assert whole(scatter="too_short", gaps="too_short") == "no_harm"
    assert whole(cn0="too_short") == "too_short"
    assert whole(gaps="worse", cn0="too_short") == "worse"
    assert whole(cn0="not_comparable") == "no_harm"
    assert whole(cn0="not_comparable", used="too_short") == "too_short"
    assert whole(cn0="not_comparable", used="not_comparable") == "not_comparable"


def test_the_same_seed_says_the_same(same: tuple[Session, Session]) -> None:
    assert compare(*same, seed=4) == compare(*same, seed=4)
    other = compare(*same, seed=5)
    assert of(other, "cn0").low == pytest.approx(of(compare(*same, seed=4), "cn0").low, abs=0.1)


def test_weights_are_shares() -> None:
    assert sum(kind.weight for kind in KINDS) == pytest.approx(1.0)


def test_a_hostile_recording_does_no_harm() -> None:
    run = make_hostile().runs[0]
    faults = Faults(np.array([1.0, 2.0]), 10**12, 3)
    bad = session_of(run.track, run.analysis, faults, source="x" * 3000)
    empty = session_of(Track(1, ()), analyse(Track(1, ())), Faults(np.empty(0), 0, 0), source="")
    for one, other in ((bad, bad), (bad, empty), (empty, bad), (empty, empty)):
        found = compare(one, other)
        assert max(map(len, lines(found))) <= 80
        for measure in found.measures:
            for value in (measure.difference, measure.low, measure.high):
                assert value is None or math.isfinite(value)


def test_the_terminal_keeps_to_80_columns(same: tuple[Session, Session], harmed: tuple[Session, Session]) -> None:
    for pair in (same, harmed):
        said = lines(compare(*pair))
        assert max(map(len, said)) <= 80
        assert any(line.startswith("C/N0, dB") for line in said)
