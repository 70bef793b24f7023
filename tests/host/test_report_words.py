"""The report's words: right answers, and each figure in them stands in the table."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from offtake.report import text
from offtake.report.answer import Answer, Ref
from offtake.report.figures import gather
from offtake.report.inputs import ReportInput
from offtake.report.lists import evidence
from offtake.report.words import answers
from offtake.track.analysis import Analysis
from report_worlds import World, make_input, make_run, make_verify


def by_question(inputs: ReportInput) -> dict[str, Answer]:
    return {answer.question: answer for answer in answers(gather(inputs))}


LOGGED, MISSING, FIXES, GLITCHES, TIME = (
    "Did it log?", "Is anything missing?", "Are the fixes good?", "Did anything glitch?", "How good is the time?",
)  # fmt: skip


def test_a_calm_run_is_well() -> None:
    said = by_question(make_input(World(calm=True, epochs=900, fixed_from=0.0)))
    assert {question: answer.verdict for question, answer in said.items()} == dict.fromkeys(
        (LOGGED, MISSING, FIXES, GLITCHES, TIME), "good"
    )
    assert "Nothing was lost that the logger could count: 0 bytes and 0 flags" in said[MISSING].text
    assert "0 glitches were found among 900 epochs." in said[GLITCHES].text
    assert "It ended when a computer greeted the logger." in said[LOGGED].text


def test_losses_are_said_exactly_and_flags_as_a_lower_bound() -> None:
    said = by_question(make_input(World(epochs=600)))[MISSING]
    assert said.verdict == "bad"
    assert (
        "The logger counted 1,700 lost bytes, exactly, and 2 flags from the chip, each for at least one byte."
        in said.text
    )
    assert "1,700 bytes: the ring was full" in said.text
    assert "3 failed their check, and 211 bytes belong to no message" in said.text


def test_flags_alone_are_worth_a_look() -> None:
    run = make_run(World(calm=True, epochs=300, fixed_from=0.0))
    run = replace(run, info=replace(run.info, loss_events=1))
    said = by_question(ReportInput("a.jnl", make_verify((run,)), (run,)))[MISSING]
    assert (said.verdict, said.word) == ("look", "Something, perhaps.")
    assert "0 lost bytes, exactly, and 1 flag from the chip" in said.text


def test_damage_of_the_journal_is_said() -> None:
    said = by_question(make_input(World(calm=True, epochs=300), damaged=2))[MISSING]
    assert said.verdict == "bad"
    assert "2 are damaged and 0 are missing" in said.text


def test_a_run_cut_off_is_told_from_one_that_ended() -> None:
    said = by_question(make_input(World(epochs=200), World(epochs=200, run=2, cut_off=True)))[LOGGED]
    assert "1 was cut off without a closing frame, as by loss of power; 1 ended when a computer greeted" in said.text


def test_nothing_to_say_is_said() -> None:
    said = by_question(make_input())
    assert said[LOGGED].verdict == "bad"
    assert {said[question].verdict for question in (MISSING, FIXES, GLITCHES, TIME)} == {"unknown"}


def test_without_positions_no_verdict_on_glitches() -> None:
    said = by_question(make_input(World(epochs=200, calm=True, with_positions=False)))
    assert (said[FIXES].verdict, said[GLITCHES].verdict) == ("bad", "unknown")


def test_without_a_date_times_are_not_called_utc() -> None:
    said = by_question(make_input(World(epochs=200, calm=True, with_time=False)))[TIME]
    assert said.verdict == "unknown"
    assert "by the logger's own clock, which may be off by 0.5 %" in said.text


def test_the_clock_is_measured() -> None:
    said = by_question(make_input(World(calm=True, epochs=1200)))[TIME]
    assert "differs from the receiver's by 1,79" in said.text or "by 1,80" in said.text


def test_a_clock_that_cannot_be_measured_is_not_told() -> None:
    run = make_run(World(calm=True, epochs=200))
    assert run.track.timeline is not None
    timeline = replace(run.track.timeline, drift_ppm=None, drift_range_ppm=None)
    run = replace(run, track=replace(run.track, timeline=timeline))
    said = by_question(ReportInput("a.jnl", make_verify((run,)), (run,)))[TIME].text
    assert "How far the logger's clock differs from the receiver's cannot be told of so short a run." in said
    assert text.NONE not in said


def test_few_fixes_are_not_good() -> None:
    assert by_question(make_input(World(calm=True, epochs=400, fixed_from=0.6)))[FIXES].verdict == "bad"
    assert by_question(make_input(World(calm=True, epochs=400, fixed_from=0.3)))[FIXES].verdict == "look"


def test_dilution_counts() -> None:
    run = make_run(World(calm=True, epochs=300, fixed_from=0.0))
    assert run.analysis.hdop is not None
    wide: Analysis = replace(run.analysis, hdop=replace(run.analysis.hdop, median=2.5))
    run = replace(run, analysis=wide)
    assert by_question(ReportInput("a.jnl", make_verify((run,)), (run,)))[FIXES].verdict == "look"


@pytest.mark.parametrize("worlds", [
    (), (World(epochs=300),), (World(epochs=300), World(epochs=200, run=2, calm=True)),
    (World(epochs=200, with_positions=False, with_time=False, with_extras=False),),
])  # fmt: skip
def test_every_figure_of_a_sentence_is_the_tables(worlds: tuple[World, ...]) -> None:
    facts = gather(make_input(*worlds))
    for answer in answers(facts):
        refs = [part for sentence in answer.sentences for part in sentence if isinstance(part, Ref)]
        assert refs or not worlds
        for ref in refs:
            figure = facts.figure(ref.key)
            assert ref.shown == (figure.all if ref.run is None else figure.cells[ref.run])
            assert ref.shown != text.NONE, ref


def test_many_notes_are_cut_with_their_number() -> None:
    run = make_run(World(calm=True, epochs=200))
    assert run.track.timeline is not None
    timeline = replace(run.track.timeline, notes=tuple(f"Note {number}." for number in range(9)))
    run = replace(run, track=replace(run.track, timeline=timeline))
    notes = by_question(ReportInput("a.jnl", make_verify((run,)), (run,)))[TIME].notes
    assert notes[-1] == "And 3 notes of this kind more."
    assert len(notes) == 7


@pytest.mark.parametrize(("value", "shown"), [
    (text.duration(0.0), "0.0 s"), (text.duration(59.6), "1 min 0 s"), (text.duration(3599.7), "1 h 0 min"),
    (text.duration(90_061), "1 d 1 h"), (text.duration(-1), "–"), (text.number(-0.04, 1), "0.0"),
    (text.number(-1234.5, 1, "m"), "−1,234.5 m"), (text.number(float("nan")), "–"),
    (text.share(9999, 10_000), "99.9 %"), (text.share(1, 100_000), "0.1 %"), (text.share(0, 0), "–"),
    (text.share(7, 7), "100 %"), (text.length(12_345.0), "12.35 km"),
    (text.small_time(0.0123), "12.3 ms"), (text.plural(1, "run"), "1 run"), (text.plural(2, "fix", "fixes"), "2 fixes"),
    (text.moment(dt.datetime(2026, 3, 14, 1, 2, 3, 999, dt.UTC)), "2026-03-14 01:02:03 UTC"),
    (text.moment(dt.datetime(2026, 3, 14, 1, 2, 3, 4567, dt.UTC), 3), "2026-03-14 01:02:03.004 UTC"),
])  # fmt: skip
def test_figures_are_written_for_people(value: str, shown: str) -> None:
    assert value == shown


def test_evidence_has_units() -> None:
    assert evidence((("moved_m", 12.3456), ("implied_speed_m_s", 4.0), ("epochs", 3.0), ("step_s", 0.2))) == (
        "moved 12.35 m; implied speed 4.00 m/s; epochs 3; step 0.20 s"
    )
