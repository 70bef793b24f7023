"""Gaps, glitches and events: where they are pinned, when they were, and what the findings do to the track."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest
from lxml import etree
from offtake.errors import UsageError
from offtake.export.gpx import write_gpx
from offtake.export.inputs import ExportInput
from offtake.export.kml import write_kml
from offtake.export.marks import TEXT_LENGTH_MAX, marks_of
from offtake.export.values import ExportCounts
from offtake.journal.events import RunEvent
from offtake.track.analysis import Analysis, Gap, Glitch
from offtake.track.fix import Fix, Track
from offtake.track.timeline import TimeLine

NOON = dt.datetime(2024, 5, 1, 12, tzinfo=dt.UTC)
# Seconds from the GPS epoch, 1980-01-06, to noon of that day, with 18 leap seconds between.
NOON_GPS_S = (NOON - dt.datetime(1980, 1, 6, tzinfo=dt.UTC)).total_seconds() + 18


def track(count: int = 10, missing: tuple[int, ...] = (), timeline: TimeLine | None = None) -> Track:
    """A run of an epoch each second from tick 10 s on, without a position at ``missing``."""
    fixes = [
        Fix(
            run=1,
            tick_us=(10 + n) * 1_000_000,
            utc=NOON + dt.timedelta(seconds=n),
            latitude_deg=None if n in missing else 1.0 + n / 100,
            longitude_deg=2.0,
        )
        for n in range(count)
    ]
    return Track(1, tuple(fixes), timeline=timeline)


def event(tick_s: float, text: str = "x", **others: int) -> RunEvent:
    return RunEvent(1, round(tick_s * 1e6), "loss", "card", 7, text, round(tick_s * 1e6), **others)


def gap(first: int | None, last: int | None) -> Gap:
    return Gap(1, "no_position", 0, 1, None, None, first, last)


def glitch(first: int, last: int, text: str = "it jumped") -> Glitch:
    return Glitch(1, "jump", first, last, (10 + first) * 1_000_000, (10 + last) * 1_000_000, None, (), text)


@pytest.mark.parametrize(
    ("tick_s", "shown_at_s", "words"),
    [
        (0.0, 11.0, "Shown at the position 11.0 s after it."),
        (11.0, 11.0, ""),
        (14.25, 13.0, "Shown at the position 1.2 s before it."),
        (99.0, 19.0, "Shown at the position 80.0 s before it."),
    ],
)
def test_events_are_pinned_to_the_last_position_before_them(tick_s: float, shown_at_s: float, words: str) -> None:
    (mark,) = marks_of(ExportInput([track(missing=(0, 4))], events=[event(tick_s)]))
    assert mark.place is not None
    assert (mark.place.tick_us, mark.place_s) == (shown_at_s * 1e6, shown_at_s - tick_s)
    assert mark.description == f"x. {words}".strip()
    assert mark.name == "loss: card"


def test_without_a_position_in_the_run_a_mark_has_no_place(tmp_path: Path) -> None:
    inputs = ExportInput([track(3, missing=(0, 1, 2))], events=[event(1.0)])
    (mark,) = marks_of(inputs)
    assert (mark.place, mark.place_s, mark.description) == (None, None, "x.")
    for writer in (write_gpx, write_kml):
        counts = writer(inputs, tmp_path / "out", replace=True)
        assert counts == ExportCounts(0, 0, 3, marks=0, marks_left_out=1)


def test_events_get_utc_from_the_time_line_and_no_other() -> None:
    line = TimeLine(
        knots_tick_s=np.array([10.0, 20.0]),
        knots_gps_s=np.array([NOON_GPS_S, NOON_GPS_S + 10.0]),
        knots_error_s=np.array([0.002, 0.002]),
    )
    (mark,) = marks_of(ExportInput([track(timeline=line)], events=[event(12.5)]))
    assert mark.utc == mark.end_utc == NOON + dt.timedelta(seconds=2.5)
    assert mark.utc_uncertainty_s is not None
    assert mark.utc_uncertainty_s >= 0.002
    for without in (None, TimeLine()):
        (mark,) = marks_of(ExportInput([track(timeline=without)], events=[event(12.5)]))
        assert (mark.utc, mark.end_utc, mark.utc_uncertainty_s) == (None, None, None)


def test_marks_come_run_by_run_in_time() -> None:
    analysis = Analysis(1, 1.0, gaps=(gap(7, 8),), glitches=(glitch(2, 3),))
    other = RunEvent(2, 5, "run_start", "power_on", 0, "began", 5)
    marks = marks_of(ExportInput([track()], [analysis], [other, event(15.0), event(11.0)]))
    assert [(mark.run, mark.kind) for mark in marks] == [
        (1, "gap"),
        (1, "loss"),
        (1, "glitch"),
        (1, "loss"),
        (2, "run_start"),
    ]


def test_a_glitch_is_pinned_where_it_begins_and_a_gap_before_it() -> None:
    analysis = Analysis(1, 1.0, gaps=(gap(None, 1), gap(7, 9)), glitches=(glitch(2, 3),))
    marks = marks_of(ExportInput([track()], [analysis]))
    assert [mark.place.tick_us if mark.place else None for mark in marks] == [11_000_000, 17_000_000, 12_000_000]


def test_segments_part_at_the_gaps_that_were_found_and_only_there() -> None:
    subject = track(20, missing=(5,))
    analysis = Analysis(1, 1.0, gaps=(gap(None, 0), gap(4, 6), gap(12, 13), gap(19, None)))
    segments = list(ExportInput([subject], [analysis]).segments(subject, gap_s=0.001))
    assert [(part[0][0], part[-1][0], len(part)) for part in segments] == [(0, 4, 5), (6, 12, 7), (13, 19, 7)]
    assert all(subject.fixes[index] == fix for part in segments for index, fix in part)
    plain = list(ExportInput([subject]).segments(subject, gap_s=1.5))
    assert [(part[0][0], part[-1][0]) for part in plain] == [(0, 4), (6, 19)]


def test_doubtful_fixes_stay_and_say_why() -> None:
    analysis = Analysis(1, 1.0, glitches=(glitch(2, 3), glitch(3, 4), Glitch(1, "frozen", 3, 3, 0, 0, None, (), "f")))
    inputs = ExportInput([track()], [analysis])
    assert inputs.doubts(1) == {2: "jump", 3: "jump frozen", 4: "jump"}
    assert inputs.doubts(2) == {}
    assert [len(part) for part in inputs.segments(inputs.tracks[0])] == [10]


@pytest.mark.parametrize(
    ("analyses", "words"),
    [
        ([Analysis(1, 1.0), Analysis(1, 1.0)], "two analyses of one run"),
        ([Analysis(1, 1.0, glitches=(glitch(9, 10),))], "the analysis of run 1 names fix 10 .*one of the track's 10"),
        ([Analysis(1, 1.0, gaps=(gap(-1, 3),))], "names fix -1"),
        ([Analysis(2, 1.0, gaps=(gap(0, 1),))], "the analysis of run 2 names fix 0"),
    ],
)
def test_findings_that_do_not_fit_the_track_are_refused(analyses: list[Analysis], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        ExportInput([track()], analyses)


def test_two_tracks_of_one_run_are_refused() -> None:
    with pytest.raises(UsageError, match="two tracks of one run"):
        ExportInput([track(), track()])


def test_texts_are_harmless_and_bounded(tmp_path: Path) -> None:
    hostile = "</description><script>\x00\u202e\ud800\r\n]]>" + "y" * 5000
    inputs = ExportInput([track()], [Analysis(1, 1.0, glitches=(glitch(1, 1, hostile),))], [event(12.0, hostile)])
    marks = marks_of(inputs)
    assert all(mark.text.startswith("</description><script> ]]>yyy") for mark in marks)
    assert all(len(mark.text) <= TEXT_LENGTH_MAX for mark in marks)
    path = tmp_path / "track.kml"
    write_kml(inputs, path)
    assert [one.text for one in etree.parse(path).iter("{*}description")] == [mark.description for mark in marks]


def test_many_runs_with_many_events_take_no_longer_than_they_must() -> None:
    # Were each run looked up among all events, this would be a hundred million steps.
    tracks = [Track(run, (Fix(run=run, tick_us=0, latitude_deg=1.0, longitude_deg=2.0),)) for run in range(10_000)]
    events = [RunEvent(run, 1, "run_start", "power_on", 0, "began", 1) for run in range(10_000)]
    assert len(marks_of(ExportInput(tracks, events=events))) == 10_000
