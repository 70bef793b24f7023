"""What verify says of measurements that their definition does not foresee: values, choices, rates. It hides nothing."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from journal_maker import run_start
from measured_logs import TICKS_PER_S, Log, own_descriptions
from offtake import cli
from offtake.generated import records
from offtake.generated.records import Analogue, Event, Level, Loss, LossCause, Pressure, Sensor
from offtake.journal.events import run_events
from offtake.journal.source import BytesSource
from offtake.journal.verify import VerifyReport, verify
from offtake.records import FieldInfo
from offtake.spec.model import Scale

ONE = Analogue(1, 2).encode()


def checked(log: Log) -> VerifyReport:
    report = verify(BytesSource(log.data()))
    assert report.clean, "the log is whole, whatever it says"
    assert report.notes == tuple(f"Run {odd.run}: {odd.words}" for odd in report.oddities)
    return report


def at_rate(hz: float, seconds: float, first_tick: int = 0) -> Log:
    log = Log().run(own_descriptions())
    for index in range(int(hz * seconds)):
        log.put(Analogue.CODE, (first_tick + round(index * TICKS_PER_S / hz)) % 2**32, ONE)
    return log


@pytest.mark.parametrize("first_tick", [0, 2**32 - 700_000])
def test_a_message_that_floods_is_noted_with_both_rates(first_tick: int) -> None:
    (odd,) = checked(at_rate(410.0, 6.0, first_tick)).oddities
    assert (odd.message, odd.kind, odd.field, odd.frames) == ("analogue", "too_often", "", 2_460)
    assert odd.words == "analogue came 410 times a second, its definition says at most 50."


@pytest.mark.parametrize("hz", [0.5, 50.0, 75.0])
def test_a_message_at_its_rate_or_a_little_above_is_not(hz: float) -> None:
    assert checked(at_rate(hz, 6.0)).oddities == ()


def test_a_flood_of_seconds_in_a_long_silence_is_noted() -> None:
    log = at_rate(300.0, 2.0)
    for hour in range(1, 4):
        log.put(Analogue.CODE, hour * 3600 * TICKS_PER_S, ONE)
    assert [odd.count for odd in checked(log).oddities] == [300]


def test_a_handful_of_frames_at_one_moment_is_no_flood() -> None:
    log = Log().run(own_descriptions())
    for _ in range(20):
        log.put(Analogue.CODE, 1_000, ONE)
    assert checked(log).oddities == ()


def test_rates_are_held_against_definitions_that_this_version_has_alone() -> None:
    # code 100, "flood": one u8.
    flood = bytes([1, 100, 5]) + b"flood" + bytes([0, 1]) + b"x"
    log = Log().run([flood, *own_descriptions()])
    for index in range(3_000):
        log.put(100, index * 100, b"\x01")
    assert checked(log).oddities == ()


def bounded(info: FieldInfo, low: int, high: int, scale: Scale | None = None) -> FieldInfo:
    return replace(info, low=low, high=high, scale=scale)


def test_values_out_of_their_range_are_counted_and_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = Pressure.FIELDS
    monkeypatch.setattr(Pressure, "FIELDS", (bounded(first, 10, 1_000), second))
    log = Log().run(own_descriptions())
    for raw in (9, 10, 1_000, 1_001, 2**32 - 1):
        log.put(Pressure.CODE, raw % 1_000, raw.to_bytes(4, "little") + bytes(4))
    (odd,) = checked(log).oddities
    assert (odd.kind, odd.field, odd.count, odd.frames, odd.low, odd.high) == (
        "out_of_range", "pressure_raw", 3, 5, 10, 1_000
    )  # fmt: skip
    assert odd.words == (
        "3 of 5 values of pressure.pressure_raw are outside 10 to 1000, the range of its definition, and kept."
    )


@pytest.mark.parametrize("described", [True, False])
def test_a_choice_that_nobody_knows_is_counted(described: bool) -> None:
    log = Log().run(own_descriptions() if described else ())
    log.put(Event.CODE, 5, Event(Level.HIGH, 0).encode()).put(Event.CODE, 6, b"\x07\0\0")
    report = verify(BytesSource(log.data()))
    assert report.clean
    (odd,) = report.oddities
    assert (odd.kind, odd.field, odd.count, odd.frames) == ("unknown_choice", "level", 1, 2)
    assert any("1 of 2 values of event.level is none of its choices" in note for note in report.notes)


def test_a_choice_that_the_run_itself_names_is_known() -> None:
    # code 9, "event": level with a third choice, as a later release may have.
    later = bytes([1, Event.CODE, 5]) + b"event" + bytes([0x80, 5]) + b"level" + bytes([3])
    later += b"".join(bytes([value, len(name)]) + name for value, name in ((0, b"low"), (1, b"high"), (2, b"open")))
    later += bytes([1, 7]) + b"ignored"
    log = Log().run([later, *(one for one in own_descriptions() if one[1] != Event.CODE)])
    log.put(Event.CODE, 5, b"\x02\0\0")
    assert verify(BytesSource(log.data())).oddities == ()


def test_short_frames_have_no_value_to_judge() -> None:
    log = Log().run(own_descriptions()).put(Event.CODE, 5, b"")
    assert verify(BytesSource(log.data())).oddities == ()


def test_they_are_shown_and_in_the_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "day.jnl"
    path.write_bytes(at_rate(410.0, 3.0).data())
    assert cli.main(["verify", str(path)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "note: Run 1: analogue came 410 times a second, its definition says at most 50." in out
    assert cli.main(["verify", str(path), "--json"]) == 0
    (odd,) = json.loads(capsys.readouterr().out)["oddities"]
    assert (odd["kind"], odd["count"], odd["seconds"], odd["high"]) == ("too_often", 410, 1.0, 50.0)


@pytest.mark.parametrize(
    ("sensors", "said"),
    [
        (Sensor(0), "on the shelf, which holds few and short ones while no sensor is on"),
        (Sensor.EVENT, "on the shelf, or the time for it passed"),
    ],
)
def test_frames_that_are_owed_are_told_without_guessing_why(sensors: Sensor, said: str) -> None:
    log = Log().run(own_descriptions(), replace(run_start(), sensors=sensors))
    log.put(Loss.CODE, 10, Loss(LossCause.SENSOR_ROOM, 3).encode())
    (_, loss) = run_events(log.salvage().frame_tables(1), 1)
    assert loss.text == f"3 sensor messages: found no room {said}"
    notes = verify(BytesSource(log.data())).notes
    assert any("while no sensor is on, the shelf holds few and short frames" in note for note in notes) == (not sensors)


def test_the_highest_rates_are_those_of_the_spec() -> None:
    rates = {record.NAME: record.AT_MOST_HZ for record in records.MESSAGES.values() if record.ROLE == "sensor"}
    assert rates == {"analogue": 50.0, "event": 10.0, "pulses": 10.0, "pressure_constants": 0.0, "pressure": 10.0}
