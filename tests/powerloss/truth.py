"""What the journal ought to hold, from the blocks that the card took, and where each line byte of it belongs.

Blocks are read by the core's own C, not by the code that salvages.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

from ground import JOURNAL_ID
from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE, Loss, LossCause, Raw, RawMore
from offtake.hostcore import codec
from story import Block, Life

RAW_CODES = (Raw.CODE, RawMore.CODE)
COUNTED = (LossCause.RING_FULL, LossCause.SETTINGS, LossCause.CARD)
DESK_WAIT_NS = 1_600_000_000
"""After an external reset the chip listens for a computer first: what the line says then is not recorded, as told."""
EXTERNAL = 2


class TrueFrame(NamedTuple):
    """A frame as the core reads it; ``offset`` and ``size`` are bytes in its block."""

    offset: int
    size: int
    code: int
    tick_offset: int
    payload: bytes


class TrueBlock(NamedTuple):
    """An intact block of the journal."""

    number: int
    run: int
    open_tick: int
    frames: tuple[TrueFrame, ...]


@lru_cache(maxsize=65_536)
def read_block(data: bytes, journal_id: int = JOURNAL_ID) -> TrueBlock | None:
    """The block, or None when it is none of this journal or not intact. ValueError: a frame in it is not sound."""
    status, header = codec.check_block(data)
    if status != 0 or header.journal_id != journal_id:
        return None
    frames = []
    at, end = BLOCK_HEADER_SIZE, BLOCK_HEADER_SIZE + header.used_bytes
    while at < end:
        status, frame = codec.parse_frame(data[at:end], journal_id, header.block_number)
        if status != 0:
            raise ValueError(f"block {header.block_number}: no sound frame at {at} (status {status})")
        payload = data[at + frame.payload_at : at + frame.payload_at + frame.length]
        frames.append(TrueFrame(at, frame.size, frame.code, frame.tick_offset, payload))
        at += frame.size
    return TrueBlock(header.block_number, header.run_number, header.open_tick, tuple(frames))


def blocks_of(journal: bytes) -> list[bytes]:
    """The file's blocks, the header first."""
    return [journal[at : at + BLOCK_SIZE] for at in range(0, len(journal), BLOCK_SIZE)]


@dataclass
class Account:
    """A life's line bytes followed through its durable blocks: ``reached`` is how far they account for them.

    ``lost`` are counted there. ``uncounted`` says where bytes went missing without a count, ``invented`` where the
    log has what the line never said, or counts what is there.
    """

    reached: int = 0
    logged: int = 0
    lost: int = 0
    runs: list[int] = field(default_factory=list)
    uncounted: list[str] = field(default_factory=list)
    invented: list[str] = field(default_factory=list)


def follow(life: Life, index: int, blocks: list[Block]) -> Account:
    """Walks what the life logged, in the order the card took it, along what its receiver heard."""
    account = Account()
    may_skip = 0
    if life.cause == EXTERNAL:
        may_skip = int((life.heard_ns < life.start_ns + DESK_WAIT_NS).sum())
    for block in blocks:
        if block.life != index:
            continue
        content = read_block(block.after)
        if not block.kept:
            # Its bytes are lost and to be counted; where the card was left with it whole they may, but need not.
            may_skip += _line_bytes(content) if block.survived else 0
            continue
        if content is None:
            account.invented.append(f"the card was given something that is no block, for sector {block.sector}")
            continue
        if content.run not in account.runs:
            account.runs.append(content.run)
        for frame in content.frames:
            may_skip = _follow_frame(life, account, content.number, frame, may_skip)
    account.reached = max(account.reached, may_skip)  # nothing logged yet: the wait goes by unrecorded
    return account


def _line_bytes(content: TrueBlock | None) -> int:
    return sum(len(f.payload) for f in content.frames if f.code in RAW_CODES) if content else 0


def _follow_frame(life: Life, account: Account, number: int, frame: TrueFrame, may_skip: int) -> int:
    """One frame; returns how many bytes may still go by unrecorded before the first one logged."""
    if frame.code == Loss.CODE:
        _, (cause, count) = codec.decode(codec.MESSAGES, Loss.CODE, frame.payload)
        if cause in COUNTED:
            account.lost += count
            account.reached += count
            if account.reached > len(life.heard):
                account.invented.append(
                    f"block {number} counts {count} bytes lost, {account.reached - len(life.heard)} more than came"
                )
        return may_skip
    if frame.code not in RAW_CODES:
        return may_skip
    here = account.reached
    if life.heard[here : here + len(frame.payload)] != frame.payload:
        found = life.heard.find(frame.payload, 0 if len(frame.payload) >= 8 else here)
        if found < 0:
            account.invented.append(f"block {number} holds {len(frame.payload)} bytes that the chip never heard")
            return may_skip
        if found < here:
            account.invented.append(f"block {number} repeats or counts lost {here - found} bytes that are logged")
        elif found - here > may_skip:
            account.uncounted.append(f"{found - here} bytes before block {number} are neither logged nor counted")
        account.reached = found
    account.reached += len(frame.payload)
    account.logged += len(frame.payload)
    return 0
