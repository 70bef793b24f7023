"""Pulling a journal: over good, bad and broken lines, from files and cards, with everything that may be in the way."""

from __future__ import annotations

import os
import random
import resource
from pathlib import Path

import pytest
from fake_logger import FakeLogger, Faults, MemoryPort, PtyLogger, make_journal
from hypothesis import given, settings
from hypothesis import strategies as st
from offtake.card import make_card_image, prepare_in_image
from offtake.errors import DamageError, InputOutputError, UsageError
from offtake.generated.records import BLOCK_SIZE, CardState, ReadPacket
from offtake.jobs.pull import pull_from
from offtake.journal.tip import LOOK_PAST_BLOCKS, Tip
from offtake.link import open_desk
from offtake.link.desk import Desk, Patience
from offtake.link.pull import PullResult, part_paths, pull_from_desk, pull_from_path
from test_link_desk import JOURNAL_ID, QUICK, header

BLOCKS = 64
RUNS = [9, 14, 4]
USED = (1 + sum(RUNS)) * BLOCK_SIZE


def journal(runs: list[int] | None = None, **more: int) -> bytearray:
    return make_journal(header(BLOCKS), BLOCKS, RUNS if runs is None else runs, journal_id=JOURNAL_ID, **more)


def pull(logger: FakeLogger, target: Path, **more: int) -> PullResult:
    with Desk(MemoryPort(logger), QUICK) as desk:
        return pull_from_desk(desk, target, **more)


def test_a_desk_pull_brings_the_used_part_as_it_lies(tmp_path: Path) -> None:
    data = journal()
    seen: list[tuple[int, int]] = []
    with Desk(MemoryPort(FakeLogger(data)), QUICK) as desk:
        result = pull_from_desk(desk, tmp_path / "a.jnl", lambda *x: seen.append(x), window_blocks=8)
        assert desk.baud == 1_000_000
    assert (tmp_path / "a.jnl").read_bytes() == data[:USED]
    assert (result.journal_id, result.size_bytes, result.not_intact_count) == (JOURNAL_ID, USED, 0)
    assert seen[-1] == (USED, USED)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.jnl"]


@pytest.mark.parametrize("runs", [[], [1], [BLOCKS - 2], [BLOCKS - 1], [BLOCKS], [40, 60]])
def test_empty_full_and_wrapped_journals(tmp_path: Path, runs: list[int]) -> None:
    data = journal(runs)
    used = min(1 + sum(runs), BLOCKS) * BLOCK_SIZE
    pull(FakeLogger(data), tmp_path / "desk.jnl")
    assert (tmp_path / "desk.jnl").read_bytes() == data[:used]
    (tmp_path / "whole.jnl").write_bytes(data)
    pull_from_path(tmp_path / "whole.jnl", tmp_path / "local.jnl")
    assert (tmp_path / "local.jnl").read_bytes() == data[:used]


def test_a_noisy_line_brings_the_same_bytes(tmp_path: Path) -> None:
    data = journal([6])
    logger = FakeLogger(data, Faults(byte_error_rate=0.05, seed=5))
    with Desk(MemoryPort(logger), Patience(5.0, 0.002, 0.002, 0.002, 0.002, tries=400)) as desk:
        result = pull_from_desk(desk, tmp_path / "a.jnl", baud=115_200, window_blocks=4)
    assert (tmp_path / "a.jnl").read_bytes() == data[: 7 * BLOCK_SIZE]
    assert result.asked_again > 20
    chunks = {r.chunk for r in logger.asked if isinstance(r, ReadPacket)}
    assert min(chunks) == 32
    assert max(chunks) <= 512
    assert result.not_intact_count == 0


@settings(max_examples=25)
@given(seed=st.integers(0, 10**6), rate=st.sampled_from([0.0005, 0.003, 0.01]))
def test_mild_noise_of_any_seed(tmp_path_factory: pytest.TempPathFactory, seed: int, rate: float) -> None:
    data = journal()
    target = tmp_path_factory.mktemp("noise") / "a.jnl"
    with Desk(MemoryPort(FakeLogger(data, Faults(byte_error_rate=rate, seed=seed))), QUICK) as desk:
        pull_from_desk(desk, target, baud=115_200)
    assert target.read_bytes() == data[:USED]


