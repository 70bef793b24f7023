"""Single glitches in small tracks, each with the figures that prove it."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from offtake.errors import UsageError
from offtake.track.analysis import Glitch
from offtake.track.fix import Fix
from offtake.track.limits import Limits
from track_ways import NOON_US, analysed, aside, changed, fix, straight


def glitches(fixes: list[Fix], **options: Any) -> list[tuple[str, int, int]]:
    return [(one.kind, one.first, one.last) for one in analysed(fixes, **options).glitches]


def only(fixes: list[Fix]) -> Glitch:
    (one,) = analysed(fixes).glitches
    return one


def test_a_clean_run_has_none() -> None:
    assert glitches(straight(200)) == []
    assert glitches(straight(200, told=False)) == []
    assert glitches([fix(n, speed_m_s=0.0) for n in range(200)]) == []


@pytest.mark.parametrize("told", [True, False])
@pytest.mark.parametrize("length", [1, 2, 20])
def test_a_jump_and_its_return_are_one_glitch(told: bool, length: int) -> None:
    fixes = changed(straight(100, told=told), range(40, 40 + length), aside(80.0))
    one = only(fixes)
    assert (one.kind, one.first, one.last) == ("jump", 40, 39 + length)
    figures = dict(one.evidence)
    assert figures["moved_m"] == pytest.approx((80**2 + 10**2) ** 0.5, abs=0.5)
    assert figures["expected_m"] == pytest.approx(10, abs=0.5)
    assert figures["disagreement_m"] == pytest.approx(80, abs=0.5)
    assert figures["disagreement_m"] > figures["allowed_m"]
    assert "came back" in one.text
    assert (one.start_tick_us, one.end_tick_us) == (40_000_000, (39 + length) * 1_000_000)


def test_a_lasting_shift_is_one_jump() -> None:
    one = only(changed(straight(100), range(40, 100), aside(80.0)))
    assert (one.kind, one.first, one.last) == ("jump", 40, 40)
    assert "did not come back" in one.text


def test_two_lasting_shifts_are_two_jumps() -> None:
    fixes = changed(changed(straight(100), range(30, 100), aside(80.0)), range(60, 100), aside(90.0))
    assert glitches(fixes) == [("jump", 30, 30), ("jump", 60, 60)]


def test_a_jump_at_either_end() -> None:
    assert glitches(changed(straight(50), range(49, 50), aside(80.0))) == [("jump", 49, 49)]
    assert glitches(changed(straight(50), range(1), aside(80.0))) == [("jump", 1, 1)]


def test_a_jump_whose_speed_agrees_is_caught_by_the_acceleration() -> None:
    fixes = straight(100)
    report = {40: (81.0, 7.0), 39: (81.0, 7.0), 41: (81.0, 173.0)}
    fixes = changed(fixes, range(40, 41), aside(80.0))
    for place, (speed, course) in report.items():
        fixes[place] = dataclasses.replace(fixes[place], speed_m_s=speed, course_deg=course)
    assert any(kind == "jump" and first <= 40 <= last for kind, first, last in glitches(fixes))


def test_poor_dilution_and_stated_accuracy_widen_the_gate() -> None:
    def run(**values: Any) -> list[Fix]:
        fixes = [dataclasses.replace(one, hdop=1.0, horizontal_accuracy_m=1.0) for one in straight(100)]
        return changed(changed(fixes, range(40, 42), aside(4.0)), range(38, 44), lambda one: values)

    assert glitches(run()) == [("jump", 40, 41)]
    assert glitches(run(horizontal_accuracy_m=20.0)) == []
    noisy = [dataclasses.replace(one, hdop=1.0) for one in straight(100)]
    noisy = [one if n % 2 else dataclasses.replace(one, **aside(0.8)(one)) for n, one in enumerate(noisy)]
    noisy = changed(noisy, range(40, 42), aside(9.0))
    assert glitches(noisy) == [("jump", 40, 41)]
    assert glitches(changed(noisy, range(38, 44), lambda one: {"hdop": 8.0})) == []


def test_coarse_digits_are_no_jumps() -> None:
    # Three decimals of a minute are 1.85 m.
    unit = 60 * 10**3
    fixes = [
        dataclasses.replace(one, longitude_deg=round((one.longitude_deg or 0) * unit) / unit, latitude_deg=0.0)
        for one in straight(300, 0.8)
    ]
    assert glitches(fixes) == []


def test_a_speed_that_spikes_is_the_speed_s_fault() -> None:
    one = only(changed(straight(100), range(40, 41), lambda one: {"speed_m_s": 90.0}))
    assert (one.kind, one.first, one.last) == ("speed_mismatch", 39, 41)
    assert dict(one.evidence)["speed_greatest_m_s"] == 90.0


def test_positions_that_creep_away_from_the_speed() -> None:
    fixes = straight(100, 2.0)
    for number in range(40, 60):
        fixes[number] = dataclasses.replace(fixes[number], **aside((number - 40) * 1.5)(fixes[number]))
    for number in range(60, 100):
        fixes[number] = dataclasses.replace(fixes[number], **aside(28.5)(fixes[number]))
    (one,) = analysed(fixes).glitches
    assert one.kind == "speed_mismatch"
    assert one.first < 50 < one.last
    assert dict(one.evidence)["disagreement_m"] > dict(one.evidence)["allowed_m"]


def held(fixes: list[Fix], first: int, last: int, *names: str) -> list[Fix]:
    values = {name: getattr(fixes[first], name) for name in names}
    return changed(fixes, range(first, last + 1), lambda one: values)


@pytest.mark.parametrize("told", [True, False])
def test_frozen_positions(told: bool) -> None:
    one = only(held(straight(100, told=told), 40, 50, "latitude_deg", "longitude_deg"))
    assert (one.kind, one.first, one.last) == ("frozen", 40, 50)
    figures = dict(one.evidence)
    assert (figures["fixes"], figures["duration_s"]) == (11.0, pytest.approx(10.0))
    assert figures["reported_m" if told else "expected_m"] == pytest.approx(100, abs=2)
    assert "11 fixes" in one.text


def test_everything_frozen_is_one_glitch() -> None:
    names = ("latitude_deg", "longitude_deg", "time_of_day_us")
    one = only(held(straight(100), 40, 50, *names))
    assert (one.kind, one.first, one.last) == ("frozen", 40, 50)
    assert "digit" in one.text
    assert "time stands still" in one.text


def test_time_alone_frozen_at_rest() -> None:
    still = [fix(n, speed_m_s=0.0) for n in range(100)]
    one = only(held(still, 40, 50, "time_of_day_us"))
    assert (one.kind, one.first, one.last) == ("frozen", 40, 50)
    assert dict(one.evidence)["duration_s"] == pytest.approx(10.0)


def test_standing_on_purpose_is_not_frozen() -> None:
    stopped = [fix(n, 0.0, speed_m_s=0.0) for n in range(60)]
    assert glitches(stopped) == []
    # A hold while the speed's noise goes on.
    noisy = [dataclasses.replace(one, speed_m_s=0.3, course_deg=n * 37.0 % 360) for n, one in enumerate(stopped)]
    assert glitches(noisy) == []
    # Whole seconds from a receiver with five fixes a second.
    fives = [
        dataclasses.replace(one, time_of_day_us=NOON_US + n // 5 * 1_000_000)
        for n, one in enumerate(straight(100, interval_s=0.2))
    ]
    assert glitches(fives) == []


@pytest.mark.parametrize(
    ("step_s", "kind"),
    [
        (-2.0, "time_backwards"),
        (-40.0, "time_backwards"),
        (2.0, "time_jump"),
        (3000.0, "time_jump"),
        (-0.5, "time_jump"),
    ],
)
def test_time_that_steps_for_good(step_s: float, kind: str) -> None:
    def change(one: Fix) -> dict[str, Any]:
        return {"time_of_day_us": (one.time_of_day_us or 0) + round(step_s * 1e6)}

    one = only(changed(straight(100), range(40, 100), change))
    assert (one.kind, one.first, one.last) == (kind, 40, 40)
    assert dict(one.evidence)["disagreement_s"] == pytest.approx(step_s)


def test_time_that_is_wrong_once_is_one_glitch() -> None:
    one = only(
        changed(straight(100), range(40, 42), lambda one: {"time_of_day_us": (one.time_of_day_us or 0) + 5_000_000})
    )
    assert (one.kind, one.first, one.last) == ("time_jump", 40, 41)


def test_late_epochs_missing_epochs_and_midnight_are_no_steps_of_time() -> None:
    late = changed(straight(100), range(40, 41), lambda one: {"tick_us": one.tick_us + 900_000})
    assert glitches(late) == []
    assert glitches(straight(100)[:40] + straight(100)[42:]) == []
    to_midnight = 86_400_000_000 - 50_000_000
    over = [
        dataclasses.replace(one, time_of_day_us=(to_midnight + n * 1_000_000) % 86_400_000_000)
        for n, one in enumerate(straight(100))
    ]
    assert glitches(over) == []


@pytest.mark.parametrize("rate_hz", [1, 10])
def test_a_leap_second_is_no_step_of_time(rate_hz: int) -> None:
    day_us, every_us = 86_400_000_000, 1_000_000 // rate_hz
    clock = [day_us - 20_000_000 + n * every_us for n in range(21 * rate_hz)]
    clock += [n * every_us for n in range(20 * rate_hz)]
    assert max(clock) == day_us + 1_000_000 - every_us
    fixes = straight(len(clock), interval_s=1 / rate_hz)
    told = [dataclasses.replace(one, time_of_day_us=time) for one, time in zip(fixes, clock, strict=True)]
    assert glitches(told) == []


def test_a_clock_that_is_set_before_the_first_position_is_no_glitch() -> None:
    none = {"latitude_deg": None, "longitude_deg": None, "speed_m_s": None, "course_deg": None}
    fixes = changed(straight(60), range(10), lambda one: {**none, "time_of_day_us": one.tick_us})
    assert glitches(fixes) == []


def test_the_receiver_s_time_counts_not_the_ticks() -> None:
    # An epoch that came 0.9 s late moved no faster.
    late = changed(straight(100, 30.0), range(40, 41), lambda one: {"tick_us": one.tick_us + 900_000})
    assert glitches(late) == []


def test_limits_are_checked_and_used() -> None:
    fixes = changed(straight(100), range(40, 41), aside(12.0))
    assert glitches(fixes) == [("jump", 40, 40)]
    assert glitches(fixes, limits=Limits(jump_least_m=15.0, mismatch_m=15.0)) == []
    for bad in ({"noise_factor": 0.0}, {"gap_s": -1.0}, {"jump_stated_m": (0.3, float("nan"))}, {"still_m_s": 2.0}):
        with pytest.raises(UsageError):
            Limits(**bad)  # type: ignore[arg-type]
