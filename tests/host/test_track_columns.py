"""Fixes, satellites and marks as columns: sequences of the very values they were made of."""

from __future__ import annotations

import datetime as dt
import random
from itertools import pairwise

import numpy as np
import pytest
from offtake.track.fix import Track
from offtake.track.fixes import NO_TIME, WHOLE_MAX, WORDS_MAX, FixColumns, utc_of, utc_us_of
from offtake.track.marks import MarkColumns
from offtake.track.skies import SkyColumns
from offtake.track.timemark import TimeMark
from offtake.track.values import Fix, Satellite, Sky
from timeline_worlds import World, tell
from track_random import make_fixes, make_skies

FIXES = make_fixes(5, 2600)
ROWS, SKIES = make_skies(FIXES, 5)
MARKS = tell(World("columns", seconds=2600, tells="week10", loss_share=0.1)).marks


def columns(name: str) -> FixColumns | SkyColumns | MarkColumns:
    made: dict[str, FixColumns | SkyColumns | MarkColumns] = {
        "fixes": FixColumns.from_fixes(FIXES, 1),
        "skies": SkyColumns.from_skies(SKIES, 1, np.array(ROWS, dtype=np.int64)),
        "marks": MarkColumns.from_marks(MARKS),
    }
    return made[name]


EVERY = pytest.mark.parametrize(("name", "values"), [("fixes", FIXES), ("skies", SKIES), ("marks", tuple(MARKS))])


@EVERY
def test_columns_are_a_sequence_of_the_very_values(name: str, values: tuple[object, ...]) -> None:
    made = columns(name)
    assert tuple(made) == values
    assert len(made) == len(values)
    assert (made[0], made[-1], made[100]) == (values[0], values[-1], values[100])
    assert made == values
    assert made != values[1:]
    assert made == columns(name)
    with pytest.raises(IndexError):
        made[len(values)]
    with pytest.raises(IndexError):
        made[-len(values) - 1]


@EVERY
def test_values_are_pythons_own(name: str, values: tuple[object, ...]) -> None:
    for one, other in zip(columns(name), values, strict=True):
        assert repr(one) == repr(other)


@EVERY
@pytest.mark.parametrize(
    "part",
    [slice(0, 0), slice(3, 3), slice(10, 2), slice(5, 900), slice(-7, None), slice(None, None, 3), slice(900, 20, -7)],
    ids=str,
)
def test_slices_are_columns_of_the_slice(name: str, values: tuple[object, ...], part: slice) -> None:
    made = columns(name)[part]
    assert not isinstance(made, tuple)
    assert tuple(made) == values[part]
    # A slice of a slice counts from its own beginning.
    assert tuple(made[1:]) == values[part][1:]


@EVERY
def test_rows_are_taken_by_number_and_by_flag(name: str, values: tuple[object, ...]) -> None:
    made, draw = columns(name), random.Random(2)
    rows = [draw.randrange(-len(values), len(values)) for _ in range(300)]
    assert tuple(made.taken(rows)) == tuple(values[row] for row in rows)
    flags = np.array([draw.random() < 0.3 for _ in values])
    assert tuple(made.taken(flags)) == tuple(one for one, flag in zip(values, flags.tolist(), strict=True) if flag)
    assert tuple(made.taken([])) == ()


@EVERY
def test_parts_are_joined(name: str, values: tuple[object, ...]) -> None:
    made = columns(name)
    cuts = [0, 1, 1, 700, len(values)]
    parts = [made[a:b] for a, b in pairwise(cuts)]
    joined = type(made).concat(parts)  # type: ignore[arg-type]
    assert tuple(joined) == values
    assert tuple(type(made).concat([])) == ()


def test_words_of_parts_are_joined() -> None:
    first = FixColumns.from_fixes([Fix(1, 0, fix_quality="one", fix_type="two"), Fix(1, 1)], 1)
    second = FixColumns.from_fixes([Fix(1, 2, fix_quality="two", fix_type="three")], 1)
    joined = FixColumns.concat([first, second])
    assert [(fix.fix_quality, fix.fix_type) for fix in joined] == [("one", "two"), (None, None), ("two", "three")]
    assert len(set(joined.words)) == len(joined.words) == 3


def test_words_without_end_are_bounded() -> None:
    made = FixColumns.from_fixes([Fix(1, row, fix_quality=f"word {row}") for row in range(3 * WORDS_MAX)], 1)
    assert len(made.words) <= WORDS_MAX + 1
    assert [fix.fix_quality for fix in made[:3]] == ["word 0", "word 1", "word 2"]
    assert made[-1].fix_quality == "other"


def test_what_no_column_holds_is_absent() -> None:
    fix = Fix(1, 0, time_of_day_us=-5, satellites_used=10**30, hdop=float("nan"), speed_m_s=True)
    (made,) = FixColumns.from_fixes([fix], 1)
    assert (made.time_of_day_us, made.satellites_used, made.hdop, made.speed_m_s) == (None, WHOLE_MAX, None, None)
    sky = Sky(1, 0, None, (Satellite("no such", 3, elevation_deg=float("nan")),))
    (shown,) = SkyColumns.from_skies([sky], 1)
    assert shown.satellites == (Satellite(None, 3),)


@pytest.mark.parametrize("year", [1, 1969, 1970, 2024, 9999])
def test_times_go_both_ways(year: int) -> None:
    moment = dt.datetime(year, 12, 31, 23, 59, 59, 999_999, tzinfo=dt.UTC)
    assert utc_of(utc_us_of(moment)) == moment
    assert utc_us_of(None) == NO_TIME
    assert utc_of(NO_TIME) is None


def test_a_track_takes_plain_sequences_and_columns() -> None:
    plain = Track(1, FIXES, skies=SKIES)
    assert plain.fixes == FIXES
    assert plain.skies == SKIES
    again = Track(1, plain.fixes, skies=plain.skies)
    assert again.fixes is plain.fixes
    assert Track(1, ()).fixes == ()
    assert plain == again
    assert plain != Track(1, FIXES[1:], skies=SKIES)
    with pytest.raises(AttributeError):
        plain.run = 2  # type: ignore[misc]


def test_positions_and_times_by_row() -> None:
    made = FixColumns.from_fixes(FIXES, 1)
    assert made.has_position.tolist() == [fix.has_position for fix in FIXES]
    assert [made.utc(row) for row in range(50)] == [fix.utc for fix in FIXES[:50]]
    moved = made.with_utc(np.full(len(made), NO_TIME))
    assert all(fix.utc is None for fix in moved)


def test_skies_take_the_times_of_their_fixes() -> None:
    skies = SkyColumns.from_skies(SKIES, 1, np.array(ROWS, dtype=np.int64))
    times = np.arange(len(FIXES), dtype=np.int64)
    assert skies.with_utc(times).utc_us.tolist() == ROWS
    assert SkyColumns.from_skies(SKIES, 1).with_utc(times).utc_us.tolist() == [NO_TIME] * len(SKIES)
    assert skies.moved(7).fix.tolist() == [row + 7 for row in ROWS]
    assert skies.sky_of.tolist() == [row for row, sky in enumerate(SKIES) for _ in sky.satellites]
    assert [skies.utc(row) for row in range(20)] == [sky.utc for sky in SKIES[:20]]


def test_marks_of_no_date_and_no_leap_seconds() -> None:
    marks = (TimeMark(1, date=dt.date(1970, 1, 1), leap_s=0), TimeMark(2, leap_s=-3), TimeMark(3, week=0, week_bits=10))
    assert tuple(MarkColumns.from_marks(marks)) == marks
