"""Holds the log against the receiver: every byte the chip read and every flag it saw, in order, once.

What the bench knows: each byte that the firmware took from the data register, with its framing error and overrun
flags and its cycle, and each block that the card took, with the cycles of its data token and its acceptance. What the
log says: raw bytes, losses and their ticks. The checks, each an assertion with the place in its message:

- *in order*: walking the log, raw bytes are the next bytes read, a ring_full, settings or card loss of n stands for
  exactly the next n; at the end nothing is left. So logged + counted lost = read, and the contents agree.
- *events*: as many framing errors and overruns as flags were read; at the time of each block's data token the log never
  holds more than had been read (none is invented); a flag read while block k is the next to be accepted is in block k
  or the one after it (none is late).
- *ticks*: a raw frame's measured tick, a loss's tick (of the first byte dropped) and an event's tick (of the first flag
  not yet staged) are those of the reads concerned, within two ticks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from card_image import FRAMING, JOURNAL_ID, LOSS, OVERRUN, RAW, RAW_MORE, RING_FULL, JournalImage
from numpy.typing import NDArray
from offtake.bench.board import Bench
from offtake.bench.figures import ACCEPTED
from offtake.bench.figures import OVERRUN as OVERRUN_EVENT
from offtake.hostcore import codec

SETTINGS, CARD = 4, 5
FLAGS = {FRAMING: 1, OVERRUN: 2}
"""Bits of a read's ``kind`` in offtake.bench.board.Bench.uart_reads."""
TICKS_APART = 2
TICK_US = 4


@dataclass(frozen=True)
class Placed:
    """One frame: the index of its block in the order of block numbers, and what it says."""

    block: int
    code: int
    tick: int
    data: bytes = b""
    cause: int = 0
    count: int = 0


@dataclass(frozen=True)
class Written:
    """One block as the card took it, in CPU cycles."""

    began: int
    accepted: int


@dataclass(frozen=True)
class Account:
    """One recording: what the chip read, what the log says, when the blocks went out."""

    values: bytes
    flags: NDArray[np.uint32]
    cycles: NDArray[np.int64]
    frames: list[Placed]
    blocks: list[Written]
    overruns_at: NDArray[np.int64]
    tick_cycles: int

    def count(self, cause: int) -> int:
        """What the log counts for one cause of loss."""
        return sum(frame.count for frame in self.frames if frame.code == LOSS and frame.cause == cause)

    @property
    def logged(self) -> int:
        """Line bytes in the log."""
        return sum(len(frame.data) for frame in self.frames)


def take_account(journal: JournalImage, bench: Bench) -> Account:
    """Reads the journal and the bench's logs; the bench has to be still open."""
    reads = bench.uart_reads
    events = bench.uart_events
    frames: list[Placed] = []
    blocks: list[Written] = []
    accepted = bench.writes[bench.writes["response"] == ACCEPTED]
    for position, header, block in _blocks(journal):
        write = accepted[accepted["lba"] == journal.sector(position)][-1]
        frames.extend(_frames(len(blocks), header, block))
        blocks.append(Written(int(write["began"]), int(write["accepted"])))
    return Account(
        values=reads["value"].astype(np.uint8).tobytes(),
        flags=reads["kind"],
        cycles=reads["cycle"].astype(np.int64),
        frames=frames,
        blocks=blocks,
        overruns_at=events["cycle"][events["kind"] == OVERRUN_EVENT].astype(np.int64),
        tick_cycles=bench.board.frequency_hz * TICK_US // 1_000_000,
    )


def _blocks(journal: JournalImage) -> list[tuple[int, codec.CoreBlockHeader, bytes]]:
    found = []
    for position in range(1, journal.blocks):
        block = journal.block(position)
        status, header = codec.check_block(block)
        if status == 0 and header.journal_id == JOURNAL_ID:
            found.append((header.block_number, position, header, block))
    return [item[1:] for item in sorted(found, key=lambda item: item[0])]


def _frames(index: int, header: codec.CoreBlockHeader, block: bytes) -> list[Placed]:
    frames, at, end = [], 17, 17 + header.used_bytes
    while at < end:
        status, frame = codec.parse_frame(block[at:end], header.journal_id, header.block_number)
        assert status == 0, f"block {header.block_number} offset {at}: status {status}"
        payload = block[at + frame.payload_at : at + frame.payload_at + frame.length]
        tick = header.open_tick + frame.tick_offset
        if frame.code in (RAW, RAW_MORE):
            frames.append(Placed(index, frame.code, tick, data=payload))
        elif frame.code == LOSS:
            status, (cause, count) = codec.decode(codec.MESSAGES, LOSS, payload)
            assert status == 0
            frames.append(Placed(index, LOSS, tick, cause=cause, count=count))
        else:
            frames.append(Placed(index, frame.code, tick))
        at += frame.size
    return frames


