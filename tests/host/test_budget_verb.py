"""`offtake budget`: exit codes, JSON, errors in one line."""

from __future__ import annotations

import argparse
import json

import pytest
from offtake import cli
from offtake.cli import budget as verb
from offtake.errors import UsageError
from offtake.jobs.budget import LineLoad, budget


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = cli.main(["budget", *arguments])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def test_bare_call_prints_the_whole_page(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "--baud", "57600")
    assert code == 0
    heads = ["LINE SPEED", "LEVELS", "SERIES RESISTOR", "CARD STALLS", "CARD LIFE AND HOURS", "SUPPLY", "SOURCES"]
    assert [head for row in out.splitlines() if (head := row.split("  ")[0]) and head.isupper()] == heads
    assert max(map(len, out.splitlines())) <= 80


def test_what_will_not_do_is_exit_code_1(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "--usb-chip")
    assert code == 1
    assert "will not do (USB chip on board: low; USB chip on board: pushes)" in out


def test_json(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "--json", "--board", "atmega328p_8mhz", "--messages", "GGA:1,RMC:5,depth:2:40")
    assert code == 0
    values = json.loads(out)
    assert values["schema"] == "offtake.budget/1"
    assert values["verdict"] == "tight"
    assert values["plan"]["board_v"] == values["plan"]["adapter_v"] == 3.3
    assert [(one["name"], one["per_second"], one["size_bytes"]) for one in values["plan"]["outputs"]] == [
        ("GGA", 1.0, 75), ("RMC", 5.0, 73), ("depth", 2.0, 40),
    ]  # fmt: skip
    lines = {line["key"]: line for section in values["sections"] for line in section["lines"]}
    assert lines["line_rate"]["value"] == 75 + 5 * 73 + 80
    assert set(lines["tap_high"]) >= {"value", "unit", "limit", "margin", "verdict", "note", "sources"}


def test_settings_reach_the_plan(capsys: pytest.CaptureFixture[str]) -> None:
    given = {
        "--board-volts": ("board_v", 4.8), "--receiver-volts": ("receiver_v", 3.0),
        "--adapter-volts": ("adapter_v", 4.9),
        "--supply-off": ("supply_off_percent", 2.0), "--board-clock-off": ("board_clock_off_percent", 0.1),
        "--line-clock-off": ("line_clock_off_percent", 0.2), "--resistor": ("resistor_ohm", 2200.0),
        "--wire": ("wire_m", 0.5), "--wrong-pad-volts": ("wrong_pad_v", 3.3), "--desk-resistor": ("desk_ohm", 470.0),
        "--stall-ms": ("stall_ms", 100.0), "--hours-a-day": ("hours_a_day", 2.0), "--battery": ("battery_mah", 2000.0),
        "--battery-lowest-volts": ("battery_lowest_v", 6.0), "--regulator-drop": ("regulator_drop_v", 0.4),
    }  # fmt: skip
    arguments = [text for option, (_, value) in given.items() for text in (option, str(value))]
    _, out, _ = run(capsys, "--json", "--card", "2GiB", "--card-shifter", "no", "--line-share", "50", *arguments)
    plan = json.loads(out)["plan"]
    assert {name: plan[name] for name, _ in given.values()} == dict(given.values())
    assert (plan["card_bytes"], plan["card_shifter"], plan["outputs"][0]["size_bytes"]) == (2**31, False, 2_880)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--board", "another"], "no board is named 'another' (expected atmega328p_16mhz, atmega328p_8mhz)"),
        (["--baud", "300"], "--baud: 300 makes no sense (expected 1,200 to 1,000,000 Bd)"),
        (["--resistor", "nan"], "--resistor: nan makes no sense (expected 1 to 1,000,000 ohm)"),
        (["--wire", "-1"], "--wire: -1 makes no sense (expected 0 to 100 m)"),
        (["--messages", "FOO:1"], "no length is known of 'FOO'"),
        (["--messages", "GGA"], "expected NAME:RATE or NAME:RATE:BYTES"),
        (["--messages", "GGA:0"], "rate of GGA: 0 makes no sense"),
        (["--messages", "GGA:1:0"], "size of GGA: 0 makes no sense"),
        (["--bytes-per-second", "nan"], "--bytes-per-second: nan makes no sense"),
        (["--line-share", "101"], "--line-share: 101 makes no sense (expected 0.1 to 100 %)"),
        (["--line-share", "20", "--messages", "GGA:1"], "the line's load is given twice"),
        (["--card", "1B"], "--card: 1 makes no sense"),
    ],
)
def test_mistakes(capsys: pytest.CaptureFixture[str], arguments: list[str], told: str) -> None:
    code, out, err = run(capsys, *arguments)
    assert (code, out) == (2, "")
    assert told in err
    assert err.count("\n") == 1


def test_messages_are_checked_before_they_are_believed() -> None:
    with pytest.raises(UsageError, match="NAME:RATE"):
        budget("atmega328p_16mhz", 57_600, LineLoad(["\u0661GGA:\u0661"]), {})


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    parser = argparse.ArgumentParser()
    verb.add(parser.add_subparsers())
    with pytest.raises(SystemExit):
        parser.parse_args(["budget", "--help"])
    out = capsys.readouterr().out
    assert "example:\n  offtake budget --baud" in out
    assert "%%" not in out
