"""Each invariant is shown able to fail: a sound story is spoiled in one way, and the named invariant says so."""

from __future__ import annotations

import sys
from collections.abc import Callable
from copy import deepcopy
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import salvaged
from ground import JOURNAL_ID
from invariants import INVARIANTS
from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE, Raw
from offtake.journal.codec import encode_block, encode_frame
from runner import Stage, campaigns, make_level
from story import Session, Story
from truth import read_block

KNOWN = campaigns()


@pytest.fixture(scope="module")
def sound() -> dict[str, Story]:
    stories = {}
    for name, point in (("straight_writes", "w9.f2"), ("wrap_writes", "w12.f0"), ("pulled_idle", "w4")):
        stage = Stage(KNOWN[name], make_level("host"))
        stories[name] = stage.tell(stage.trial(f"{name}:host:{point}"))[0]
    return stories


def broken(story: Story) -> set[str]:
    """Names of the invariants that the story breaks."""
    return {name for name, check in INVARIANTS.items() if check(story) is not None}


@pytest.mark.parametrize("name", ["straight_writes", "wrap_writes", "pulled_idle"])
def test_a_sound_story_breaks_nothing(sound: dict[str, Story], name: str) -> None:
    assert broken(sound[name]) == set()


def put(session: Session, position: int, block: bytes) -> None:
    at = position * BLOCK_SIZE
    session.journal = session.journal[:at] + block + session.journal[at + BLOCK_SIZE :]


def block_at(session: Session, position: int) -> bytes:
    return session.journal[position * BLOCK_SIZE : (position + 1) * BLOCK_SIZE]


def swap_block(session: Session, index: int, content: bytes) -> None:
    session.blocks[index] = replace(session.blocks[index], after=content)


def rebuilt(block: bytes, *, number: int | None = None, run: int | None = None, frames: bytes | None = None) -> bytes:
    """The block as another logger might have written it, its checks right."""
    old = read_block(block)
    assert old is not None
    number = old.number if number is None else number
    if frames is None:
        parts = (encode_frame(f.code, f.tick_offset, f.payload, JOURNAL_ID, number) for f in old.frames)
        frames = b"".join(parts)
    return encode_block(JOURNAL_ID, number, old.run if run is None else run, old.open_tick, frames)


def position_of(story: Story, session: Session, index: int) -> int:
    return story.ground.position_of[session.blocks[index].sector]


def alter_durable(story: Story) -> None:
    """A bit of a block from before the first power-on flips in the last one."""
    block = bytearray(block_at(story.last, 5))
    block[300] ^= 4
    put(story.last, 5, bytes(block))


def write_durable_again(story: Story) -> None:
    """The next run begins one place too early, over a durable block."""
    first = story.last.blocks[0]
    there = next(b for b in story.sessions[0].blocks[::-1] if b.kept)
    story.last.blocks[0] = replace(first, sector=there.sector, before=there.after)


def reuse_run(story: Story) -> None:
    """The next run takes the number of the one before."""
    for index, block in enumerate(story.last.blocks):
        content = read_block(block.after)
        assert content is not None
        new = rebuilt(block.after, run=content.run - 1)
        swap_block(story.last, index, new)
        put(story.last, position_of(story, story.last, index), new)


def lose_quietly(story: Story) -> None:
    """Bytes vanish from the middle of the log, and nothing counts them."""
    index = 4
    content = read_block(story.sessions[0].blocks[index].after)
    assert content is not None
    cut = content.frames[-1]
    frames = encode_frame(cut.code, cut.tick_offset, cut.payload[:-9], JOURNAL_ID, content.number)
    new = rebuilt(story.sessions[0].blocks[index].after, frames=frames)
    swap_block(story.sessions[0], index, new)
    for session in (story.sessions[0], story.mount, story.last):
        assert session is not None
        put(session, position_of(story, story.sessions[0], index), new)


def invent_on_card(story: Story) -> None:
    """The card holds a sound frame that nobody wrote."""
    frames = encode_frame(Raw.CODE, 0, b"never said by anyone", JOURNAL_ID, 3)
    put(story.last, 3, encode_block(JOURNAL_ID, 3, 1, 3_000, frames))


def invent_in_log(story: Story) -> None:
    """The logger logs a byte that the line never said."""
    old = story.last.blocks[-1].after
    content = read_block(old)
    assert content is not None
    changed = [
        encode_frame(f.code, f.tick_offset, f.payload[:-1] + bytes([f.payload[-1] ^ 1]), JOURNAL_ID, content.number)
        if f.code == Raw.CODE
        else encode_frame(f.code, f.tick_offset, f.payload, JOURNAL_ID, content.number)
        for f in content.frames
    ]
    new = rebuilt(old, frames=b"".join(changed))
    swap_block(story.last, len(story.last.blocks) - 1, new)
    put(story.last, position_of(story, story.last, len(story.last.blocks) - 1), new)


def write_outside(story: Story) -> None:
    """A sector of the file system changes."""
    story.last.outside = [0]


def upset_fsck(story: Story) -> None:
    """fsck.fat finds something to say."""
    story.complaints = ["FATs differ but appear to be intact."]


def write_header(story: Story) -> None:
    """The journal's own header is written."""
    story.last.blocks[0] = replace(story.last.blocks[0], sector=story.ground.sectors[0])


def misplace(story: Story) -> None:
    """A block goes to a place that is not its own."""
    story.last.blocks[0] = replace(story.last.blocks[0], after=rebuilt(story.last.blocks[0].after, number=90))