def check_order(account: Account) -> list[tuple[Placed, int]]:
    """Walks the log along the reads. Returns each raw and ring_full frame with the read its first byte is."""
    at, starts = 0, []
    for frame in account.frames:
        if frame.code in (RAW, RAW_MORE):
            read = account.values[at : at + len(frame.data)]
            assert frame.data == read, f"block {frame.block}: {len(frame.data)} bytes are not reads {at} and on"
            starts.append((frame, at))
            at += len(frame.data)
        elif frame.code == LOSS and frame.cause in (RING_FULL, SETTINGS, CARD):
            if frame.cause == RING_FULL:
                starts.append((frame, at))
            at += frame.count
    assert at == len(account.values), f"{len(account.values)} bytes were read, {at} are logged or counted lost"
    return starts


def check_events(account: Account, cause: int) -> None:
    """Framing errors or overruns: as many as flags read, none invented, none later than one block."""
    flagged = account.cycles[(account.flags & FLAGS[cause]) != 0]
    assert account.count(cause) == len(flagged)
    accepted = np.array([block.accepted for block in account.blocks], dtype=np.int64)
    told = 0
    for frame in account.frames:
        if frame.code != LOSS or frame.cause != cause:
            continue
        before = int(np.searchsorted(flagged, account.blocks[frame.block].began))
        assert told + frame.count <= before, f"block {frame.block} tells an event before it was"
        open_then = np.searchsorted(accepted, flagged[told : told + frame.count], side="right")
        late = frame.block - int(open_then.min())
        assert late <= 1, f"block {frame.block} tells an event {late} blocks after the one that was open"
        told += frame.count


def check_overruns_bound(account: Account) -> None:
    """Each run of bytes that the bench lost by overrun is told by a flag of one of the next bytes read."""
    told = account.cycles[(account.flags & FLAGS[OVERRUN]) != 0]
    assert len(told) <= len(account.overruns_at)
    for cycle in account.overruns_at:
        after = np.searchsorted(account.cycles, cycle)
        # Two bytes in the FIFO and one in the shift register may be read before the one that carries the flag.
        window = account.flags[after : after + 4]
        assert (window & FLAGS[OVERRUN]).any(), f"the overrun at cycle {cycle} left no flag"


def check_ticks(account: Account, starts: list[tuple[Placed, int]]) -> None:
    """Measured ticks are those of the reads, and events carry the tick of the first flag they tell."""
    measured = [(frame.tick, at) for frame, at in starts if frame.code == RAW]
    assert measured
    origin = int(np.median([account.cycles[at] - tick * account.tick_cycles for tick, at in measured]))
    reads = (account.cycles - origin) / account.tick_cycles
    for frame, at in starts:
        if frame.code == RAW or frame.code == LOSS:
            apart = abs(frame.tick - reads[at])
            assert apart <= TICKS_APART, f"block {frame.block}: tick {frame.tick} of read {at} is off by {apart:.1f}"
    told = {FRAMING: 0, OVERRUN: 0}
    flagged = {cause: reads[(account.flags & bit) != 0] for cause, bit in FLAGS.items()}
    events = [frame for frame in account.frames if frame.code == LOSS and frame.cause in FLAGS]
    for index, frame in enumerate(events):
        candidates = [flagged[frame.cause][told[frame.cause]]]
        for other in events[max(index - 1, 0) : index + 2]:
            if other.cause != frame.cause and other.tick == frame.tick:
                # Staged together: both carry the tick of whichever came first.
                first = told[other.cause] - (other.count if other in events[:index] else 0)
                candidates.append(flagged[other.cause][first])
        apart = abs(frame.tick - min(candidates))
        assert apart <= TICKS_APART, f"block {frame.block}: event tick {frame.tick} is off by {apart:.1f}"
        told[frame.cause] += frame.count


def check_all(account: Account) -> None:
    """Everything above."""
    starts = check_order(account)
    for cause in FLAGS:
        check_events(account, cause)
    check_overruns_bound(account)
    check_ticks(account, starts)
