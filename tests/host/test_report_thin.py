"""Long series drawn short: no spike is lost, breaks stay, and it stays bounded."""

from __future__ import annotations

import numpy as np
import pytest
import report_inputs
from hypothesis import given
from hypothesis import strategies as st
from offtake.report.series import RunSeries, Values, values_of
from offtake.report.thin import columns_of, thin

COLUMNS = 40
LENGTH_S = 1000.0


def series(seconds: list[float], values: list[float]) -> Values:
    return Values(np.array(seconds), np.array(values))


def test_short_series_are_drawn_as_they_are() -> None:
    made = thin(series([0.0, 1.0, 2.0, 9.0, 10.0], [1.0, 5.0, 2.0, 3.0, 4.0]), LENGTH_S, COLUMNS)
    assert not made.thinned
    assert made.x.tolist()[:3] == [0.0, 1.0, 2.0]
    assert np.isnan(made.x[3])
    assert made.y.tolist()[4:] == [3.0, 4.0]


def test_values_that_stand_alone_are_told() -> None:
    made = thin(series([0.0, 1.0, 2.0, 500.0, 900.0, 901.0], [1.0, 1.0, 1.0, 7.0, 2.0, 2.0]), LENGTH_S, COLUMNS)
    assert made.alone_x.tolist() == [500.0]
    assert made.alone_y.tolist() == [7.0]


def test_a_pause_given_breaks_nothing() -> None:
    made = thin(series([0.0, 1.0, 500.0], [1.0, 2.0, 3.0]), LENGTH_S, COLUMNS, pause_s=float("inf"))
    assert not np.isnan(made.x).any()


def test_one_spike_of_a_day_is_still_there() -> None:
    values = np.full(864_000, 3.0)
    values[612_345], values[100_000] = 99.0, -7.0
    made = thin(Values(np.arange(864_000) / 10, values), 86_400.0, 726)
    assert made.thinned
    assert (float(np.nanmax(made.y)), float(np.nanmin(made.y))) == (99.0, -7.0)
    assert abs(float(made.x[np.nanargmax(made.y)]) - 61_234.5) <= 86_400 / 726
    assert len(made.x) <= 3 * 726


@given(
    st.lists(
        st.tuples(st.floats(0.0, LENGTH_S), st.floats(-1e6, 1e6)), min_size=1, max_size=400,
    ),
    st.booleans(),
)  # fmt: skip
def test_every_column_keeps_its_least_and_greatest(points: list[tuple[float, float]], ordered: bool) -> None:
    points = sorted(points) if ordered else points
    given_ = series([x for x, _ in points], [y for _, y in points])
    made = thin(given_, LENGTH_S, COLUMNS)
    found = columns_of(given_, LENGTH_S, COLUMNS)
    for column in range(COLUMNS):
        inside = [y for x, y in points if min(int(x / LENGTH_S * COLUMNS), COLUMNS - 1) == column]
        if inside:
            assert (found.least[column], found.greatest[column]) == (min(inside), max(inside))
        else:
            assert np.isnan(found.least[column])
    told = made.y[~np.isnan(made.y)]
    assert told.max() == given_.values.max()
    assert told.min() == given_.values.min()
    # However the log's times jump about: a few points for each column.
    assert len(made.x) <= max(3 * len(points), 2) if not made.thinned else len(made.x) <= 16 * (COLUMNS + 1)


@pytest.mark.parametrize("bad", [np.inf, -np.inf, 1e300])
def test_what_cannot_be_drawn_is_counted(bad: float) -> None:
    made = values_of(np.arange(4.0), np.array([1.0, np.nan, bad, 2.0]))
    assert made.values.tolist() == [1.0, 2.0]
    assert made.left_out == 1


def test_busy_times_stand_where_they_were() -> None:
    """A value told at a supply event is of the time since the one before."""
    one = report_inputs.run(seconds=60)
    told = [(event.tick_us, event.card_busy_ms) for event in one.events if event.kind == "supply"]
    made = RunSeries(one)
    begins = [0, *(tick for tick, _ in told)]
    assert made.card_busy_ms.values.tolist() == [*(busy for _, busy in told), told[-1][1]]
    assert made.card_busy_ms.seconds.tolist() == pytest.approx(made.clock.seconds(begins).tolist())
