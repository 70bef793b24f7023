"""What verify says of whole, cut, damaged and foreign journals, and what the reader refuses."""

from __future__ import annotations

import random

import pytest
from journal_maker import FILL, JOURNAL_ID, Maker, run_start
from offtake.errors import DamageError
from offtake.generated.records import BLOCK_SIZE, Loss, LossCause, Raw, RunStart, Status
from offtake.journal.codec import (
    JournalFormatError,
    encode_block,
    encode_frame,
    encode_journal_header,
    require_journal_header,
)
from offtake.journal.reader import Journal
from offtake.journal.source import BytesSource
from offtake.journal.verify import FINDINGS_MAX, VerifyReport, verify


def made(blocks: int, *runs: int, journal_id: int = JOURNAL_ID, end: bool = True) -> Maker:
    maker = Maker(blocks, journal_id)
    rng = random.Random(8)
    for count in runs:
        maker.flight(rng, count, end=end)
    return maker


def reasons(report: VerifyReport, severity: str) -> list[tuple[str, int, int]]:
    return [(one.reason, one.position, one.blocks) for one in report.findings if one.severity == severity]


def test_a_whole_journal_is_clean() -> None:
    maker = made(32, 8, 9)
    report = verify(BytesSource(maker.whole()))
    assert report.clean
    assert report.findings == []
    assert (report.blocks.intact, report.blocks.fill) == (17, 14)
    assert (report.first_block, report.last_block, report.missing_blocks) == (1, 17, 0)
    assert sum(report.frames_by_message.values()) == len(maker.put)
    assert [(run.run, run.first_block, run.last_block) for run in report.runs] == [(1, 1, 8), (2, 9, 17)]
    raw = sum(len(one.payload) for one in maker.put if one.code in (2, 3))
    assert sum(run.raw_bytes for run in report.runs) == raw
    assert report.runs[0].start == run_start()


def test_a_pulled_journal_without_its_fill_is_clean() -> None:
    assert verify(BytesSource(made(32, 8).used())).clean


def test_a_run_cut_off_is_a_note() -> None:
    report = verify(BytesSource(made(32, 8, end=False).whole()))
    assert report.clean
    assert reasons(report, "note") == [("no_run_end", 0, 0)]


def test_a_wrapped_journal_is_clean_and_its_oldest_run_has_lost_its_start() -> None:
    report = verify(BytesSource(made(14, 9, 9).whole()))
    assert report.clean
    assert (report.first_block, report.last_block) == (6, 18)
    assert reasons(report, "note") == [("no_run_start", 0, 0)]


def test_damaged_blocks_are_named_and_their_numbers_missed() -> None:
    data = bytearray(made(32, 12).whole())
    data[5 * BLOCK_SIZE + 100] ^= 1
    data[6 * BLOCK_SIZE + 100] ^= 1
    data[8 * BLOCK_SIZE] ^= 1
    report = verify(BytesSource(bytes(data)))
    assert not report.clean
    assert reasons(report, "damage") == [
        ("bad_block_check", 5, 2),
        ("bad_magic", 8, 1),
        ("missing_blocks", 7, 2),
        ("missing_blocks", 9, 1),
    ]
    assert (report.blocks.damaged, report.missing_blocks) == (3, 3)
    assert report.findings[0].offset == 5 * BLOCK_SIZE


def test_a_hole_is_damage_and_fill_behind_the_end_is_not() -> None:
    data = bytearray(made(32, 12).whole())
    data[5 * BLOCK_SIZE : 7 * BLOCK_SIZE] = FILL * 2
    report = verify(BytesSource(bytes(data)))
    assert reasons(report, "damage") == [("missing_blocks", 7, 2)]
    assert report.findings[0].text == "blocks 5 to 6 are missing"


def test_a_torn_end_is_damage() -> None:
    report = verify(BytesSource(made(32, 8).used()[:-100]))
    assert ("torn_end", 8, 1) in reasons(report, "damage")
    assert report.blocks.torn == 1


def test_blocks_of_an_older_journal_are_a_note() -> None:
    older, newer = made(32, 20, journal_id=77), made(32, 6)
    data = newer.used() + older.whole()[7 * BLOCK_SIZE :]
    report = verify(BytesSource(data))
    assert report.clean
    assert reasons(report, "note") == [("foreign_journal", 1, 14)]
    assert report.blocks.foreign == 14


def test_a_lost_header_is_damage_but_the_blocks_are_read() -> None:
    maker = made(32, 8)
    report = verify(BytesSource(bytes(BLOCK_SIZE) + maker.whole()[BLOCK_SIZE:]))
    assert reasons(report, "damage") == [("bad_magic", 0, 1)]
    assert (report.journal_id, report.blocks.intact) == (JOURNAL_ID, 8)


