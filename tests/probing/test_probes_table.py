"""A short run of the confusion table, and that its limits can be crossed."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import probe_campaign as campaign
import probe_table
import pytest
from offtake.errors import UsageError
from offtake.probe.model import FRAMING_USUAL, Framing, LineState, Verdict
from probe_case_names import name_of, parse_name
from probe_explain import explain
from probe_lines import Case
from probe_table import REPORTED_SEED, Table, crossed, measure, row_of, wilson
from probe_verdicts import Outcome, outcome
from probe_ways import judge_case

GOOD = Verdict(LineState.UNDERSTOOD, 0.99, (), 9_600, framing=FRAMING_USUAL, inverted=False, dialects=("nmea0183",))


def test_a_short_table_holds_the_limits(capsys: pytest.CaptureFixture[str]) -> None:
    table = measure(campaign.glance(REPORTED_SEED), 60, REPORTED_SEED)
    assert [name_of(one.way, one.case) + " " + one.outcome for one in table.misses] == []
    assert crossed(table) == []
    assert min(counts.total() for counts in table.held.values()) >= 12
    probe_table.print_table(table)
    assert max(len(line) for line in capsys.readouterr().out.splitlines()) <= 80


def test_every_speed_dialect_and_noise_is_in_the_full_table() -> None:
    cases = list(campaign.full(1, 1))
    assert len(cases) == len(set(cases))
    usual = {(case.kind, case.baud, case.errors) for case in cases if not case.inverted}
    assert len(campaign.BAUDS) == 12
    assert all((kind, baud, noise) in usual for kind in ("text", "b562", "rtcm3") for baud in campaign.BAUDS
               for noise in campaign.ERRORS)  # fmt: skip
    assert {row_of(case).partition(" ")[0] for case in cases} >= {"inverted", "framings", "silent", "floating", "noise"}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, Outcome.RIGHT),
        ({"state": LineState.NOT_SURE}, Outcome.NOT_SURE),
        ({"state": LineState.NOISE}, Outcome.NOT_SURE),
        ({"baud": 19_200}, Outcome.SPEED),
        ({"state": LineState.OTHER_SPEED, "measured_baud": 4_800.0}, Outcome.SPEED),
        ({"state": LineState.OTHER_SPEED, "measured_baud": 9_610.0}, Outcome.NOT_SURE),
        ({"dialects": ("b562",)}, Outcome.DIALECT),
        ({"dialects": ("nmea0183", "b562")}, Outcome.DIALECT),
        ({"framing": Framing.parse("7E1")}, Outcome.FRAMING),
        ({"framing": Framing.parse("8N2")}, Outcome.FRAMING),
        ({"inverted": True}, Outcome.POLARITY),
        ({"state": LineState.SILENT}, Outcome.STATE),
        ({"state": LineState.FLOATING}, Outcome.STATE),
    ],
)
def test_what_a_verdict_on_text_at_9600_is_worth(changes: dict[str, object], expected: Outcome) -> None:
    assert outcome(Case("text"), replace(GOOD, **changes), can_invert=True) is expected  # type: ignore[arg-type]


def test_claiming_data_where_there_is_none_is_an_alarm() -> None:
    for kind in ("silent_low", "hum", "loose", "white", "clock", "other_bus"):
        assert outcome(Case(kind), GOOD, can_invert=True) is Outcome.ALARM
    assert outcome(Case("hum"), replace(GOOD, state=LineState.SILENT), can_invert=True) is Outcome.STATE
    assert outcome(Case("own_text"), GOOD, can_invert=True) is Outcome.DIALECT
    assert outcome(Case("text", inverted=True), GOOD, can_invert=False) is Outcome.POLARITY
    two_stop_bits = Case("text", framing=Framing.parse("8N2"))
    assert outcome(two_stop_bits, GOOD, can_invert=True) is Outcome.RIGHT, "they cannot be told apart"


def test_limits_can_be_crossed() -> None:
    held = {"walk": Counter({Outcome.RIGHT: 98, Outcome.NOT_SURE: 2})}
    rest = {"edges": Counter({Outcome.RIGHT: 90, Outcome.ALARM: 1})}
    table = Table(held=held, rest=rest, bit_times=100, bit_time_right=98)
    assert [sentence.split(" ")[0] for sentence in crossed(table)] == ["walk:", "edges:", "bit"]


def test_the_interval_of_a_share() -> None:
    # memory: Wilson's interval of 81 of 263 is 0.2553 to 0.3662 at 95 %, a worked example in textbooks.
    assert wilson(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert wilson(0, 0) == (0.0, 1.0)


def test_a_case_can_be_named_and_played_again() -> None:
    case = Case("b562", 115_200, Framing.parse("8E1"), True, 1e-3, 7)
    name = name_of("edges", case)
    assert name == "edges/b562/115200/8E1/inverted/0.001/7"
    assert parse_name(name) == ("edges", case)
    lines = explain(judge_case("edges", case))
    assert "truth    115,200 baud 8E1 inverted, b562, 0.1 % of bits wrong" in lines
    assert max(len(line) for line in lines) <= 80
    for bad in ("", "edges/b562", "edges/b562/0/8N1/0/1", "air/text/9600/8N1/0/1", "walk/text/9600/9N1/0/1"):
        with pytest.raises(UsageError):
            parse_name(bad)
