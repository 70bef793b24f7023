"""What the campaign of damage found, each with the way it went wrong before."""

from __future__ import annotations

import random
from dataclasses import replace

from damage_checks import check_salvage
from damage_journals import Recorded, recorded
from journal_maker import FILL, JOURNAL_ID, Maker, Put
from offtake.generated.records import BLOCK_SIZE, Raw
from offtake.journal.bulk.stream import chunks_of_windows, stream_windows
from offtake.journal.codec import encode_journal_header, require_journal_header
from offtake.journal.reader import Journal
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from offtake.journal.stream import salvaged_windows
from offtake.journal.verify import verify


def put_at(journal: Recorded, position: int, block: bytes) -> bytes:
    at = position * BLOCK_SIZE
    return journal.data[:at] + block + journal.data[at + BLOCK_SIZE :]


def test_swapped_blocks_come_in_order_of_their_numbers() -> None:
    # All that lay with one shift came first: block 7 at position 3 after every other block, block 3 before.
    journal = recorded("made straight")
    data = bytearray(put_at(journal, 3, journal.block(7)))
    data[7 * BLOCK_SIZE : 8 * BLOCK_SIZE] = journal.block(3)
    expected = [one.block_number for one in journal.put]
    assert [one.block_number for one in salvage(BytesSource(bytes(data))).frames()] == expected
    assert [one.block_number for one in Journal(BytesSource(bytes(data))).frames()] == expected


def test_a_copy_of_a_block_is_not_exported_twice() -> None:
    # The copy's bytes came once more, where its shift put them, and were counted once more.
    journal = recorded("made straight")
    data = put_at(journal, journal.used, journal.block(3))
    found = salvage(BytesSource(data))
    whole = salvage(BytesSource(journal.data))
    assert found.runs() == whole.runs()
    for run in (1, 2):
        expected = b"".join(chunk.data for chunk in chunks_of_windows(salvaged_windows(whole, run)))
        assert b"".join(chunk.data for chunk in chunks_of_windows(salvaged_windows(found, run))) == expected
        assert (
            b"".join(
                chunk.data for chunk in chunks_of_windows(stream_windows(Journal(BytesSource(data)).frame_tables(run)))
            )
            == expected
        )


def test_first_blocks_as_never_written_are_missing() -> None:
    # The first number found was taken for the first there ever was: clean, with a note of a wrapped journal.
    journal = recorded("made straight")
    data = journal.data[:BLOCK_SIZE] + FILL * 3 + journal.data[4 * BLOCK_SIZE :]
    report = verify(BytesSource(data))
    missing = next(one for one in report.findings if one.reason == "missing_blocks")
    assert (missing.severity, missing.text) == ("damage", "blocks 1 to 3 are missing")
    assert report.missing_blocks == 3


def test_a_wrapped_journal_cut_within_its_newest_lap_has_lost_the_rest() -> None:
    # As above: what was left began at its lowest number.
    maker = Maker(14)
    rng = random.Random(2)
    maker.flight(rng, 9)
    maker.flight(rng, 9)
    report = verify(BytesSource(maker.whole()[: 5 * BLOCK_SIZE]))
    assert (report.first_block, report.last_block, report.missing_blocks) == (14, 17, 9)
    assert not report.clean


def test_blocks_beyond_the_end_that_the_header_gives_are_out_of_place() -> None:
    # A block whose number was that of its position passed, wherever the lap ended.
    journal = recorded("made straight")
    header = replace(require_journal_header(journal.block(0), "test"), blocks=9)
    report = verify(BytesSource(encode_journal_header(header) + journal.data[BLOCK_SIZE:]))
    assert [one.position for one in report.findings if one.reason == "out_of_place"] == list(range(9, journal.used))


def test_an_old_tear_in_the_last_block_of_the_file_still_shows_the_lap_before() -> None:
    # With the tip just before the file's last block, that block is of the lap before, and what a tear in it once left
    # is of the lap before that: two back from its neighbour, and with nothing behind it salvage looked one back only.
    maker = Maker(6)
    maker.run = 1
    rng = random.Random(9)
    kept: list[Put] = []
    blocks: dict[int, bytes] = {}
    for number in range(1, 15):
        maker.block(0, [(Raw.CODE, n, rng.randbytes(60)) for n in range(3)])
        blocks[number] = maker.whole()[maker.position(number) * BLOCK_SIZE :][:BLOCK_SIZE]
        kept += [one for one in maker.put if one.block_number == number]
    assert (maker.position(14), maker.position(10), maker.position(5)) == (4, 5, 5)
    torn = 100
    data = maker.whole()[: 5 * BLOCK_SIZE] + blocks[10][:torn] + blocks[5][torn:]
    stale = {one.offset for one in kept if one.block_number == 5 and one.offset >= 5 * BLOCK_SIZE + torn}
    assert stale
    _, frames = check_salvage(data, kept, stale, journal_id=JOURNAL_ID)
    assert {one.block_number for one in frames if one.offset in stale} == {5}
