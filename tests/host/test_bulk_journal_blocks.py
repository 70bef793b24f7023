"""Blocks and frames a window at a time are those that the codec finds one by one, with compiled code and without."""

from __future__ import annotations

import random
import zlib
from collections.abc import Callable

import numpy as np
import pytest
from damage_ways import WAYS, damaged
from journal_maker import JOURNAL_ID
from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE, BLOCK_SPACE, BLOCK_VERSION, Raw, Status
from offtake.journal.bulk.checks import crc32_of, seeds_of
from offtake.journal.bulk.frames import FrameTable, packed
from offtake.journal.bulk.parse import frames_of
from offtake.journal.bulk.window import BlockTable, classify_blocks, scan_blocks
from offtake.journal.codec import encode_block, encode_frame, encode_tick, frame_seed, parse_frame, seal
from offtake.journal.frames import Frame, frames_of_intact
from offtake.journal.scan import Kind, Seen, block_total
from offtake.journal.source import BytesSource
from scalar_scan import walk

BOTH_WAYS = pytest.mark.usefixtures("code")


@pytest.fixture(params=["compiled", "plain"])
def code(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whether the compiled kernels are used."""
    if request.param == "plain":
        monkeypatch.setenv("OFFTAKE_NO_NATIVE", "1")


def tables(data: bytes, journal_id: int | None, at_once: int) -> list[BlockTable]:
    source = BytesSource(data)
    return list(scan_blocks(source, journal_id, 0, block_total(source), at_once))


def check_equal(data: bytes, journal_id: int | None, at_once: int) -> None:
    """Every column of the tables, against what the codec says of each block."""
    source = BytesSource(data)
    expected = list(walk(source, journal_id, 0, block_total(source)))
    found = tables(data, journal_id, at_once)
    assert [one.seen(index) for one in found for index in range(len(one))] == expected
    assert [one.position for one in expected] == [at for one in found for at in one.position.tolist()]
    columns = zip(
        *([getattr(one, name) for one in found] for name in ("number", "run", "used", "open_tick")), strict=True
    )
    flat = [row for parts in columns for row in zip(*(part.tolist() for part in parts), strict=True)]
    assert flat == [header_of(one) for one in expected]
    if journal_id is None:
        return
    intact = [(one, list(frames_of_intact(one))) for one in expected if one.kind is Kind.INTACT]
    parsed = [frames_of(one) for one in found]
    assert [frame for frames, _ in parsed for frame in frames.frames()] == [
        one for _, all_of in intact for one in all_of
    ]
    unexplained = {seen.position: seen.header.used_bytes - sum(one.size for one in all_of)
                   for seen, all_of in intact if seen.header}  # fmt: skip
    for blocks, (_, left) in zip(found, parsed, strict=True):
        assert left.tolist() == [unexplained.get(position, 0) for position in blocks.position.tolist()]


def header_of(seen: Seen) -> tuple[int, int, int, int]:
    header = seen.header
    if header is None:
        return 0, -1, 0, -1
    return header.block_number, header.run_number, header.used_bytes, header.open_tick


@BOTH_WAYS
@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)
def test_blocks_and_frames_are_those_found_one_by_one(way: Callable[[bytearray, random.Random], None]) -> None:
    for seed in range(2):
        data = damaged(seed, way)
        for journal_id, at_once in ((JOURNAL_ID, 4096), (JOURNAL_ID, 7), (JOURNAL_ID + 1, 16), (None, 9)):
            check_equal(data, journal_id, at_once)


def every_verdict() -> list[bytes]:
    """A block for each rule, with what the rules after it ask for wrong too."""
    good = encode_block(JOURNAL_ID, 9, 2, 77, encode_frame(Raw.CODE, 5, b"abc", JOURNAL_ID, 9))
    content = bytearray(good[: BLOCK_SIZE - 4])
    foreign = encode_block(1, 9, 2, 77, b"")

    def with_form(used: int, version: int = BLOCK_VERSION) -> bytes:
        changed = content.copy()
        changed[1:3] = (used | version << 9).to_bytes(2, "little")
        return seal(bytes(changed))

    padded = [seal(bytes(content[:at]) + b"\1" + bytes(content[at + 1 :])) for at in (*range(40, 60), *range(500, 508))]
    no_number = content.copy()
    no_number[7:11] = bytes(4)
    return [
        good, foreign, *padded, seal(bytes(no_number)), with_form(BLOCK_SPACE + 1), with_form(511), with_form(3, 2),
        with_form(BLOCK_SPACE), b"\xd8" + good[1:], good[:-1] + bytes([good[-1] ^ 1]), bytes(BLOCK_SIZE),
        b"\xff" * BLOCK_SIZE, b"\xff" * 500 + b"\xfe" * 12, b"\x55" * BLOCK_SIZE, good[:100],
    ]  # fmt: skip


@BOTH_WAYS
def test_every_verdict_on_a_block() -> None:
    blocks = every_verdict()
    data = b"".join(blocks)
    check_equal(data, JOURNAL_ID, 4096)
    verdicts = {Status(int(one)) for one in tables(data, JOURNAL_ID, 4096)[0].status}
    assert verdicts == {
        Status.OK, Status.FOREIGN_JOURNAL, Status.BAD_PADDING, Status.OUT_OF_RANGE, Status.BAD_USED, Status.BAD_VERSION,
        Status.BAD_MAGIC, Status.BAD_BLOCK_CHECK, Status.SHORT_INPUT,
    }  # fmt: skip
    # Each alone: what is around a block does not matter.
    for block in blocks[:-1]:
        check_equal(block, JOURNAL_ID, 4096)


def odd_ticks() -> list[bytes]:
    """Tick offsets as a frame may have them: every size, the greatest, not the shortest, too great, without an end."""
    good = [encode_tick(2**bits - 1 + more) for bits in (0, 6, 7, 13, 14, 20, 21, 27, 28, 31) for more in (0, 1)]
    return [*good, encode_tick(2**32 - 1), b"\x80\x00", b"\x85\x80\x00", b"\xff\xff\xff\xff\x10", b"\x80" * 4 + b"\x00",
            b"\x80" * 4 + b"\x0f", b"\xff" * 5, b"\x80" * 5 + b"\x01"]  # fmt: skip


@BOTH_WAYS
def test_frames_of_every_form_and_what_is_none() -> None:
    rng = random.Random(3)
    forms = [(code, tick, size) for tick in odd_ticks() for code, size in ((2, 0), (127, 9), (0, 4), (3, 400))]
    data = b""
    for number, (code, tick, size) in enumerate(forms, 1):
        body = (size | code << 9).to_bytes(2, "little") + tick + rng.randbytes(size)
        content = encode_frame(Raw.CODE, 1, b"before", JOURNAL_ID, number)
        content += body + zlib.crc32(body, frame_seed(JOURNAL_ID, number)).to_bytes(4, "little")
        content += encode_frame(Raw.CODE, 2, b"behind", JOURNAL_ID, number)
        content += bytes(rng.choice((0, 0, 3, 6)))
        data += encode_block(JOURNAL_ID, number, 1, 2**32 - 2, content)
        # The same with the second frame's check wrong, or cut short by what the block says is used.
        data += encode_block(JOURNAL_ID, number, 1, 0, content[:12] + b"\0" + content[13:])
        data += encode_block(JOURNAL_ID, number, 1, 0, content[: rng.randrange(len(content))])
    check_equal(data, JOURNAL_ID, 4096)


@BOTH_WAYS
def test_frames_that_were_checked_before_are_not_checked_again() -> None:
    content = encode_frame(Raw.CODE, 1, b"one", JOURNAL_ID, 1) + encode_frame(Raw.CODE, 1, b"two", JOURNAL_ID, 1)
    wrong = bytearray(content)
    wrong[4] ^= 1
    data = encode_block(JOURNAL_ID, 1, 1, 0, bytes(wrong)) * 2
    blocks = classify_blocks(data, np.arange(2), JOURNAL_ID)
    checked = np.array([True, False])
    assert [frame.position for frame in frames_of(blocks, checked)[0].frames()] == [0, 0, 1]
    assert [frame.position for frame in frames_of(blocks)[0].frames()] == [0, 1]


def test_rows_and_packed_rows_are_the_frames_of_the_table() -> None:
    table = frames_of(tables(damaged(4), JOURNAL_ID, 4096)[0])[0]
    every = list(table.frames())
    chosen = np.array([0, 3, 4, 11, len(every) - 1])
    expected = [every[row] for row in chosen]
    for some in (table.taken(chosen), packed(table.taken(chosen))):
        assert list(some.frames()) == expected == [some.frame(row) for row in range(len(some))]
        assert [some.payload(row) for row in range(len(some))] == [one.payload for one in expected]
        assert some.offset.tolist() == [one.offset for one in expected]
    assert len(packed(table.taken(chosen)).data) == len({one.position for one in expected}) * BLOCK_SIZE
    assert likely(table) == [(one.likely_run, one.likely_tick) for one in every]


def likely(table: FrameTable) -> list[tuple[int | None, int | None]]:
    pairs = zip(table.likely_run.tolist(), table.likely_tick.tolist(), strict=True)
    return [(None if run < 0 else run, None if tick < 0 else tick) for run, tick in pairs]


def test_checks_of_any_size_at_any_place() -> None:
    rng = np.random.default_rng(5)
    data = rng.integers(0, 256, 40_000, np.uint8).tobytes()
    for count in (0, 1, 255, 256, 2_000):
        sizes = rng.integers(0, 300, count)
        starts = rng.integers(0, len(data) - 300, count)
        # Some at the very end, where no whole piece can be fetched any more.
        starts[: count // 8] = len(data) - sizes[: count // 8]
        seeds = rng.integers(0, 2**32, count, np.uint64).astype(np.uint32)
        found = crc32_of(data, starts, starts + sizes, seeds)
        places = zip(starts.tolist(), (starts + sizes).tolist(), seeds.tolist(), strict=True)
        assert found.tolist() == [zlib.crc32(data[start:end], seed) for start, end, seed in places]


def test_seeds_of_many_numbers() -> None:
    numbers = np.array([1, 2, 255, 256, 2**31, 2**32 - 1, *random.Random(1).sample(range(2**32), 50)])
    for journal_id in (0, 1, JOURNAL_ID, 2**32 - 1):
        assert seeds_of(journal_id, numbers).tolist() == [frame_seed(journal_id, int(one)) for one in numbers]


def test_the_codecs_word_on_the_odd_ticks() -> None:
    """What the frames above are made of really is what it is called."""
    seed = frame_seed(JOURNAL_ID, 1)
    verdicts = []
    for tick in odd_ticks():
        body = b"\0\x04" + tick
        frame = body + zlib.crc32(body, seed).to_bytes(4, "little")
        verdicts.append(parse_frame(frame, 0, len(frame), seed)[0])
    assert verdicts[:21] == [Status.OK] * 21
    assert verdicts[21:26] == [Status.BAD_TICK] * 4 + [Status.OK]
    assert verdicts[26:] == [Status.BAD_TICK] * 2


def test_a_source_that_returns_less_than_it_promised() -> None:
    class Shrunk(BytesSource):
        size = 10_000

    data = damaged(1)[: 6 * BLOCK_SIZE + BLOCK_HEADER_SIZE]
    short = Shrunk(data)
    short.size = 20 * BLOCK_SIZE
    for at_once in (1, 4, 7, 4096):
        found = list(scan_blocks(short, JOURNAL_ID, 1, 20, at_once))
        seen = [one.seen(index) for one in found for index in range(len(one))]
        assert seen == list(walk(BytesSource(data), JOURNAL_ID, 1, 7))


def test_frames_need_a_journal() -> None:
    blocks = tables(damaged(1), None, 4096)[0]
    frames, unexplained = frames_of(blocks)
    assert (len(frames), int(unexplained.sum())) == (0, 0)
    empty: list[Frame] = []
    assert list(frames.frames()) == empty
