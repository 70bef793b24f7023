"""The running median is that of sorting each window."""

from __future__ import annotations

import numpy as np
import pytest
from offtake.track import median
from offtake.track.median import running_median


@pytest.mark.parametrize("width", [1, 3, 5, 7, 9, 15, 31, 33, 61, 301])
@pytest.mark.parametrize("count", [1, 2, 3, 10, 400, 5000])
def test_each_value_is_the_median_of_its_neighbours(width: int, count: int) -> None:
    random = np.random.default_rng(width * 10_000 + count)
    for values in (random.normal(size=count), np.round(random.normal(size=count), 1)):
        reach = width // 2
        expected = values
        if count > 1:
            padded = np.pad(values, reach, mode="reflect")
            expected = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
        assert np.array_equal(running_median(values, width), expected)


def test_where_values_are_cut_for_speed_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    values = np.random.default_rng(4).normal(size=3000)
    whole = running_median(values, 31)
    monkeypatch.setattr(median, "_BLOCK", 37)
    assert np.array_equal(running_median(values, 31), whole)
