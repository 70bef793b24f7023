"""Journals to be damaged, straight and wrapped, made by the codec and recorded by the core, and the truth of each."""

from __future__ import annotations

import os
import random
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from card_image import JOURNAL_ID as CORE_ID
from card_image import JournalImage, make_journal
from journal_maker import FILL, JOURNAL_ID, Maker, Put
from offtake.bench.cards import Card, constant
from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE, Raw, RawMore
from offtake.hostcore import codec as core
from offtake.hostcore.session import run_core

LONG = os.environ.get("OFFTAKE_LONG") == "1"
SECOND = 1_000_000_000
NAMES = ("made straight", "made wrapped", "core straight", "core wrapped")


@dataclass(frozen=True)
class Recorded:
    """A journal file and the truth about it: ``put`` are the frames in it, ``past`` those of blocks that a newer lap
    has since covered, ``before`` the block that lay at each position a lap earlier (empty for a straight journal)."""

    name: str
    data: bytes
    journal_id: int
    put: tuple[Put, ...]
    past: tuple[Put, ...]
    before: dict[int, bytes]

    @property
    def blocks(self) -> int:
        return len(self.data) // BLOCK_SIZE

    @property
    def used(self) -> int:
        """Blocks up to the last one written, header included."""
        return 1 + max(one.position for one in self.put)

    def block(self, position: int) -> bytes:
        return self.data[position * BLOCK_SIZE : (position + 1) * BLOCK_SIZE]

    def untouched(self, first: int, stop: int) -> set[int]:
        """Offsets of the frames with no byte in ``first`` to ``stop``."""
        return {one.offset for one in self.put if one.offset + one.size <= first or one.offset >= stop}


@cache
def recorded(name: str) -> Recorded:
    """The journal of that name out of NAMES; the same bytes every time."""
    made = {"made straight": (24, 6, 7), "made wrapped": (14, 9, 9, 9)}
    if name in made:
        blocks, *runs = made[name]
        return _made(name, blocks, runs)
    return _core(name, 24, 2) if name == "core straight" else _core(name, 14, 5)


def older_journal(blocks: int, journal_id: int = 0x0DDBA11) -> Maker:
    """Another journal of the same size, all of its blocks written."""
    maker = Maker(blocks, journal_id)
    maker.flight(random.Random(77), blocks - 1)
    return maker


def _made(name: str, blocks: int, runs: list[int]) -> Recorded:
    maker = Maker(blocks, JOURNAL_ID)
    rng = random.Random(41)
    past: list[Put] = []
    before: dict[int, bytes] = {}
    for count in runs:
        held, there = list(maker.put), maker.whole()
        first = maker.number + 1
        maker.flight(rng, count)
        covered = {maker.position(number) for number in range(first, maker.number + 1)}
        past += [one for one in held if one.position in covered]
        for position in covered & {one.position for one in held}:
            before[position] = there[position * BLOCK_SIZE : (position + 1) * BLOCK_SIZE]
    return Recorded(name, maker.whole(), maker.journal_id, tuple(maker.expected()), tuple(past), before)


def _core(name: str, blocks: int, sessions: int) -> Recorded:
    """Power-ups of the core, each a run of a few blocks. Every block is kept as soon as it is written; its frames are
    read by the core's own C reader, and their line bytes are held against what was sent."""
    rng = random.Random(43)
    history: dict[int, bytes] = {}
    with TemporaryDirectory() as folder:
        journal = make_journal(Path(folder), blocks=blocks, size_mib=8, when_full=1)
        sent = b"".join(_session(journal, rng, history) for _ in range(sessions))
        data = b"".join(journal.block(position) for position in range(blocks))
    truth = [one for number in sorted(history) for one in _frames(blocks, number, history[number])]
    logged = b"".join(one.payload for one in truth if one.code in (Raw.CODE, RawMore.CODE))
    assert logged == sent, f"the core recorded {len(logged)} of {len(sent)} bytes"
    lap = blocks - 1
    newest = max(history)
    assert sorted(history) == list(range(1, newest + 1))
    before = {1 + (n - 1) % lap: history[n] for n in range(max(1, newest - 2 * lap + 1), newest - lap + 1)}
    put = tuple(one for one in truth if one.block_number > newest - lap)
    past = tuple(one for one in truth if one.block_number <= newest - lap)
    return Recorded(name, data, CORE_ID, put, past, before)


def _session(journal: JournalImage, rng: random.Random, history: dict[int, bytes]) -> bytes:
    """One power-up with bursts of sentences and a saturated stretch; returns the line's bytes."""
    times: list[float] = []
    data = b""
    at = 1.0 * SECOND
    for burst in range(7):
        sentence = f"$GPXXX,{rng.randrange(10**9)}*{rng.randrange(99)}\r\n".encode()
        part = rng.randbytes(700) if burst == 3 else sentence * 4
        times += [at + (i + 1) * 10 * SECOND / 57_600 for i in range(len(part))]
        data += part
        at = times[-1] + rng.choice([0.02, 0.2, 0.9]) * SECOND
    card = Card(busy=constant(2), seed=1)
    run_core(journal.image, np.array(times).astype(np.uint64), data, card, int(at + 2 * SECOND))
    for position in range(1, journal.blocks):
        block = journal.block(position)
        if block != FILL:
            status, header = core.check_block(block)
            assert status == 0
            history.setdefault(header.block_number, block)
    return data


def _frames(blocks: int, number: int, block: bytes) -> list[Put]:
    _, header = core.check_block(block)
    position = 1 + (number - 1) % (blocks - 1)
    found = []
    at, end = BLOCK_HEADER_SIZE, BLOCK_HEADER_SIZE + header.used_bytes
    while at < end:
        status, frame = core.parse_frame(block[at:end], header.journal_id, number)
        assert status == 0
        payload = block[at + frame.payload_at : at + frame.payload_at + frame.length]
        tick = (header.open_tick + frame.tick_offset) % 2**32
        place = position * BLOCK_SIZE + at
        found.append(Put(position, place, frame.size, number, header.run_number, tick, frame.code, payload))
        at += frame.size
    return found