def hold_too_much(story: Story) -> None:
    """The last five durable blocks were not durable: counted so before busy had ended."""
    blocks = story.sessions[0].blocks
    for index in range(len(blocks) - 5, len(blocks)):
        blocks[index] = replace(blocks[index], kept=False)


def age(story: Story) -> None:
    """The power stays on for two more seconds, and what waited still is not on the card."""
    story.sessions[0].lives[0].end_ns += 2_000_000_000


def move_tip(story: Story) -> None:
    """Two starts disagree about where the journal goes on."""
    assert story.mount is not None
    first = story.mount.blocks[0]
    story.mount.blocks[0] = replace(first, sector=first.sector + 1)


def touch_by_start(story: Story) -> None:
    """A start writes before it has anything to say."""
    assert story.mount is not None
    story.mount.journal = story.mount.journal[:-1] + b"\0"


def leave_card_alone(story: Story) -> None:
    """The card that came back is never taken up."""
    pulled = story.sessions[0].pulled_ns
    assert pulled is not None
    story.sessions[0].blocks = [b for b in story.sessions[0].blocks if b.accepted_ns < pulled[0]]


def go_silent(story: Story) -> None:
    """The next start records nothing."""
    story.last.blocks = []


def hang(story: Story) -> None:
    """The core never came back."""
    story.last.hung = "the core did not come back"


SPOILED: list[tuple[str, Callable[[Story], None], str]] = [
    ("durable_untouched", alter_durable, "straight_writes"),
    ("durable_untouched", write_durable_again, "straight_writes"),
    ("durable_untouched", write_durable_again, "wrap_writes"),
    ("next_run", reuse_run, "straight_writes"),
    ("next_run", go_silent, "wrap_writes"),
    ("loss_counted", lose_quietly, "straight_writes"),
    ("loss_counted", lose_quietly, "pulled_idle"),
    ("loss_counted", invent_in_log, "straight_writes"),
    ("nothing_invented", invent_on_card, "straight_writes"),
    ("inside_journal", write_outside, "straight_writes"),
    ("inside_journal", upset_fsck, "straight_writes"),
    ("inside_journal", write_header, "wrap_writes"),
    ("inside_journal", misplace, "straight_writes"),
    ("bounded_loss", hold_too_much, "straight_writes"),
    ("bounded_loss", age, "straight_writes"),
    ("recovery_idempotent", move_tip, "straight_writes"),
    ("recovery_idempotent", touch_by_start, "wrap_writes"),
    ("taken_up_again", leave_card_alone, "pulled_idle"),
    ("no_hang", hang, "straight_writes"),
    ("no_hang", go_silent, "straight_writes"),
]


@pytest.mark.parametrize(("name", "spoil", "which"), SPOILED)
def test_the_named_invariant_catches_it(
    sound: dict[str, Story], name: str, spoil: Callable[[Story], None], which: str
) -> None:
    story = deepcopy(sound[which])
    spoil(story)
    assert name in broken(story)


def test_a_salvage_that_misses_frames_is_caught(sound: dict[str, Story], monkeypatch: pytest.MonkeyPatch) -> None:
    whole = salvaged._salvage_of

    def poor(journal: bytes) -> object:
        found, frames = whole(journal)
        return found, frames[:-1]

    monkeypatch.setattr(salvaged, "_salvage_of", poor)
    assert "frames_recovered" in broken(sound["straight_writes"])


def test_a_salvage_that_gives_torn_frames_is_caught(sound: dict[str, Story], monkeypatch: pytest.MonkeyPatch) -> None:
    whole = salvaged._salvage_of

    def generous(journal: bytes) -> object:
        found, frames = whole(journal)
        last = frames[-1]
        extra = last._replace(offset=last.offset + BLOCK_HEADER_SIZE, payload=last.payload[:5])
        return found, (*frames, extra)

    monkeypatch.setattr(salvaged, "_salvage_of", generous)
    assert "nothing_invented" in broken(sound["straight_writes"])


@pytest.mark.parametrize("wrong", [{"run": 77}, {"tick": 12345}, {"header_tick": 9}, {"payload": b"never said"}])
def test_a_salvage_that_misleads_is_caught(
    sound: dict[str, Story], monkeypatch: pytest.MonkeyPatch, wrong: dict[str, object]
) -> None:
    whole = salvaged._salvage_of

    def misleading(journal: bytes) -> object:
        found, frames = whole(journal)
        return found, (*frames[:-1], frames[-1]._replace(**wrong))  # type: ignore[arg-type]

    monkeypatch.setattr(salvaged, "_salvage_of", misleading)
    assert "nothing_invented" in broken(sound["straight_writes"])


def test_a_torn_block_is_not_taken_for_intact(sound: dict[str, Story], monkeypatch: pytest.MonkeyPatch) -> None:
    stage = Stage(KNOWN["burst_torn"], make_level("host"))
    story, _ = stage.tell(stage.trial("burst_torn:host:w3.b300"))
    assert INVARIANTS["nothing_invented"](story) is None
    monkeypatch.setattr("offtake.journal.bulk.window._check_seals", lambda *given: None)
    salvaged._salvage_of.cache_clear()
    assert INVARIANTS["nothing_invented"](story) is not None
    salvaged._salvage_of.cache_clear()


def test_every_invariant_has_been_seen_to_fail() -> None:
    assert {name for name, _, _ in SPOILED} | {"frames_recovered"} == set(INVARIANTS)
