"""Gaps, motion and rest, figures of the whole, and tracks that mean harm."""

from __future__ import annotations

import dataclasses
import time
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from offtake.track.analyse import analyse
from offtake.track.analysis import Gap
from offtake.track.fix import Fix, Satellite, Sky, Track
from offtake.track.limits import Limits
from track_ways import DEGREE_M, analysed, aside, changed, fix, straight

NO_POSITION = {
    "latitude_deg": None, "longitude_deg": None, "speed_m_s": None, "course_deg": None, "fix_quality": "none",
}  # fmt: skip


def gaps(fixes: list[Fix], **options: Any) -> list[tuple[str, int | None, int | None]]:
    return [(one.reason, one.first, one.last) for one in analysed(fixes, **options).gaps]


def without(fixes: list[Fix], first: int, last: int) -> list[Fix]:
    return fixes[:first] + fixes[last + 1 :]


def test_reasons_of_gaps() -> None:
    fixes = straight(60)
    assert gaps(fixes) == []
    assert gaps(changed(fixes, range(20, 30), lambda one: NO_POSITION)) == [("no_position", 19, 30)]
    assert gaps(without(fixes, 20, 29)) == [("nothing_heard", 19, 20)]
    assert gaps(without(fixes, 20, 29), losses=[25_000_000]) == [("bytes_lost", 19, 20)]
    assert gaps(without(fixes, 20, 29), losses=[45_000_000]) == [("nothing_heard", 19, 20)]
    marked = without(changed(fixes, range(30, 31), lambda one: {"after_loss": True}), 20, 29)
    assert gaps(marked) == [("bytes_lost", 19, 20)]
    # Mostly epochs without a position, one of them lost.
    holed = without(changed(fixes, range(20, 30), lambda one: NO_POSITION), 24, 24)
    assert gaps(holed, losses=[24_000_000]) == [("no_position", 19, 29)]
    # Mostly silence, and some epochs at its end.
    late = without(changed(fixes, range(28, 30), lambda one: NO_POSITION), 20, 27)
    assert gaps(late) == [("no_position", 19, 22)]


def test_one_missing_epoch_is_no_gap_and_the_limit_can_be_set() -> None:
    fixes = without(straight(60), 20, 20)
    assert gaps(fixes) == []
    assert gaps(fixes, limits=Limits(gap_s=1.5)) == [("nothing_heard", 19, 20)]


def test_gaps_at_the_run_s_ends() -> None:
    fixes = changed(straight(60), range(10), lambda one: NO_POSITION)
    fixes = changed(fixes, range(50, 60), lambda one: NO_POSITION)
    assert gaps(fixes) == [("no_position", None, 10), ("no_position", 49, None)]
    assert gaps(straight(60), end_tick_us=100_000_000) == [("nothing_heard", 59, None)]
    shifted = [dataclasses.replace(one, tick_us=one.tick_us + 30_000_000) for one in straight(20)]
    (first,) = analysed(shifted).gaps
    assert first == Gap(1, "nothing_heard", 0, 30_000_000, None, None, None, 0)
    assert first.seconds == 30.0
    # A receiver takes some seconds to start.
    soon = [dataclasses.replace(one, tick_us=one.tick_us + 4_500_000) for one in straight(20)]
    assert gaps(soon) == []


def test_no_position_at_all_and_no_epoch_at_all() -> None:
    found = analysed(changed(straight(20), range(20), lambda one: NO_POSITION))
    assert [(one.reason, one.first, one.last) for one in found.gaps] == [("no_position", None, None)]
    assert (found.stretches, found.glitches, found.quality_counts) == ((), (), (("none", 20),))
    assert analysed([]).gaps == ()
    assert analysed([]).interval_s is None


def rest(count: int, start: float = 0.0, east_m: float = 0.0, seed: int = 5, told: bool = True) -> list[Fix]:
    random = np.random.default_rng(seed)
    wander = np.cumsum(random.normal(0, 0.1, (count, 2)), axis=0)
    wander = wander - np.linspace(0, 1, count)[:, None] * wander[-1]
    return [
        fix(start + n, east_m + wander[n, 0], wander[n, 1], speed_m_s=abs(random.normal(0, 0.1)) if told else None)
        for n in range(count)
    ]


