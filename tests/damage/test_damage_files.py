"""Files that are cut, empty, senseless, or whose header lies."""

from __future__ import annotations

import random
import struct
from dataclasses import replace

import pytest
from damage_checks import check_readers, check_salvage, check_streams
from damage_journals import LONG, NAMES, Recorded, older_journal, recorded
from journal_maker import Put
from offtake.generated.records import BLOCK_SIZE, JournalHeader, Status
from offtake.journal.codec import encode_journal_header, require_journal_header, seal

ALL = pytest.mark.parametrize("name", NAMES)


def header_of(journal: Recorded) -> JournalHeader:
    return require_journal_header(journal.block(0), "test")


def with_header(journal: Recorded, block: bytes) -> bytes:
    return block + journal.data[BLOCK_SIZE:]


@pytest.mark.parametrize("name", ["core straight", "core wrapped"])
def test_recorded_journals_cut_at_every_offset(name: str) -> None:
    # Made journals are cut in tests/host/test_journal_truncation.py.
    journal = recorded(name)
    for cut in range(BLOCK_SIZE, journal.used * BLOCK_SIZE, 1 if LONG else 5):
        data = journal.data[:cut]
        kept = {one.offset for one in journal.put if one.offset + one.size <= cut}
        _, frames = check_salvage(data, journal.put, kept)
        assert {one.offset for one in frames} == kept
        # At a block's edge a straight journal only seems shorter.
        check_readers(data, damaged=cut % BLOCK_SIZE > 0 or (bool(journal.before) and cut > BLOCK_SIZE))


@ALL
def test_cut_within_the_header(name: str) -> None:
    data = recorded(name).data
    for cut in range(BLOCK_SIZE):
        found, frames = check_salvage(data[:cut], ())
        assert (frames, found.account.recovered) == ([], 0)
        check_readers(data[:cut], damaged=True)


@ALL
def test_the_front_cut_off_at_any_offset(name: str) -> None:
    # Then no block lies on a block's edge, and none is found unless whole blocks are missing.
    journal = recorded(name)
    for cut in [*range(1, BLOCK_SIZE, 1 if LONG else 5), *range(BLOCK_SIZE, journal.used * BLOCK_SIZE, BLOCK_SIZE)]:
        data = journal.data[cut:]
        aligned = cut % BLOCK_SIZE == 0
        gone = cut // BLOCK_SIZE
        moved = [replace(one, position=one.position - gone, offset=one.offset - cut) for one in journal.put]
        kept = {one.offset for one in moved if one.offset >= 0} if aligned else set()
        check_salvage(data, moved if aligned else journal.put, kept)
        check_readers(data, damaged=True)


@ALL
def test_a_file_joined_to_itself_or_to_another(name: str) -> None:
    journal = recorded(name)
    other = older_journal(journal.blocks)
    here = {one.offset for one in journal.put}
    for tail in (journal.data, other.whole(), journal.data[:1000], other.whole()[700:]):
        check_salvage(journal.data + tail, journal.put, here, journal_id=journal.journal_id)
        # Its second header is no block.
        check_readers(journal.data + tail, damaged=True)
        check_streams(journal.data + tail, journal)


