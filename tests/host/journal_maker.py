"""Synthetic journals for tests, built frame by frame by the codec; nothing random but what a seed gives."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from offtake.generated.records import (
    BLOCK_HEADER_SIZE,
    BLOCK_SIZE,
    BLOCK_SPACE,
    SPEC_HASH,
    Board,
    EndReason,
    JournalHeader,
    Loss,
    LossCause,
    Raw,
    RawMore,
    ResetCause,
    RunEnd,
    RunStart,
    Supply,
    WhenFull,
)
from offtake.journal.codec import encode_block, encode_frame, encode_journal_header

JOURNAL_ID = 0x1BADCAFE
FILL = b"\xff" * BLOCK_SIZE


@dataclass(frozen=True)
class Put:
    """A frame as the maker put it: what salvage must give back, or nothing."""

    position: int
    offset: int
    size: int
    block_number: int
    run: int
    tick: int
    code: int
    payload: bytes


@dataclass
class Maker:
    """Fills blocks the way a logger does; ``blocks`` counts the file's, header included."""

    blocks: int = 64
    journal_id: int = JOURNAL_ID
    when_full: WhenFull = WhenFull.WRAP
    number: int = 0
    run: int = 0
    data: bytearray = field(default_factory=bytearray)
    put: list[Put] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.data += encode_journal_header(header(self.blocks, self.journal_id, self.when_full))
        self.data += FILL * (self.blocks - 1)

    def position(self, number: int) -> int:
        return 1 + (number - 1) % (self.blocks - 1)

    def block(self, open_tick: int, frames: list[tuple[int, int, bytes]]) -> int:
        """Append a block of (code, tick offset, payload); returns its number."""
        self.number += 1
        position = self.position(self.number)
        # What lay here before is gone.
        self.put = [one for one in self.put if one.position != position]
        content = b""
        for code, tick_offset, payload in frames:
            frame = encode_frame(code, tick_offset, payload, self.journal_id, self.number)
            offset = position * BLOCK_SIZE + BLOCK_HEADER_SIZE + len(content)
            tick = (open_tick + tick_offset) % 2**32
            self.put.append(Put(position, offset, len(frame), self.number, self.run, tick, code, payload))
            content += frame
        assert len(content) <= BLOCK_SPACE
        block = encode_block(self.journal_id, self.number, self.run, open_tick, content)
        self.data[position * BLOCK_SIZE : (position + 1) * BLOCK_SIZE] = block
        return self.number

    def flight(self, rng: random.Random, blocks: int, *, end: bool = True) -> None:
        """A run of ``blocks`` blocks with every message in it."""
        self.run += 1
        tick = rng.randrange(2000)
        for index in range(blocks):
            frames: list[tuple[int, int, bytes]] = []
            offset = 0
            if index == 0:
                frames.append((RunStart.CODE, 0, run_start().encode()))
            elif rng.random() < 0.2:
                frames.append((Supply.CODE, 0, Supply(rng.randrange(3000, 5200), rng.randrange(500)).encode()))
            elif rng.random() < 0.2:
                frames.append((Loss.CODE, 0, Loss(LossCause.RING_FULL, rng.randrange(1, 99)).encode()))
            else:
                frames.append((RawMore.CODE, 0, rng.randbytes(rng.randrange(1, 60))))
            for _ in range(rng.randrange(0, 4)):
                offset += rng.randrange(1, 30_000)
                frames.append((Raw.CODE, offset, rng.randbytes(rng.randrange(1, 110))))
            if end and index == blocks - 1:
                frames.append((RunEnd.CODE, offset, RunEnd(EndReason.DESK).encode()))
            self.block(tick, frames)
            tick += offset + rng.randrange(1, 100_000)

    def whole(self) -> bytes:
        return bytes(self.data)

    def used(self) -> bytes:
        """The file up to the newest block, as a pull takes it from a journal that has not wrapped."""
        return bytes(self.data[: (self.number + 1) * BLOCK_SIZE])

    def expected(self) -> list[Put]:
        """Frames in order of block number, then place."""
        return sorted(self.put, key=lambda one: (one.block_number, one.offset))


def header(blocks: int, journal_id: int = JOURNAL_ID, when_full: WhenFull = WhenFull.WRAP) -> JournalHeader:
    return JournalHeader(when_full, journal_id, blocks, 57_600, 4, 1000, 60, 1_700_000_000, "test journal")


def run_start() -> RunStart:
    return RunStart(
        firmware_major=1,
        firmware_minor=2,
        firmware_patch=3,
        board=Board.ATMEGA328P_16MHZ,
        spec_hash=SPEC_HASH,
        baud=57_600,
        tick_ns=4000,
        when_full=WhenFull.WRAP,
        gap_bytes=4,
        close_ms=1000,
        supply_s=60,
        reset_cause=ResetCause.POWER_ON,
    )