def journey(told: bool) -> list[Fix]:
    way = [fix(60.0 + one.tick_us / 1e6, (one.longitude_deg or 0.0) * DEGREE_M, speed_m_s=one.speed_m_s,
               course_deg=one.course_deg) for one in straight(100, told=told)]  # fmt: skip
    return [*rest(60, told=told), *way, *rest(60, 160.0, 1000.0, 6, told=told)]


@pytest.mark.parametrize("told", [True, False])
def test_rest_motion_rest(told: bool) -> None:
    found = analysed(journey(told))
    assert [one.kind for one in found.stretches] == ["stationary", "moving", "stationary"]
    first, moving, last = found.stretches
    assert first.last + 1 == moving.first
    assert moving.last + 1 == last.first
    assert abs(moving.first - 60) <= 4
    assert abs(moving.last - 159) <= 4
    assert found.distance_m == moving.distance_m == pytest.approx(1000, abs=12)
    assert first.distance_m == last.distance_m == 0.0
    assert first.scatter is not None
    assert first.scatter.cep50_m < first.scatter.r95_m < 5
    assert found.moving_s + found.stationary_s == pytest.approx(219.0)
    assert found.moving_s == pytest.approx(101, abs=8)
    if told:
        assert found.course_mean_deg == pytest.approx(90.0)
        assert found.course_resultant == pytest.approx(1.0)
        assert found.speed_m_s is not None
        assert (found.speed_m_s.count, found.speed_m_s.greatest) == (220, 10.0)


def test_noise_at_rest_is_no_motion_and_slow_motion_is_no_rest() -> None:
    random = np.random.default_rng(2)
    wander = np.cumsum(random.normal(0, 0.25, (3600, 2)), axis=0) * np.exp(-np.arange(3600) / 1e9)[:, None]
    wander = wander - wander.mean(axis=0)
    wander = np.clip(wander, -8, 8)
    speeds = np.abs(random.normal(0.1, 0.15, 3600))
    still = [fix(n, wander[n, 0], wander[n, 1], speed_m_s=speeds[n], course_deg=n * 77.0 % 360) for n in range(3600)]
    assert [one.kind for one in analysed(still).stretches] == ["stationary"]
    drifting = straight(600, 0.3)
    assert [one.kind for one in analysed(drifting).stretches] == ["moving"]


def test_stretches_do_not_reach_over_gaps() -> None:
    found = analysed(without(straight(100), 40, 59))
    assert [(one.first, one.last) for one in found.stretches] == [(0, 39), (40, 79)]
    assert found.distance_m == pytest.approx(39 * 10 + 39 * 10, abs=1)


def test_between_gaps_a_moment_keeps_the_state_its_speed_tells() -> None:
    fixes = without(without(straight(100), 41, 60), 20, 39)
    assert [(one.kind, one.first, one.last) for one in analysed(fixes).stretches] == [
        ("moving", 0, 19), ("moving", 20, 20), ("moving", 21, 59),
    ]  # fmt: skip
    stopped = changed(fixes, range(20, 21), lambda one: {"speed_m_s": 0.0})
    assert [one.kind for one in analysed(stopped).stretches] == ["moving", "stationary", "moving"]


def test_glitches_add_no_way_and_no_scatter() -> None:
    clean = analysed(straight(100))
    away = analysed(changed(straight(100), range(40, 50), aside(500.0)))
    assert away.distance_m == pytest.approx(clean.distance_m, abs=0.5)
    lasting = analysed(changed(straight(100), range(40, 100), aside(500.0)))
    assert lasting.distance_m == pytest.approx(clean.distance_m - 10, abs=0.5)
    resting = analysed(changed(rest(200), range(40, 42), aside(500.0)))
    (stay,) = resting.stretches
    assert stay.scatter is not None
    assert (stay.scatter.fixes, stay.scatter.r95_m < 10) == (198, True)


def test_a_short_stay_has_no_scatter() -> None:
    (stay,) = analysed(rest(29)).stretches
    assert stay.scatter is None
    (stay,) = analysed(rest(30)).stretches
    assert stay.scatter is not None