def test_damage_on_the_card_is_kept_read_twice_and_told(tmp_path: Path) -> None:
    data = journal()
    data[5 * BLOCK_SIZE + 100] ^= 4
    data[8 * BLOCK_SIZE : 9 * BLOCK_SIZE] = b"\xff" * BLOCK_SIZE
    logger = FakeLogger(data)
    result = pull(logger, tmp_path / "a.jnl")
    assert (tmp_path / "a.jnl").read_bytes() == data[:USED]
    assert [(f.position, f.status) for f in result.not_intact] == [(5, "bad_block_check"), (8, "bad_magic")]
    single = [r.offset for r in logger.asked if isinstance(r, ReadPacket) and r.length == BLOCK_SIZE]
    assert single.count(5 * BLOCK_SIZE) >= 1


def test_a_port_that_vanishes_and_the_pull_that_goes_on(tmp_path: Path) -> None:
    data = journal()
    target = tmp_path / "a.jnl"
    with pytest.raises(InputOutputError, match="vanished"):
        pull(FakeLogger(data, Faults(vanish_after_bytes=7_000)), target, window_blocks=2)
    assert not target.exists()
    part, note = part_paths(target)
    kept = part.stat().st_size
    assert kept >= 5 * BLOCK_SIZE
    assert note.exists()
    logger = FakeLogger(data)
    result = pull(logger, target, window_blocks=2)
    assert target.read_bytes() == data[:USED]
    assert result.resumed_bytes >= 5 * BLOCK_SIZE
    asked = [r.offset for r in logger.asked if isinstance(r, ReadPacket)]
    # The header comes anew, since settings may have changed; nothing else does.
    assert sorted(asked)[:2] == [0, result.resumed_bytes]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.jnl"]


def broken_off(tmp_path: Path, data: bytearray) -> Path:
    target = tmp_path / "a.jnl"
    with pytest.raises(InputOutputError):
        pull(FakeLogger(data, Faults(vanish_after_bytes=7_000)), target, window_blocks=2)
    return target


def test_going_on_with_another_cards_journal_is_refused(tmp_path: Path) -> None:
    target = broken_off(tmp_path, journal())
    before = part_paths(target)[0].read_bytes()
    other = make_journal(header(BLOCKS, 0x77), BLOCKS, RUNS, journal_id=0x77)
    with pytest.raises(DamageError, match="a journal of another card: this one is 00000077"):
        pull(FakeLogger(other), target)
    assert part_paths(target)[0].read_bytes() == before
    assert not target.exists()


def test_what_the_disk_lost_of_a_part_comes_again(tmp_path: Path) -> None:
    data = journal()
    data[3 * BLOCK_SIZE + 50] ^= 1
    target = broken_off(tmp_path, data)
    part = part_paths(target)[0]
    kept = bytearray(part.read_bytes())
    kept[2 * BLOCK_SIZE : 3 * BLOCK_SIZE] = bytes(BLOCK_SIZE)
    part.write_bytes(kept)
    result = pull(FakeLogger(data), target)
    assert result.resumed_bytes == len(kept)
    assert [found.position for found in result.not_intact] == [3]
    assert target.read_bytes() == data[:USED]


