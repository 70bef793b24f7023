"""A card with a journal of known blocks, and the real firmware at the desk with it."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from card_image import JOURNAL_ID, JournalImage, make_journal
from numpy.typing import NDArray
from offtake.bench.board import Bench
from offtake.bench.cards import Card
from offtake.bench.desk import Adapter, DeskServer
from offtake.bench.figures import Reset
from offtake.generated.records import BLOCK_SIZE
from offtake.journal.codec import encode_block, encode_frame
from offtake.link.desk import Desk, open_desk

HZ = 16_000_000
RAW = 2
PAYLOAD_MAX = 470


@dataclass
class Recorded:
    """A card image whose journal of ``journal.blocks`` blocks has ``used`` of them in use, the header included."""

    journal: JournalImage
    used: int

    @property
    def expected(self) -> bytes:
        """What a pull has to bring."""
        start = BLOCK_SIZE * self.journal.first_sector
        return bytes(self.journal.image[start : start + BLOCK_SIZE * self.used])


def recorded(folder: Path, used: int, *, blocks: int, seed: int = 1) -> Recorded:
    """A journal with blocks as a receiver fills them, mostly to the brim: random bytes and sentences in turn."""
    rng = random.Random(seed)
    journal = make_journal(folder, blocks=blocks, size_mib=16)
    for number in range(1, used):
        size = PAYLOAD_MAX if rng.random() < 0.9 else rng.randrange(20, PAYLOAD_MAX)
        text = bytes(rng.choices(b"$GPRMC,0123456789.*\r\n", k=size))
        frames = encode_frame(RAW, 0, text if number % 2 else rng.randbytes(size), JOURNAL_ID, number)
        at = BLOCK_SIZE * journal.sector(number)
        journal.image[at : at + BLOCK_SIZE] = encode_block(JOURNAL_ID, number, 1, number * 1000, frames)
    return Recorded(journal, used)


@contextmanager
def at_the_desk(
    elf: Path, card: Recorded, adapter: Adapter | None = None, manners: Card | None = None
) -> Iterator[tuple[DeskServer, Desk]]:
    """The logger, greeted, and done with looking for its journal's end."""
    with Bench(elf, image=card.journal.image, card=manners or Card(seed=4), seed=2) as bench:
        bench.reset(Reset.EXTERNAL)
        with DeskServer(bench, adapter or Adapter()) as server, open_desk(server.port) as desk:
            desk.describe()
            yield server, desk


def positions_read(bench: Bench, journal: JournalImage, since: int) -> NDArray[np.int64]:
    """The journal's positions that the card was asked for after cycle ``since``, in order."""
    commands = bench.commands
    reads = commands[(commands["kind"] == 17) & (commands["cycle"] > since)]
    return np.asarray(reads["value"].astype(np.int64) - journal.first_sector)
