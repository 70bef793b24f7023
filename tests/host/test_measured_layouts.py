"""On whose word a run's messages are read; and what is counted and said of them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from journal_maker import run_start
from measured_logs import Log, own_descriptions
from offtake.generated.records import (
    BLOCK_SIZE,
    MESSAGES,
    Analogue,
    Description,
    Event,
    Level,
    Loss,
    LossCause,
    Raw,
    Supply,
)
from offtake.journal.events import run_events
from offtake.journal.layouts import Layouts, is_loggers
from offtake.journal.measured import Series, read_batches
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from offtake.journal.verify import verify


def described(code: int, name: str, *fields: tuple[int, str]) -> bytes:
    """A description's payload with fields of a kind's number (0: u8, 1: u16) and a name."""
    head = bytes([1, code, len(name)]) + name.encode()
    return head + b"".join(bytes([kind, len(word)]) + word.encode() for kind, word in fields)


WIND = described(100, "wind", (0, "speed"))
SOIL = described(100, "soil", (1, "moisture"))


def measured(log: Log, run: int) -> list[Series]:
    found = log.salvage()
    return list(read_batches(found.frame_tables(run), run, found.survey().layouts))


def test_a_runs_own_description_counts_and_no_other_runs() -> None:
    log = Log()
    log.run([WIND]).put(100, 10, b"\x07")
    log.run([SOIL]).put(100, 20, b"\x01\x02")
    (wind,), (soil,) = measured(log, 1), measured(log, 2)
    assert (wind.name, wind.layout, wind.columns[0].values.tolist()) == ("wind", "log", [7])
    assert (soil.name, soil.layout, soil.columns[0].values.tolist()) == ("soil", "log", [0x0201])
    assert (soil.tick_us.tolist(), soil.run, soil.frames) == ([80], 2, 1)


def test_a_run_that_lacks_it_is_read_as_all_others_are_and_that_is_said() -> None:
    log = Log()
    for descriptions in ([WIND], [WIND], []):
        log.run(descriptions).put(100, 10, b"\x07")
    (series,) = measured(log, 3)
    assert (series.name, series.layout) == ("wind", "journal")
    surveyed = log.salvage().survey()
    assert surveyed.notes(1) == ()
    (note,) = surveyed.notes(3)
    assert note == (
        "Run 3 does not describe its message wind (code 100): 1 frame, read as the journal's other runs describe it."
    )


def test_where_the_others_contradict_each_other_nothing_is_guessed() -> None:
    log = Log()
    for descriptions in ([WIND], [SOIL], []):
        log.run(descriptions).put(100, 10, b"\x07\x08")
    assert measured(log, 3) == []
    surveyed = log.salvage().survey()
    assert surveyed.runs[2].frames_by_message == {"run_start": 1, "unknown_100": 1}
    (note,) = surveyed.notes(3)
    assert note == (
        "Run 3: 1 frame with message code 100 passed over: "
        "neither the run nor this version tells what such a message holds."
    )
    assert surveyed.name(100) == "message_100"


def test_without_any_description_the_spec_counts() -> None:
    log = Log()
    log.run().put(Analogue.CODE, 10, Analogue(12, 34).encode()).put(99, 11, b"what?")
    (series,) = measured(log, 1)
    assert (series.name, series.layout) == ("analogue", "spec")
    assert [(one.name, one.unit, one.values.tolist()) for one in series.columns] == [
        ("input_1_mv", "mV", [12]), ("input_2_mv", "mV", [34])
    ]  # fmt: skip
    surveyed = log.salvage().survey()
    assert surveyed.runs[0].frames_by_message == {"run_start": 1, "analogue": 1, "unknown_99": 1}
    assert len(surveyed.notes(1)) == 1


def test_a_later_release_of_a_known_message_is_read_with_all_its_fields() -> None:
    """And an older one by its own description, without what it did not have."""
    later = described(Analogue.CODE, "analogue", (1, "input_1_mv"), (1, "input_2_mv"), (0, "quality"))
    older = described(Analogue.CODE, "analogue", (1, "input_1_mv"))
    log = Log()
    log.run([later]).put(Analogue.CODE, 10, b"\1\0\2\0\3")
    log.run([older]).put(Analogue.CODE, 10, b"\1\0")
    assert [one.name for one in measured(log, 1)[0].columns] == ["input_1_mv", "input_2_mv", "quality"]
    assert [one.name for one in measured(log, 2)[0].columns] == ["input_1_mv"]
    assert verify(BytesSource(log.data())).clean


def test_the_loggers_own_messages_are_read_by_the_spec_whatever_a_run_says() -> None:
    log = Log()
    log.run([described(Supply.CODE, "temperature", (0, "degrees")), described(Raw.CODE, "poem", (0, "x"))])
    log.put(Supply.CODE, 5, Supply(5000, 1).encode()).put(Raw.CODE, 6, b"abc")
    surveyed = log.salvage().survey()
    assert measured(log, 1) == []
    assert surveyed.runs[0].raw_bytes == 3
    assert surveyed.runs[0].frames_by_message == {"run_start": 1, "raw": 1, "supply": 1, "description": 2}
    assert surveyed.notes(1) == ()


def test_every_message_of_the_logger_is_known_as_such() -> None:
    loggers = [MESSAGES[code].NAME for code in MESSAGES if is_loggers(code)]
    assert loggers == ["run_start", "raw", "raw_more", "loss", "supply", "run_end", "description"]


@pytest.mark.parametrize("broken", [b"", b"\x02" + SOIL[1:], SOIL[:-1], b"\x01\x64\x04so/l", b"\xff" * 40])
def test_a_description_that_cannot_be_read_goes_unused_with_a_word(broken: bytes) -> None:
    log = Log()
    log.run([broken]).put(100, 10, b"\x07").put(Analogue.CODE, 20, Analogue(1, 2).encode())
    assert [(one.name, one.layout) for one in measured(log, 1)] == [("analogue", "spec")]
    notes = log.salvage().survey().notes(1)
    assert notes[0] == "Run 1: 1 description of a message could not be read and went unused."
    assert "message code 100 passed over" in notes[1]


def test_a_second_description_of_one_message_does_not_change_the_first() -> None:
    log = Log()
    log.run([WIND, SOIL, WIND]).put(100, 10, b"\x07\x08")
    assert [one.name for one in measured(log, 1)] == ["wind"]
    (note,) = log.salvage().survey().notes(1)
    assert note == "Run 1: 1 description contradicts an earlier one of the same message; the first counts."


def test_a_description_in_a_damaged_block_does_not_outdo_one_whose_run_is_sure() -> None:
    log = Log()
    log.run([WIND]).put(100, 10, b"\x07")
    frames = list(log.salvage().frames())
    sure = next(frame for frame in frames if frame.code == Description.CODE)
    likely = sure._replace(payload=SOIL, run=None, header_run=1)
    for order in ((likely, sure), (sure, likely)):
        layouts = Layouts()
        for frame in order:
            layouts.add(frame)
        assert layouts.name(1, 100) == "wind"
    layouts = Layouts()
    layouts.add(likely)
    assert layouts.name(1, 100) == "soil"


def test_different_descriptions_are_bounded() -> None:
    log = Log()
    log.run([WIND])
    frame = next(one for one in log.salvage().frames() if one.code == Description.CODE)
    layouts = Layouts()
    for number in range(5000):
        name = "m" + "".join(chr(97 + number // 26**place % 26) for place in range(3))
        layouts.add(frame._replace(payload=described(100, name), run=number, header_run=number))
    assert layouts.name(0, 100) == "maaa"
    assert layouts.of(4999, 100) is None
    assert any("4,096 different descriptions" in note for note in layouts.notes(1, {}))


def test_losses_of_sensors_are_no_line_bytes() -> None:
    log = Log()
    log.run(own_descriptions())
    for cause, count in ((LossCause.SENSOR_ROOM, 12), (LossCause.SENSOR_SILENT, 3), (LossCause.RING_FULL, 5)):
        log.put(Loss.CODE, 10, Loss(cause, count).encode())
    (info,) = log.salvage().runs()
    assert (info.lost_bytes, info.loss_events, info.sensor_frames_lost, info.sensor_silent) == (5, 0, 12, 3)


def test_verify_names_messages_by_the_log_and_finds_short_ones() -> None:
    log = Log()
    log.run([SOIL, *own_descriptions()]).put(100, 10, b"\x01\x02").put(99, 11, b"").put(98, 12, b"")
    log.put(Event.CODE, 13, Event(Level.HIGH, 0).encode())
    report = verify(BytesSource(log.data()))
    assert report.clean
    names = {name: count for name, count in report.frames_by_message.items() if name != "description"}
    assert names == {"run_start": 1, "event": 1, "unknown_98": 1, "unknown_99": 1, "soil": 1}
    told = [one.text for one in report.findings if one.reason in ("unknown_code", "described_code")]
    assert "1 frames of soil (message code 100), known from the runs' own descriptions alone" in told
    assert len(told) == 3
    log = Log()
    log.run([SOIL]).put(100, 10, b"\x01").put(Event.CODE, 13, b"\x01").put(Event.CODE, 14, b"\x09\0\0")
    found = [(one.reason, one.text) for one in verify(BytesSource(log.data())).findings if one.severity == "damage"]
    assert found == [
        ("short_payload", "a frame of soil: a payload shorter than its message"),
        ("short_payload", "a frame of event: a payload shorter than its message"),
    ]


def test_a_choice_of_a_later_release_is_no_damage() -> None:
    later = described(Event.CODE, "event", (0, "level"), (1, "ignored"))
    log = Log()
    log.run([later]).put(Event.CODE, 10, b"\x05\0\0")
    assert verify(BytesSource(log.data())).clean


def test_an_event_input_of_another_firmware_is_not_taken_for_ours() -> None:
    log = Log()
    log.run([described(Event.CODE, "doorbell", (0, "rings"))]).put(Event.CODE, 10, b"\x01\0\0")
    log.run([described(Event.CODE, "event", (0, "level"), (1, "ignored"))]).put(Event.CODE, 10, b"\x01\0\0")
    log.run(own_descriptions()).put(Event.CODE, 10, Event(Level.LOW, 1).encode())
    found = log.salvage()
    kinds = [[(one.kind, one.cause) for one in run_events(found.frame_tables(run), run)] for run in (1, 2, 3)]
    start = ("run_start", "power_on")
    assert kinds == [[start], [start, ("event", "other")], [start, ("event", "low")]]
    assert run_events(found.frame_tables(3), 3)[1].text == "the event input went low; 1 edge before it did not last"


def test_a_run_whose_beginning_is_lost_to_wrapping_is_still_read() -> None:
    log = Log()
    log.run(own_descriptions(), replace(run_start(), spec_hash=7))
    for second in range(30):
        log.put(Analogue.CODE, 1000 * second, Analogue(second, 0).encode())
    log.run(own_descriptions()).put(Analogue.CODE, 1, Analogue(1, 2).encode())
    data = bytearray(log.data())
    first_run = next(one for one in log.salvage().runs() if one.run == 1)
    lost = first_run.last_block - 1
    data[BLOCK_SIZE : (1 + lost) * BLOCK_SIZE] = b"\xff" * (lost * BLOCK_SIZE)
    found = salvage(BytesSource(bytes(data)))
    (series,) = read_batches(found.frame_tables(1), 1, found.survey().layouts)
    assert (series.layout, len(series.tick_us) > 5) == ("journal", True)