def test_a_full_disk_is_an_input_output_error_and_leaves_no_target(tmp_path: Path) -> None:
    (tmp_path / "j.bin").write_bytes(journal())
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (USED // 2, before[1]))
    try:
        with pytest.raises(InputOutputError, match="cannot write"):
            pull_from_path(tmp_path / "j.bin", tmp_path / "a.jnl")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert not (tmp_path / "a.jnl").exists()


def test_going_on_after_more_was_recorded(tmp_path: Path) -> None:
    target = broken_off(tmp_path, journal())
    data = journal([*RUNS, 6])
    result = pull(FakeLogger(data), target)
    assert result.resumed_bytes > 0
    assert target.read_bytes() == data[: USED + 6 * BLOCK_SIZE]


def test_a_wrapped_journal_that_went_on_is_begun_again(tmp_path: Path) -> None:
    target = broken_off(tmp_path, journal([80]))
    data = journal([90])
    result = pull(FakeLogger(data), target)
    assert result.resumed_bytes == 0
    assert target.read_bytes() == data


@pytest.mark.parametrize("text", ["", "{}", '{"schema": "offtake.pull_state/1"}', "[1]", '{"schema": 1'])
def test_a_part_without_its_note_is_left_alone(tmp_path: Path, text: str) -> None:
    target = tmp_path / "a.jnl"
    part, note = part_paths(target)
    part.write_bytes(b"precious")
    if text:
        note.write_text(text)
    with pytest.raises(UsageError, match="does not say which pull"):
        pull(FakeLogger(journal()), target)
    assert part.read_bytes() == b"precious"


def test_an_existing_target_is_never_overwritten(tmp_path: Path) -> None:
    target = tmp_path / "a.jnl"
    target.write_bytes(b"precious")
    with pytest.raises(UsageError, match="exists already"):
        pull(FakeLogger(journal()), target)
    (tmp_path / "j.bin").write_bytes(journal())
    with pytest.raises(UsageError, match="exists already"):
        pull_from_path(tmp_path / "j.bin", target)
    with pytest.raises(UsageError, match="exists already"):
        pull_from_path(tmp_path / "j.bin", tmp_path / "j.bin")
    with pytest.raises(UsageError, match="folder"):
        pull_from_path(tmp_path / "j.bin", tmp_path)
    assert target.read_bytes() == b"precious"


def test_a_target_folder_that_is_not_there_or_read_only(tmp_path: Path) -> None:
    (tmp_path / "j.bin").write_bytes(journal())
    with pytest.raises(InputOutputError, match=r"a\.jnl: cannot write: the folder \S*/none does not exist"):
        pull_from_path(tmp_path / "j.bin", tmp_path / "none" / "a.jnl")
    # Before the port is opened, which resets the logger.
    with pytest.raises(InputOutputError, match=r"the folder \S*/none does not exist"):
        pull_from(Path("/dev/ttyNONE0"), tmp_path / "none" / "a.jnl")
    if os.geteuid() != 0:  # root may write anywhere
        locked = tmp_path / "locked"
        locked.mkdir(mode=0o555)
        with pytest.raises(InputOutputError, match="cannot write"):
            pull_from_path(tmp_path / "j.bin", locked / "a.jnl")


def test_no_journal_on_the_loggers_card(tmp_path: Path) -> None:
    with pytest.raises(DamageError, match="no journal"):
        pull(FakeLogger(journal(), state=CardState.NO_JOURNAL), tmp_path / "a.jnl")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("data", [b"", b"no journal at all", bytes(4096), b"\xff" * 4096, b"ab" * 3000])
def test_what_is_no_journal_is_refused(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "j.bin").write_bytes(data)
    with pytest.raises(DamageError):
        pull_from_path(tmp_path / "j.bin", tmp_path / "a.jnl")
    assert not (tmp_path / "a.jnl").exists()


def test_from_a_card_image_with_an_older_journal_behind_and_a_hole(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 16, fat=16)
    prepare_in_image(image, header(BLOCKS), BLOCKS)
    older = make_journal(header(BLOCKS, 0x99), BLOCKS, [50], journal_id=0x99)
    data = journal()
    data[USED:] = older[USED:]
    data[12 * BLOCK_SIZE : 13 * BLOCK_SIZE] = bytes(BLOCK_SIZE)
    content = image.read_bytes()
    at = content.index(header(BLOCKS))
    image.write_bytes(content[:at] + data + content[at + len(data) :])
    result = pull_from_path(image, tmp_path / "a.jnl")
    assert (tmp_path / "a.jnl").read_bytes() == data[:USED]
    assert [f.position for f in result.not_intact] == [12]
    assert "card image" in result.source


def test_a_lost_header_is_made_up_by_the_blocks(tmp_path: Path) -> None:
    data = journal()
    data[:BLOCK_SIZE] = bytes(BLOCK_SIZE)
    (tmp_path / "j.bin").write_bytes(data)
    result = pull_from_path(tmp_path / "j.bin", tmp_path / "a.jnl")
    assert result.journal_id == JOURNAL_ID
    assert (tmp_path / "a.jnl").read_bytes() == data[:USED]


def test_a_truncated_file_keeps_its_last_piece(tmp_path: Path) -> None:
    data = bytes(journal())[: USED - 200]
    (tmp_path / "j.bin").write_bytes(data)
    result = pull_from_path(tmp_path / "j.bin", tmp_path / "a.jnl")
    assert (tmp_path / "a.jnl").read_bytes() == data
    assert [f.status for f in result.not_intact] == ["short_input"]


def test_through_pyserial_with_a_port_that_vanishes(tmp_path: Path) -> None:
    data = journal()
    target = tmp_path / "a.jnl"
    with (
        PtyLogger(FakeLogger(data, Faults(vanish_after_bytes=9_000))) as server,
        pytest.raises(InputOutputError, match="vanished"),
        open_desk(server.port) as desk,
    ):
        pull_from_desk(desk, target, window_blocks=2)
    with PtyLogger(FakeLogger(data)) as server, open_desk(server.port) as desk:
        result = pull_from_desk(desk, target)
    assert result.resumed_bytes > 0
    assert target.read_bytes() == data[:USED]


def test_a_pull_broken_off_before_its_first_byte_is_gone_on_with(tmp_path: Path) -> None:
    """Its part was left without a note, and the next pull refused it."""
    data = journal()
    target = tmp_path / "a.jnl"
    with pytest.raises(InputOutputError):
        pull(FakeLogger(data, Faults(vanish_after_bytes=700)), target)
    part, note = part_paths(target)
    assert part.read_bytes()[BLOCK_SIZE:] == b""
    note.unlink()
    part.write_bytes(b"")
    pull(FakeLogger(data), target)
    assert target.read_bytes() == data[:USED]


def test_what_came_whole_behind_a_gap_is_kept_when_the_port_vanishes(tmp_path: Path) -> None:
    data = journal([40])
    target = tmp_path / "a.jnl"
    # Damaged packets leave gaps all over the one window that all of it fits into.
    with pytest.raises(InputOutputError):
        pull(FakeLogger(data, Faults(byte_error_rate=0.001, vanish_after_bytes=20_000, seed=4)), target)
    kept = part_paths(target)[0].read_bytes()
    whole = {
        at
        for at in range(1, len(kept) // BLOCK_SIZE)
        if kept[at * BLOCK_SIZE :][:BLOCK_SIZE] == data[at * BLOCK_SIZE :][:BLOCK_SIZE]
    }
    gaps = set(range(1, len(kept) // BLOCK_SIZE)) - whole
    assert gaps
    assert len(whole) > len(gaps)
    logger = FakeLogger(data)
    pull(logger, target)
    asked = {
        at
        for request in logger.asked
        if isinstance(request, ReadPacket)
        for at in range(request.offset // BLOCK_SIZE, (request.offset + request.length) // BLOCK_SIZE)
    }
    assert asked == {0, *gaps, *range(len(kept) // BLOCK_SIZE, 41)}
    assert target.read_bytes() == data[: 41 * BLOCK_SIZE]


class CountingFile:
    """A journal in memory that counts the blocks read of it."""

    def __init__(self, data: bytes) -> None:
        self.size = len(data)
        self.read_blocks: set[int] = set()
        self._data = data

    def read(self, offset: int, length: int) -> bytes:
        self.read_blocks.update(range(offset // BLOCK_SIZE, -(-min(offset + length, self.size) // BLOCK_SIZE)))
        return self._data[offset : offset + length]


@pytest.mark.parametrize("used", [0, 1, 700, 9_000])
def test_the_end_of_the_used_part_is_found_by_reading_little_of_the_rest(used: int) -> None:
    blocks = 60_000
    data = make_journal(header(blocks), blocks, [used] if used else [], journal_id=JOURNAL_ID)
    source = CountingFile(bytes(data))
    tip = Tip(source, JOURNAL_ID, blocks - 1)
    assert (tip.last, tip.newest, tip.wrapped) == (used, used, False)
    assert len(source.read_blocks) < LOOK_PAST_BLOCKS + 1_500


@pytest.mark.parametrize("seed", range(6))
def test_the_end_is_found_behind_holes_and_among_another_journals_blocks(seed: int) -> None:
    rng = random.Random(seed)
    blocks = 22_000
    used = rng.randrange(1, 6_000)
    data = make_journal(header(blocks), blocks, [used], journal_id=JOURNAL_ID)
    if seed % 2:
        older = make_journal(header(blocks, 0x99), blocks, [blocks - 1], journal_id=0x99)
        data[(used + 1) * BLOCK_SIZE :] = older[(used + 1) * BLOCK_SIZE :]
    for _ in range(rng.randrange(1, 30)):
        first = rng.randrange(1, used + 1)
        # The last block stays: it is what has to be found.
        stop = min(first + rng.choice([1, 3, 40, 2000]), used)
        data[first * BLOCK_SIZE : stop * BLOCK_SIZE] = rng.choice([b"\xff", b"\0"]) * BLOCK_SIZE * max(stop - first, 0)
    tip = Tip(CountingFile(bytes(data)), JOURNAL_ID, blocks - 1)
    assert (tip.last, tip.newest) == (used, used)


def test_a_wrapped_or_full_journal_is_used_to_its_end() -> None:
    blocks = 5_000
    for runs, wrapped in (([4_999], False), ([4_999, 7], True), ([4_999, 3_000], True)):
        data = make_journal(header(blocks), blocks, runs, journal_id=JOURNAL_ID)
        source = CountingFile(bytes(data))
        tip = Tip(source, JOURNAL_ID, blocks - 1)
        assert (tip.last, tip.newest, tip.wrapped) == (4_999, sum(runs), wrapped)
        assert len(source.read_blocks) < 600
