"""The invariants about salvage: what it must give back, and that it gives back nothing else."""

from __future__ import annotations

from functools import lru_cache

from ground import JOURNAL_ID, Ground
from offtake.generated.records import BLOCK_SIZE
from offtake.hostcore import codec
from offtake.journal.frames import Frame
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.source import BytesSource
from story import Session, Story
from truth import TrueBlock, TrueFrame, blocks_of, read_block

Place = tuple[int, int]
"""Position of a block in the file, and offset in the block."""


def frames_recovered(story: Story) -> str | None:
    """Promise 2: every frame in what the card still returns is salvaged byte for byte, out of torn blocks too, and
    passes the check in C."""
    history = _history(story.ground)
    for number, session in enumerate([*story.sessions, story.last]):
        _remember(history, story.ground, session)
        found = {(frame.position, frame.offset % BLOCK_SIZE): frame for frame in salvaged(session)[1]}
        for position, block in enumerate(blocks_of(session.journal)[1:], 1):
            for block_number, frame in _returned(block, history.get(position, [])):
                seen = found.get((position, frame.offset))
                where = f"after power-on {number + 1}: the frame at byte {frame.offset} of block {block_number}"
                if seen is None:
                    return f"{where} is on the card and was not salvaged"
                if (seen.block_number, seen.code, seen.tick_offset, seen.payload) != (block_number, *frame[2:]):
                    return f"{where} was salvaged with another content"
                status, _ = codec.parse_frame(block[frame.offset :], JOURNAL_ID, block_number)
                if status != 0:
                    return f"{where} does not pass the check in C (status {status})"
    return None


def nothing_invented(story: Story) -> str | None:
    """Promise 4: salvage gives only frames that were written, in order, and accounts for every byte of the file."""
    history = _history(story.ground)
    for number, session in enumerate([*story.sessions, story.last]):
        _remember(history, story.ground, session)
        found, frames = salvaged(session)
        intact = {at for at, block in enumerate(blocks_of(session.journal)) if at and read_block(block)}
        before: Place = (0, 0)
        for frame in frames:
            place = (frame.position, frame.offset % BLOCK_SIZE)
            written = _written(history.get(frame.position, []), frame.block_number, place[1])
            where = f"after power-on {number + 1}: salvage's frame at byte {place[1]} of block {frame.block_number}"
            as_written = written.get((frame.code, frame.tick_offset, frame.payload))
            if as_written is None:
                return f"{where} was never written there"
            wrong = _misplaced(frame, as_written, sound=frame.position in intact)
            if wrong:
                return f"{where} {wrong}"
            order = (frame.block_number, place[1])
            if order <= before:
                return f"{where} comes after one at byte {before[1]} of block {before[0]}"
            before = order
        wrong = _account(found, len(session.journal))
        if wrong:
            return f"after power-on {number + 1}: {wrong}"
    return None


def _misplaced(frame: Frame, written: TrueBlock, *, sound: bool) -> str | None:
    """What salvage says wrongly of a true frame's surroundings."""
    if frame.block_intact and not sound:
        return "is said to come from an intact block, which it is not"
    if frame.run not in (None, written.run) or frame.header_run not in (None, written.run):
        return f"is given run {frame.likely_run}, and was of run {written.run}"
    tick = (written.open_tick + frame.tick_offset) % 2**32
    if frame.tick not in (None, tick) or frame.header_tick not in (None, tick):
        return f"is given tick {frame.likely_tick}, and had {tick}"
    return None


def _account(found: Salvage, size: int) -> str | None:
    account = found.account
    if account.recovered + account.skipped_bytes != size or account.size != size:
        return f"{account.recovered} recovered + {account.skipped_bytes} skipped of {size} bytes"
    end = 0
    for extent in account.extents:
        if extent.offset < end or extent.length <= 0 or not extent.reason:
            return f"the skipped extent at {extent.offset} ({extent.length} bytes, {extent.reason!r}) cannot be"
        end = extent.offset + extent.length
    if end > size or sum(extent.length for extent in account.extents) != account.skipped_bytes:
        return "the skipped extents do not add up"
    return None


@lru_cache(maxsize=4)
def _salvage_of(journal: bytes) -> tuple[Salvage, tuple[Frame, ...]]:
    found = salvage(BytesSource(journal))
    return found, tuple(found.frames())


def salvaged(session: Session) -> tuple[Salvage, tuple[Frame, ...]]:
    """What salvage makes of the journal as the session left it. Several invariants ask for the same."""
    return _salvage_of(session.journal)


def _history(ground: Ground) -> dict[int, list[bytes]]:
    """By place in the file, every content ever written there, oldest first."""
    return {position: [block] for position, block in enumerate(blocks_of(ground.journal(ground.image)))}


def _remember(history: dict[int, list[bytes]], ground: Ground, session: Session) -> None:
    for block in session.blocks:
        position = ground.position_of.get(block.sector)
        if position is not None:
            history[position].append(block.after)


def _returned(now: bytes, history: list[bytes]) -> list[tuple[int, TrueFrame]]:
    """Frames that ``now`` holds whole: all of an intact block, those untouched of what was written last otherwise."""
    for content in (now, *reversed(history)):
        block = read_block(content)
        if block is not None:
            return [(block.number, f) for f in block.frames if _same(now, content, f)]
    return []


def _same(now: bytes, content: bytes, frame: TrueFrame) -> bool:
    at = slice(frame.offset, frame.offset + frame.size)
    return now[at] == content[at]


def _written(history: list[bytes], number: int, offset: int) -> dict[tuple[int, int, bytes], TrueBlock]:
    """Frames that block ``number`` was ever given at ``offset``, and the block each was written in last."""
    blocks = (read_block(content) for content in history)
    return {
        (frame.code, frame.tick_offset, frame.payload): block
        for block in blocks
        if block is not None and block.number == number
        for frame in block.frames
        if frame.offset == offset
    }