def test_figures_of_the_whole() -> None:
    fixes = [
        dataclasses.replace(
            one, altitude_m=float(n), hdop=1.0 + n % 2, satellites_used=8 + n % 3, horizontal_accuracy_m=2.0,
            vertical_accuracy_m=3.0, fix_quality="differential" if n < 30 else "autonomous",
        )
        for n, one in enumerate(straight(100))
    ]  # fmt: skip
    sky = Sky(
        1, 0, None, (Satellite("gps", 1, cn0_db_hz=40.0), Satellite("gps", 2), Satellite("gps", 3, cn0_db_hz=30.0))
    )
    found = analyse(Track(1, tuple(fixes), skies=(sky,)))
    assert (found.climb_m, found.descent_m, found.interval_s) == (99.0, 0.0, 1.0)
    assert found.quality_counts == (("autonomous", 70), ("differential", 30))
    assert found.hdop is not None
    assert (found.hdop.median, found.hdop.greatest) == (1.5, 2.0)
    assert found.satellites_used is not None
    assert (found.satellites_used.least, found.satellites_used.greatest) == (8, 10)
    assert found.cn0_db_hz is not None
    assert (found.cn0_db_hz.count, found.cn0_db_hz.mean) == (2, 35.0)
    assert found.horizontal_accuracy_m is not None


def test_ellipsoid_heights_where_there_are_no_others() -> None:
    fixes = [dataclasses.replace(one, height_m=float(2 * n)) for n, one in enumerate(straight(50))]
    assert analysed(fixes).climb_m == 98.0


PLACES = st.tuples(
    st.sampled_from([-90.0, -89.999, 0.0, 1e-9, 45.0, 90.0]), st.sampled_from([-180.0, 179.9999, 0.0, 180.0])
)
SPEEDS = st.sampled_from([None, 0.0, 0.3, 5.0, 51_444.0])


@given(
    st.lists(
        st.tuples(
            PLACES, SPEEDS, st.sampled_from([None, 0.0, 90.0, 360.0]), st.sampled_from([0, 1, 100_000, 10**6, 10**13]),
            st.sampled_from([None, 0, 1, 43_200_000_000, 86_400_000_000]), st.sampled_from([None, 0.0, 99.99]),
            st.booleans(),
        ),
        max_size=60,
    ),
    st.lists(st.integers(0, 10**8), max_size=3),
)  # fmt: skip
def test_whatever_the_track_holds_the_figures_are_finite(rows: list[Any], losses: list[int]) -> None:
    fixes, tick = [], 0
    for (latitude, longitude), speed, course, step, clock, hdop, known in rows:
        tick += step
        fixes.append(
            Fix(1, tick, time_of_day_us=clock, latitude_deg=latitude if known else None, longitude_deg=longitude,
                speed_m_s=speed, course_deg=course, hdop=hdop, horizontal_accuracy_m=hdop, altitude_m=hdop)
        )  # fmt: skip
    found = analysed(fixes, losses=losses)
    covered = [
        place for one in found.stretches for place in range(one.first, one.last + 1) if fixes[place].has_position
    ]
    assert covered == [place for place, one in enumerate(fixes) if one.has_position]
    for glitch in found.glitches:
        assert 0 <= glitch.first <= glitch.last < len(fixes)
        assert glitch.evidence
        assert glitch.text.endswith(".")


def test_ticks_that_go_back() -> None:
    fixes = straight(50)
    fixes = changed(fixes, range(20, 30), lambda one: {"tick_us": one.tick_us - 15_000_000})
    analysed(fixes)


@pytest.mark.parametrize("kind", ["clean", "leaping"])
def test_time_grows_with_the_number_of_fixes(kind: str) -> None:
    random = np.random.default_rng(1)
    count = 20_000

    def seconds(number: int) -> float:
        fixes = straight(number, interval_s=0.1)
        if kind == "leaping":
            leaps = random.uniform(-0.008, 0.008, (number, 2))
            fixes = [
                dataclasses.replace(one, latitude_deg=leaps[n, 0], longitude_deg=leaps[n, 1])
                for n, one in enumerate(fixes)
            ]
        started = time.process_time()
        analysed(fixes)
        return time.process_time() - started

    assert seconds(2 * count) < 4 * seconds(count) + 1.0
