"""What verify and salvage say of each run's messages: how many, whose word they are read on, what sensors lost."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from journal_maker import run_start
from measured_logs import Log, own_descriptions
from offtake import cli
from offtake.generated.records import Analogue, Description, Event, Level, Loss, LossCause, Raw
from offtake.jobs.report import report
from offtake.journal.described import NOTES_MAX, description_notes, difference
from offtake.journal.description import DescribedField, DescribedMessage
from offtake.journal.layouts import by_spec
from offtake.journal.source import BytesSource
from offtake.journal.verify import verify
from offtake.spec.model import Scale

# code 100, "soil": one u16 "moisture", scaled by 0.1, in "%".
SOIL = bytes([1, 100, 4]) + b"soil" + bytes([0x61, 8]) + b"moisture" + bytes([63, 1, 0, 1]) + b"%"
OLDER = replace(run_start(), spec_hash=0x927529EB)
"""The start of a run of release 1, which describes nothing."""


def text_of(path: Path, verb: str, capsys: pytest.CaptureFixture[str]) -> str:
    cli.main([verb, str(path)])
    out, err = capsys.readouterr()
    assert err == ""
    assert max(map(len, out.splitlines())) <= 80 or str(path) in out
    return out


def json_of(path: Path, verb: str, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    cli.main([verb, str(path), "--json"])
    values: dict[str, Any] = json.loads(capsys.readouterr().out)
    return values


def write(tmp_path: Path, log: Log) -> Path:
    path = tmp_path / "day.jnl"
    path.write_bytes(log.data())
    return path


def two_runs() -> Log:
    """One with sensors, a message only it describes and one that nobody does; one of an older firmware."""
    log = Log().run([SOIL, *own_descriptions()])
    log.put(Raw.CODE, 5, b"$x").put(100, 10, b"\x01\x02").put(100, 11, b"\x03\x02").put(99, 12, b"abc")
    log.put(Analogue.CODE, 13, Analogue(1, 2).encode()).put(Event.CODE, 14, Event(Level.HIGH, 0).encode())
    log.put(Loss.CODE, 15, Loss(LossCause.SENSOR_ROOM, 1).encode())
    log.put(Loss.CODE, 16, Loss(LossCause.SENSOR_SILENT, 7).encode())
    return log.run((), OLDER).put(Raw.CODE, 20, b"$y")


@pytest.mark.parametrize("verb", ["verify", "salvage"])
def test_each_runs_messages_are_counted_by_name(verb: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path, two_runs())
    words = " ".join(text_of(path, verb, capsys).split())
    described = 1 + len(own_descriptions())
    counted = f"1 run_start, 1 raw, 2 loss, {described} description, 1 analogue, 1 event, 1 message 99, 2 soil"
    assert f"run 1 {counted}; of its sensors 1 frame found no room and 7 readings got no answer" in words
    assert "run 2 1 run_start, 1 raw" in words
    assert "note: Run 1: 1 frame with message code 99 passed over: neither the run nor this version tells" in words
    values = json_of(path, verb, capsys)
    first, second = values["runs"]
    assert first["frames_by_message"]["soil"] == 2
    assert first["frames_by_message"]["unknown_99"] == 1
    assert second["frames_by_message"] == {"run_start": 1, "raw": 1}
    assert (first["sensor_frames_lost"], first["sensor_silent"], first["lost_bytes"], first["loss_events"]) == (
        1,
        7,
        0,
        0,
    )
    assert any("message code 99 passed over" in note for note in values["notes"])


def test_losses_of_sensors_are_counted_apart(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path, two_runs())
    out = text_of(path, "verify", capsys)
    assert "counted lost  0 bytes of the line, 0 other events" in out
    assert "of sensors    1 frame found no room and 7 readings got no answer" in out
    values = json_of(path, "verify", capsys)
    assert (values["lost_bytes"], values["sensor_frames_lost"], values["sensor_silent"]) == (0, 1, 7)
    assert "of sensors" not in text_of(write(tmp_path, Log().run(own_descriptions())), "verify", capsys)


def test_salvage_lists_frames_by_their_runs_names(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path, two_runs())
    assert cli.main(["salvage", str(path), "--frames", "--json"]) == 0
    frames = json.loads(capsys.readouterr().out)["frames"]
    assert [one["message"] for one in frames if one["message"] not in ("description", "loss")] == [
        "run_start", "raw", "soil", "soil", "unknown_99", "analogue", "event", "run_start", "raw",
    ]  # fmt: skip


def notes_of(log: Log) -> tuple[str, ...]:
    report = verify(BytesSource(log.data()))
    assert report.notes == description_notes(log.salvage().survey())
    return report.notes


def test_nothing_is_said_of_a_run_that_describes_itself_as_this_version_does() -> None:
    log = Log().run(own_descriptions()).put(Analogue.CODE, 13, Analogue(1, 2).encode())
    assert notes_of(log) == ()


def test_nothing_is_said_of_an_older_run_without_sensors() -> None:
    assert notes_of(Log().run((), OLDER).put(Raw.CODE, 20, b"$y")) == ()


def test_missing_descriptions_are_said_of_all_runs_at_once() -> None:
    log = Log()
    for _ in range(3):
        log.run((), OLDER).put(Analogue.CODE, 13, Analogue(1, 2).encode())
    log.run().put(Raw.CODE, 20, b"$y")
    assert notes_of(log) == (
        "Runs 1 to 3: no description of the messages is in the log; analogue read by this version's own definition.",
        "Run 4: no description of the messages is in the log.",
    )


def test_incomplete_descriptions_are_said() -> None:
    some = [payload for payload in own_descriptions() if payload[1] not in (Analogue.CODE, Event.CODE)]
    log = Log().run(some).put(Analogue.CODE, 13, Analogue(1, 2).encode())
    total = len(own_descriptions())
    assert notes_of(log) == (
        f"Run 1: only {total - 2} of the {total} descriptions that the firmware writes are in the log.",
        "Run 1: analogue not described in the log; read by this version's own definition.",
    )


def test_unreadable_and_borrowed_descriptions_are_said() -> None:
    log = Log().run([SOIL, *own_descriptions()]).put(100, 10, b"\x01\x02")
    log.run([b"\x07nonsense", *own_descriptions()]).put(100, 10, b"\x01\x02")
    notes = notes_of(log)
    assert any("1 description of a message could not be read" in note for note in notes)
    assert any("Run 2 does not describe its message soil (code 100): 1 frame" in note for note in notes)


def test_a_different_description_is_said_and_counts() -> None:
    # code 8: "analogue" with another scale in input_1_mv, without input_2_mv, with a third.
    other = bytes([1, Analogue.CODE, 8]) + b"analogue" + b"".join(
        bytes([kind, 10]) + name + rest
        for kind, name, rest in (
            (0x61, b"input_1_mv", bytes([65, 1, 0, 2]) + b"mV"), (0x41, b"input_3_mv", bytes([2]) + b"mV"),
        )
    )  # fmt: skip
    log = Log().run([other, *(one for one in own_descriptions() if one[1] != Analogue.CODE)])
    log.put(Analogue.CODE, 13, Analogue(1, 2).encode())
    said = (
        f"Run 1: the log describes message {Analogue.CODE} otherwise than this version, and counts: with input_3_mv, "
        "without input_2_mv, another input_1_mv."
    )
    assert notes_of(log) == (said,)


def test_differences_in_words() -> None:
    known = by_spec(Event.CODE)
    level, ignored = known.fields
    assert difference(known, known) == ""
    assert difference(replace(known, name="bell"), known) == "it is bell, not event"
    assert difference(replace(known, fields=(ignored, level)), known) == "in another order"
    for changed in (
        replace(ignored, unit="s"), replace(ignored, scale=Scale(1, -1, 0)), replace(ignored, kind="i16"),
        replace(ignored, choices={0: "none"}),
    ):  # fmt: skip
        assert difference(replace(known, fields=(level, changed)), known) == "another ignored"
    renamed = replace(level, choices={0: "open", 1: "high"})
    assert difference(replace(known, fields=(renamed, ignored)), known) == "another level"
    # A later release may know more words; an earlier one fewer.
    for choices in ({0: "low", 1: "high", 2: "middle"}, {0: "low"}):
        assert difference(replace(known, fields=(replace(level, choices=choices), ignored)), known) == ""
    many = DescribedMessage(9, "event", tuple(DescribedField(f"x{n}", "u8", 1) for n in range(9)))
    assert "with x0, x1, x2, x3, x4, x5 and 3 more" in difference(many, known)


def test_notes_of_very_many_runs_are_bounded(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = Log()
    for _ in range(NOTES_MAX + 40):
        log.run((), OLDER).put(99, 13, b"x")
    notes = notes_of(log)
    assert len(notes) == NOTES_MAX + 1
    assert notes[-1] == "And 40 sentences of this kind more."
    out = text_of(write(tmp_path, log), "verify", capsys)
    assert f"and {NOTES_MAX} runs more (--json lists them)" in out
    assert len(out.splitlines()) < 400


def test_a_short_frame_of_the_runs_own_message_is_damage() -> None:
    log = Log().run([SOIL, *own_descriptions()]).put(100, 10, b"\x01")
    (damage,) = [one for one in verify(BytesSource(log.data())).findings if one.severity == "damage"]
    assert (damage.reason, damage.text) == ("short_payload", "a frame of soil: a payload shorter than its message")


def test_the_report_says_how_the_sensors_were_read(tmp_path: Path) -> None:
    log = Log().run([SOIL], OLDER).put(Description.CODE, 1, own_descriptions()[0])
    for second in range(20):
        log.put(100, 250_000 * second, (500 + second).to_bytes(2, "little"))
        log.put(Analogue.CODE, 250_000 * second + 9, Analogue(second, 2).encode())
    path = write(tmp_path, log)
    done = report(path, tmp_path / "day.html", pictures=tmp_path / "png")
    page = (tmp_path / "day.html").read_text(encoding="utf-8")
    assert "Soil: moisture" in page
    assert "Moisture: 50.0 to 51.9 %, median" in page
    assert "Run 1: analogue not described in the log; read by this version&#x27;s own definition." in page
    assert any(path.name.startswith("run1_sensor_") for path in done.pictures)