def test_a_block_out_of_its_place_is_damage() -> None:
    data = bytearray(made(32, 8).whole())
    data[9 * BLOCK_SIZE : 10 * BLOCK_SIZE] = data[3 * BLOCK_SIZE : 4 * BLOCK_SIZE]
    report = verify(BytesSource(bytes(data)))
    assert ("out_of_place", 9, 1) in reasons(report, "damage")


def one_block(*frames: tuple[int, bytes]) -> VerifyReport:
    maker = Maker(8)
    maker.run = 1
    maker.block(0, [(RunStart.CODE, 0, run_start().encode()), *((code, 0, payload) for code, payload in frames)])
    return verify(BytesSource(maker.whole()))


def test_an_unknown_code_is_a_note() -> None:
    report = one_block((99, b"later"))
    assert report.clean
    assert ("unknown_code", 0, 0) in reasons(report, "note")
    assert report.frames_by_message == {"run_start": 1, "unknown_99": 1}


def test_a_frame_that_does_not_decode_is_damage() -> None:
    report = one_block((Loss.CODE, b"\x09\0\0\0\0"), (Loss.CODE, b"\x01"))
    assert reasons(report, "damage") == [("out_of_range", 1, 1), ("short_payload", 1, 1)]
    assert report.findings[0].offset > BLOCK_SIZE


def test_losses_are_summed_by_what_they_count() -> None:
    frames = [Loss(cause, count).encode() for cause, count in zip(LossCause, (100, 20, 3, 7, 1000, 50, 6), strict=True)]
    report = one_block(*((Loss.CODE, payload) for payload in frames))
    assert (report.lost_bytes, report.loss_events) == (1107, 23)
    assert (report.sensor_frames_lost, report.sensor_silent) == (50, 6)


def test_bad_bytes_in_a_block_with_a_right_check_are_damage() -> None:
    frame = encode_frame(Raw.CODE, 0, b"here", JOURNAL_ID, 1)
    data = Maker(4).whole()[:BLOCK_SIZE] + encode_block(JOURNAL_ID, 1, 1, 0, frame + b"rubbish" + frame)
    report = verify(BytesSource(data))
    found = next(one for one in report.findings if one.reason == "bad_frame")
    assert found.text.startswith("7 bytes")


def test_findings_are_bounded() -> None:
    maker = made(32, 1)
    data = maker.used() + b"".join(
        (maker.used()[BLOCK_SIZE:] if n % 2 else b"\x55" * BLOCK_SIZE) for n in range(2 * FINDINGS_MAX)
    )
    report = verify(BytesSource(data))
    assert len(report.findings) == FINDINGS_MAX
    assert report.findings_left_out > 0


@pytest.mark.parametrize("data", [b"", b"x", bytes(4096), b"\xff" * 4096, random.Random(3).randbytes(5000)])
def test_what_is_no_journal_is_refused_and_reported(data: bytes) -> None:
    with pytest.raises(DamageError, match=r"^card\.jnl.*expected") as caught:
        Journal(BytesSource(data), "card.jnl")
    assert ("empty" in str(caught.value)) == (not data)
    report = verify(BytesSource(data))
    assert not report.clean
    assert report.findings[-1].reason in ("not_a_journal", "torn_end")
    assert report.runs == ()


def test_a_journal_without_blocks_is_clean() -> None:
    report = verify(BytesSource(Maker(8).whole()))
    assert report.clean
    assert (report.first_block, report.last_block, report.runs) == (None, None, ())


def test_reading_in_order_of_number() -> None:
    maker = made(14, 9, 9)
    journal = Journal(BytesSource(maker.whole()))
    assert [block.header.block_number for block in journal.blocks()] == list(range(6, 19))
    assert all(block.offset == block.position * BLOCK_SIZE for block in journal.blocks())
    assert [frame.offset for frame in journal.frames()] == [one.offset for one in maker.expected()]
    assert {frame.run for frame in journal.frames(run=2)} == {2}
    assert [run.run for run in journal.runs()] == [1, 2]


def test_requiring_a_header_says_what_and_where() -> None:
    good = encode_journal_header(require_journal_header(Maker(8).whole()[:BLOCK_SIZE], "x"))
    assert good == Maker(8).whole()[:BLOCK_SIZE]
    with pytest.raises(JournalFormatError, match=r"^a\.jnl at byte 0: .*\(expected the header") as caught:
        require_journal_header(good[:-1] + b"\0", "a.jnl")
    assert (caught.value.status, caught.value.offset, caught.value.exit_code) == (Status.BAD_BLOCK_CHECK, 0, 1)
