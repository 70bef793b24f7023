"""C/N0 satellite by satellite: the step that was put in comes out, and how well it is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from offtake.compare import carrier
from offtake.compare.carrier import Carrier, compare_carrier, same_sky
from offtake.compare.dilution import horizontal_dilution
from offtake.compare.session import Counted, SatelliteColumns, SatelliteKey, Session

Floats = NDArray[np.float64]
TIME_S = np.arange(600.0)


def session(satellites: dict[SatelliteKey, SatelliteColumns]) -> Session:
    nothing = np.empty(0)
    none = Counted(0, 0.0, 1.0)
    return Session(
        "x", "journal", 1, 600.0, False, nothing, nothing, nothing, nothing, nothing, nothing, satellites, none, none,
        None,
    )  # fmt: skip


def columns(level: float, elevation: float, azimuth: float = 90.0, noise: Floats | float = 0.0) -> SatelliteColumns:
    curve = 35.0 + 12.0 * np.sin(np.radians(elevation))
    cn0 = np.full(600, curve + level) + noise
    return SatelliteColumns(TIME_S, cn0, np.full(600, elevation), np.full(600, azimuth))


def sky(
    elevations: dict[int, float], step: float, seed: int | None = None, system: str = "gps"
) -> dict[SatelliteKey, SatelliteColumns]:
    random = np.random.default_rng(seed)
    noise = {number: 0.0 if seed is None else random.normal(0, 1.0) for number in elevations}
    # Each satellite has its own power, the same in both recordings.
    return {
        (system, number, -1): columns(0.4 * (number % 5) + step + noise[number], elevation)
        for number, elevation in elevations.items()
    }


def compared(before: dict[SatelliteKey, SatelliteColumns], after: dict[SatelliteKey, SatelliteColumns]) -> Carrier:
    found = compare_carrier(session(before), session(after), np.random.default_rng(1))
    assert found is not None
    return found


EIGHT = {number: 10.0 * number for number in range(1, 9)}


def test_the_step_of_the_same_satellites_at_the_same_places() -> None:
    found = compared(sky(EIGHT, 0.0), sky(EIGHT, -2.0))
    assert found.step_db == pytest.approx(-2.0, abs=1e-6)
    assert found.se_db == pytest.approx(0.0, abs=1e-6)
    assert (found.alike, found.elsewhere, found.single) == (8, 0, 0)
    assert found.enough


def test_a_sky_that_turned_is_no_step() -> None:
    turned = {number: 90.0 - elevation * 0.9 for number, elevation in EIGHT.items()}
    found = compared(sky(EIGHT, 0.0), sky(turned, -2.0))
    assert found.alike < 8
    assert found.elsewhere == 8 - found.alike
    assert found.step_db == pytest.approx(-2.0, abs=0.25)


def test_other_satellites_are_compared_by_elevation() -> None:
    before = sky(EIGHT, 0.0) | sky({20: 15.0, 25: 75.0, 30: 45.0}, 0.0)
    after = sky(EIGHT, -2.0) | sky({40: 15.0, 45: 75.0, 35: 45.0}, -2.0)
    found = compared(before, after)
    assert found.single == 6
    assert found.step_db == pytest.approx(-2.0, abs=0.1)


def test_its_error_is_that_over_satellites() -> None:
    steps, errors = [], []
    for seed in range(60):
        found = compared(sky(EIGHT, 0.0, 2 * seed), sky(EIGHT, -2.0, 2 * seed + 1))
        steps.append(found.step_db)
        errors.append(found.se_db)
    # Eight differences of two values of 1 dB each: sqrt(2 / 8) dB.
    assert np.std(steps) == pytest.approx(0.5, rel=0.25)
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(0.5, rel=0.25)


def test_what_all_do_at_once_is_not_known_better_by_more_satellites() -> None:
    wave = 1.5 * np.sin(TIME_S / 120.0)
    before, after = sky(EIGHT, 0.0), sky(EIGHT, 0.0)
    swinging = {key: replace(one, cn0_db_hz=one.cn0_db_hz + wave) for key, one in after.items()}
    assert compared(before, swinging).se_db > 0.3
    assert compared(before, after).se_db < 0.01


def test_too_few_satellites_are_not_enough() -> None:
    three = {1: 20.0, 2: 45.0, 3: 70.0}
    assert not compared(sky(three, 0.0), sky(three, -2.0)).enough
    assert not compared(sky({1: 30.0}, 0.0), sky({2: 30.0}, -2.0)).enough
    assert compare_carrier(session({}), session(sky(EIGHT, 0.0)), np.random.default_rng(1)) is None
    brief = {
        key: SatelliteColumns(*(part[:8] for part in (one.time_s, one.cn0_db_hz, one.elevation_deg, one.azimuth_deg)))
        for key, one in sky(EIGHT, 0.0).items()
    }
    assert compare_carrier(session(brief), session(sky(EIGHT, 0.0)), np.random.default_rng(1)) is None


def test_signals_of_one_satellite_are_one_witness() -> None:
    def two(step: float, seed: int) -> dict[SatelliteKey, SatelliteColumns]:
        one = sky(EIGHT, step, seed)
        return {(key[0], key[1], signal): part for key, part in one.items() for signal in (1, 8)}

    double, single = compared(two(0.0, 1), two(-2.0, 2)), compared(sky(EIGHT, 0.0, 1), sky(EIGHT, -2.0, 2))
    assert double.alike == 8
    assert double.step_db == pytest.approx(single.step_db, abs=0.05)
    assert double.se_db == pytest.approx(single.se_db, rel=0.1)


def test_of_more_signals_than_a_receiver_hears_the_longest_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(carrier, "SIGNALS_MOST", 8)
    made_up = {
        ("glonass", key[1], -1): SatelliteColumns(
            one.time_s[:60], one.cn0_db_hz[:60] - 9.0, one.elevation_deg[:60], one.azimuth_deg[:60]
        )
        for key, one in sky(EIGHT, 0.0).items()
    }
    found = compared(sky(EIGHT, 0.0), sky(EIGHT, -2.0) | made_up)
    assert [pair.name for pair in found.pairs] == [f"gps {number}" for number in EIGHT]
    assert found.step_db == pytest.approx(-2.0, abs=1e-6)


def test_the_same_sky_is_told_from_another() -> None:
    places = {("gps", number, -1): columns(0.0, 10.0 * number, 40.0 * number) for number in range(1, 9)}
    moved = {("gps", number, -1): columns(0.0, 10.0 * number, 40.0 * number + 60.0) for number in range(1, 9)}
    assert same_sky(session(places), session(places)) is True
    assert same_sky(session(places), session(moved)) is False
    assert same_sky(session(places), session({})) is None


def test_dilution_of_a_sky_worked_by_hand() -> None:
    # One overhead and three round the horizon: the level parts are 1.5 each and hang on nothing else, so sqrt(2 / 1.5).
    directions = [(90.0, 0.0), (0.0, 0.0), (0.0, 120.0), (0.0, 240.0)]
    assert horizontal_dilution(["gps"] * 4, directions) == pytest.approx(np.sqrt(4 / 3))
    assert np.isnan(horizontal_dilution(["gps"] * 3, directions[:3]))
    # A second clock has to be solved for too.
    assert np.isnan(horizontal_dilution(["gps", "gps", "gps", "galileo"], directions))
    assert np.isnan(horizontal_dilution(["gps"] * 4, [(30.0, 10.0)] * 4))
