"""Rates of rare faults, and which of several findings stand together."""

from __future__ import annotations

import numpy as np
import pytest
from offtake.compare.judge import holm
from offtake.compare.rates import compare_rates
from offtake.compare.session import Counted
from scipy import stats


def test_probabilities_are_the_exact_binomial_ones() -> None:
    for before, after, totals in ((2, 9, (600, 700)), (0, 5, (100, 100)), (4, 4, (1000, 300)), (3, 0, (50, 60))):
        found = compare_rates(Counted(before, before, totals[0]), Counted(after, after, totals[1]))
        share = totals[1] / sum(totals)
        more = stats.binomtest(after, before + after, share, alternative="greater").pvalue
        less = stats.binomtest(after, before + after, share, alternative="less").pvalue
        assert found.p_more == pytest.approx(more)
        assert found.p_less == pytest.approx(less)


def test_none_at_all_still_leaves_room() -> None:
    found = compare_rates(Counted(0, 0, 1000), Counted(0, 0, 1000))
    # Half of chi-square's 97.5 % point with 2 degrees of freedom, 3.689: common tables.
    assert found.high == pytest.approx(3.689e-3, abs=1e-6)
    assert found.low == pytest.approx(-3.689e-3, abs=1e-6)
    assert found.p_more == found.p_less == 1.0


def test_limits_cover_the_truth() -> None:
    random = np.random.default_rng(6)
    covered = 0
    for _ in range(400):
        events = random.poisson((3.0, 8.0))
        found = compare_rates(*(Counted(int(one), float(one), 1000.0) for one in events))
        covered += found.low <= 0.005 <= found.high
    assert covered / 400 >= 0.94


def test_a_burst_is_one_event() -> None:
    single = compare_rates(Counted(0, 0, 1000), Counted(8, 8, 1000))
    burst = compare_rates(Counted(0, 0, 1000), Counted(1, 8, 1000))
    assert single.p_more < 0.01 < burst.p_more
    assert burst.high > single.high
    assert burst.low < 0 < single.low


def test_holm_of_a_worked_case() -> None:
    # 0.005 <= 0.05/4, 0.01 <= 0.05/3, 0.03 > 0.05/2: by hand
    assert holm([0.01, 0.04, 0.03, 0.005], [1, 1, 1, 1], 0.05) == [True, False, False, True]
    assert holm([0.01, None, 0.03, 0.005], [1, 1, 1, 1], 0.05) == [True, False, True, True]
    assert holm([None, None], [1, 1]) == [False, False]
    # With half of all weight 0.02 is enough: 0.02 <= 0.05 * 3/6; then 0.018 > 0.05 * 1/3.
    assert holm([0.02, 0.018, 0.9, 0.9], [3, 1, 1, 1], 0.05) == [True, False, False, False]


def test_holm_holds_its_error() -> None:
    random = np.random.default_rng(8)
    wrong = sum(any(holm(random.random(6).tolist(), [3, 1, 1, 1, 1, 1], 0.05)) for _ in range(3000))
    assert wrong / 3000 == pytest.approx(0.05, abs=0.012)
