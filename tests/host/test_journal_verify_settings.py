"""Verify shows what the logger was told: from the header, also of an unused journal, or from a run's start."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from journal_maker import Maker, run_start
from measured_logs import Log, own_descriptions
from offtake import cli
from offtake.card import open_journal
from offtake.card.images import make_card_image
from offtake.generated.records import BLOCK_SIZE, Sensor

# Every setting of the sensors as a run's start has it while they are off.
OFF = replace(
    run_start(), sensors=Sensor(0), analogue_ms=0, analogue_1_full_mv=0, analogue_2_full_mv=0, event_debounce_ms=0,
    pulse_ms=0, pressure_ms=0,
)  # fmt: skip


def verified(path: Path, capsys: pytest.CaptureFixture[str]) -> tuple[str, dict[str, Any]]:
    capsys.readouterr()
    cli.main(["verify", str(path)])
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    cli.main(["verify", str(path), "--json"])
    return out, json.loads(capsys.readouterr().out)


def test_of_an_unused_journal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    image, path = tmp_path / "card.img", tmp_path / "day.jnl"
    make_card_image(image, 16, fat=16)
    sensors = ["--analogue-ms", "500", "--full-scale-1", "20000", "--event", "30", "--pulse-ms", "100"]
    assert cli.main(["prepare", str(image), "--size", "64KiB", "--baud", "9600", "--when-full", "wrap", *sensors]) == 0
    with open_journal(image) as opened:
        path.write_bytes(opened.read(0, opened.size))
    out, values = verified(path, capsys)
    for line in (
        "baud          9,600", "when full     wrap", "sensors       analogue and event and pulses",
        "analogue      every 500 ms: input 1 up to 20,000 mV", "event         changes that last 30 ms",
        "pulses        every 100 ms",
    ):  # fmt: skip
        assert line in out.splitlines()
    assert "pressure" not in out
    told = values["settings"]
    assert values["settings_from"] == "the header"
    assert told["sensors"] == ["analogue", "event", "pulses"]
    assert (told["baud"], told["when_full"], told["analogue_ms"], told["analogue_1_full_mv"]) == (
        9600, "wrap", 500, 20_000
    )  # fmt: skip
    assert (told["analogue_2_full_mv"], told["event_debounce_ms"], told["pulse_ms"], told["pressure_ms"]) == (
        0, 30, 100, 0
    )  # fmt: skip


def test_where_the_header_is_lost_the_last_start_tells(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = Log().run(own_descriptions())
    log.run(own_descriptions(), replace(OFF, sensors=Sensor.PRESSURE, pressure_ms=250, baud=4_800))
    data = log.data()
    path = tmp_path / "day.jnl"
    path.write_bytes(bytes(BLOCK_SIZE) + data[BLOCK_SIZE:])
    out, values = verified(path, capsys)
    assert "baud          4,800" in out
    assert "pressure      every 250 ms" in out
    assert "as the start of run 2 tells them" in out
    assert values["settings_from"] == "the start of run 2"
    assert values["settings"]["pressure_ms"] == 250


def test_of_an_older_run_all_sensors_are_off(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "day.jnl"
    data = Log().run((), replace(run_start(), spec_hash=0x927529EB, sensors=None)).data()
    path.write_bytes(bytes(BLOCK_SIZE) + data[BLOCK_SIZE:])
    out, values = verified(path, capsys)
    assert "sensors       none" in out
    assert (values["settings"]["sensors"], values["settings"]["pulse_ms"]) == ([], 0)


def test_sensors_of_a_later_release_go_by_their_bit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "day.jnl"
    data = Log().run(own_descriptions(), replace(OFF, sensors=Sensor(0x40 | 4), pulse_ms=1_000)).data()
    path.write_bytes(bytes(BLOCK_SIZE) + data[BLOCK_SIZE:])
    out, values = verified(path, capsys)
    assert "sensors       pulses and bit_6" in out
    assert values["settings"]["sensors"] == ["pulses", "bit_6"]


def test_where_nothing_tells(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "day.jnl"
    path.write_bytes(bytes(BLOCK_SIZE) + Maker(8).whole()[BLOCK_SIZE:])
    out, values = verified(path, capsys)
    assert "settings      not known: no header, no run's start" in out
    assert (values["settings"], values["settings_from"]) == (None, None)