@pytest.mark.parametrize("size", [0, 1, 17, 507, 508, 511, 512, 513, 1024, 7 * BLOCK_SIZE + 3, 60 * BLOCK_SIZE])
@pytest.mark.parametrize("fill", ["random", "00", "ff", "d7", "magic"])
def test_files_without_sense(size: int, fill: str) -> None:
    data = {
        "random": random.Random(size).randbytes(size),
        "00": bytes(size),
        "ff": b"\xff" * size,
        "d7": b"\xd7" * size,
        "magic": (b"OFTKJNL1" * (size // 8 + 1))[:size],
    }[fill]
    found, frames = check_salvage(data, ())
    assert (frames, found.account.recovered, found.account.skipped_bytes) == ([], 0, size)
    check_readers(data, damaged=True)


@ALL
@pytest.mark.parametrize("blocks", [2, 3, 5, 13, 15, 1000, 2**31, 2**32 - 1])
def test_a_header_with_the_wrong_number_of_blocks(name: str, blocks: int) -> None:
    journal = recorded(name)
    data = with_header(journal, encode_journal_header(replace(header_of(journal), blocks=blocks)))
    # By the header's word a block may have another number; none of them may be taken for one.
    check_salvage(data, (*journal.put, *journal.past), {one.offset for one in journal.put})
    # A file shorter than its header says is what a pull of a straight journal leaves.
    check_readers(data, damaged=bool(journal.before) or blocks < journal.used)


@ALL
def test_a_lying_header_over_damaged_blocks(name: str) -> None:
    journal = recorded(name)
    rng = random.Random(17)
    for blocks in (2, 3, 4, 9, 1000, 2**32 - 1):
        data = bytearray(with_header(journal, encode_journal_header(replace(header_of(journal), blocks=blocks))))
        hit = [rng.randrange(BLOCK_SIZE, journal.used * BLOCK_SIZE) for _ in range(6)]
        for at in set(hit):
            data[at] ^= 0x11
        kept = {o.offset for o in journal.put if not any(o.offset <= at < o.offset + o.size for at in hit)}
        truth = (*journal.put, *journal.past)
        check_salvage(bytes(data), truth, kept if all(at % BLOCK_SIZE > 16 for at in hit) else None)
        check_readers(bytes(data), damaged=True)


LIES = {
    "version": (8, b"\x02"),
    "when full": (9, b"\x07"),
    "blocks 0": (14, struct.pack("<I", 0)),
    "blocks 1": (14, struct.pack("<I", 1)),
    "speed 0": (18, struct.pack("<I", 0)),
    "speed beyond all": (18, struct.pack("<I", 2**32 - 1)),
    "gap 0": (22, b"\0"),
    "close 0": (23, b"\0\0"),
    "supply 0": (25, b"\0\0"),
}


@ALL
@pytest.mark.parametrize("lie", LIES)
def test_a_sealed_header_out_of_its_ranges(name: str, lie: str) -> None:
    # The offsets are those of shared_spec/block.toml; the check is right, so that only the values are at fault.
    journal = recorded(name)
    at, value = LIES[lie]
    content = bytearray(journal.block(0)[:-4])
    content[at : at + len(value)] = value
    data = with_header(journal, seal(bytes(content)))
    found, frames = check_salvage(data, journal.put, {one.offset for one in journal.put})
    assert found.header is None
    assert found.header_status is not Status.OK
    assert (found.journal_id, found.id_from) == (journal.journal_id, "blocks")
    assert len(frames) == len(journal.put)
    assert not any(one.after_damage for one in frames)
    check_readers(data, damaged=True)


@ALL
def test_a_header_that_a_later_release_made_longer_is_read(name: str) -> None:
    # Byte 300 lies behind every field that this release knows.
    journal = recorded(name)
    content = bytearray(journal.block(0)[:-4])
    content[300] = 1
    data = with_header(journal, seal(bytes(content)))
    found, frames = check_salvage(data, journal.put, {one.offset for one in journal.put})
    assert (found.header, found.header_status) == (header_of(journal), Status.OK)
    assert (found.journal_id, found.id_from) == (journal.journal_id, "header")
    assert len(frames) == len(journal.put)
    check_readers(data, damaged=False)


LABELS = (b"\xff\xfe\x80abc", b"a\0b", b"\x1b[2J\r\n\t\x07", b"\xed\xa0\x80" * 10, b"\xff" * 32)


@ALL
@pytest.mark.parametrize("label", LABELS)
def test_a_label_of_any_bytes_harms_nothing(name: str, label: bytes) -> None:
    journal = recorded(name)
    content = bytearray(journal.block(0)[:-4])
    content[31:63] = label.ljust(32, b"\0")
    data = with_header(journal, seal(bytes(content)))
    found, frames = check_salvage(data, journal.put, {one.offset for one in journal.put})
    assert found.header is not None
    assert len(frames) == len(journal.put)
    check_readers(data, damaged=False)


@ALL
def test_a_header_of_another_journal(name: str) -> None:
    # As a journal made anew over an old one: the blocks are whole, and another's.
    journal = recorded(name)
    data = with_header(journal, encode_journal_header(replace(header_of(journal), journal_id=0x0DDBA11)))
    found, frames = check_salvage(data, ())
    assert frames == []
    assert found.account.skipped["foreign_journal"] == (journal.used - 1) * BLOCK_SIZE
    report = check_readers(data, damaged=False)
    assert [one.reason for one in report.findings] == ["foreign_journal"]


@ALL
def test_zeros_and_ones_mixed_into_everything(name: str) -> None:
    # Many places at once; what no damage touched comes back whole.
    journal = recorded(name)
    rng = random.Random(23)
    for _ in range(1000 if LONG else 150):
        data = bytearray(journal.data)
        kept = {one.offset for one in journal.put}
        for _ in range(rng.randrange(1, 12)):
            first = rng.randrange(BLOCK_SIZE, journal.used * BLOCK_SIZE)
            length = rng.choice([1, 2, 8, 60, 300])
            data[first : first + length] = rng.choice([b"\0", b"\xff", b"\xd7"]) * len(data[first : first + length])
            kept &= journal.untouched(first, first + length)
        truth: list[Put] = [*journal.put, *journal.past]
        check_salvage(bytes(data), truth, kept)
        check_streams(bytes(data), journal)
