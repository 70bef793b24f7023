"""The real firmware image with a taught EEPROM and a fresh journal, for measuring on the bench."""

from __future__ import annotations

import random
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from offtake.bench.board import Bench, Board
from offtake.bench.cards import Card, constant
from offtake.bench.firmware import Firmware, load_elf
from offtake.bench.line import Line, steady
from offtake.card import locate_in_image, make_card_image, prepare_in_image
from offtake.errors import UsageError
from offtake.firmware_build import ENVIRONMENTS, build

__all__ = ["CARD", "RING_FULL", "JournalImage", "Rig", "noise", "one_stall", "rig_for"]

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bench"))
from card_image import CARD, RING_FULL, JournalImage, header_block, make_journal

CLOCKS_HZ = {"atmega328p_16mhz": 16_000_000, "atmega328p_8mhz": 8_000_000}
LINE_START_MS = 700.0
"""Later than the firmware is ready on a small fresh journal; each measurement checks that nothing was lost before."""
LEARN_MS = 1200.0
BLOCK_LINE_BYTES = 484
"""Line bytes of a full block on a saturated line (shared_spec/block.toml: 512 less header, checks and frame head)."""


@dataclass(frozen=True)
class Rig:
    """One board variant: its firmware, clock and a folder for card images."""

    board: str
    firmware: Firmware
    elf: Path
    clock_hz: int
    folder: Path

    def journal(self, baud: int, *, blocks: int = 512, size_mib: int = 8, fat: int = 16) -> JournalImage:
        """A card image with a fresh journal set to ``baud``."""
        return make_journal(self.folder, blocks=blocks, size_mib=size_mib, fat=fat, baud=baud)

    def journal_on_big_clusters(self, baud: int, *, blocks: int) -> JournalImage:
        """A card image of 40 MiB with clusters of 8 KiB; a start takes longer the more clusters there are."""
        path = self.folder / "clusters.img"
        path.unlink(missing_ok=True)
        make_card_image(path, 40, fat=16, sectors_per_cluster=16)
        prepare_in_image(path, header_block(blocks, baud=baud), blocks)
        first_sector = locate_in_image(path).extents[0].first_sector
        return JournalImage(bytearray(path.read_bytes()), first_sector, blocks, path)

    def taught(self, journal: JournalImage) -> bytes:
        """The EEPROM after a first start on ``journal``; what that start wrote to the card is taken back."""
        before = bytes(journal.image)
        with self.bench(journal, card=Card(busy=constant(1.0)), line=None, eeprom=None) as bench:
            end = bench.run_ms(LEARN_MS)
            if not end.ok:
                raise UsageError(f"the firmware stopped: {end.message}", where=self.board)
            eeprom = bench.eeprom
        journal.image[:] = before
        return eeprom

    def bench(
        self,
        journal: JournalImage,
        *,
        card: Card,
        line: Line | None,
        eeprom: bytes | None,
        profile: bool = False,
    ) -> Bench:
        """A bench with power just on."""
        return Bench(
            self.firmware,
            image=journal.image,
            card=card,
            line=line,
            board=Board(frequency_hz=self.clock_hz),
            eeprom=eeprom,
            seed=1,
            profile=profile,
        )

    def saturated(self, payload: bytes, baud: float, *, start_ms: float = LINE_START_MS) -> Line:
        """``payload`` back to back."""
        return steady(payload, baud=baud, frequency_hz=self.clock_hz, start_ms=start_ms)

    def own_rate(self, baud: int) -> float:
        """The bit rate that the firmware's divider makes of ``baud``: clock / 8 / divider, as avr_port.c picks it."""
        return self.clock_hz / 8 / round(self.clock_hz / 8 / baud)


@contextmanager
def rig_for(board: str) -> Iterator[Rig]:
    """Builds the firmware of one board variant and makes room for card images.

    :raises UsageError: no such board variant.
    :raises InputOutputError: no toolchain, or the build fails.
    """
    if board not in ENVIRONMENTS:
        raise UsageError(f"no board {board!r}", expected=" or ".join(ENVIRONMENTS))
    elf = build(board)
    with tempfile.TemporaryDirectory(prefix="offtake-figures-") as folder:
        yield Rig(board, load_elf(elf), elf, CLOCKS_HZ[board], Path(folder))


def noise(count: int, seed: int) -> bytes:
    """Seeded random bytes: no piece of them stands in another place by chance."""
    return random.Random(seed).randbytes(count)


def one_stall(at: int, stall_ms: float, typical_ms: float = 1.0) -> Card:
    """A quick card that is busy for ``stall_ms`` after its accepted block number ``at`` (from 0)."""

    def draw(_rng: np.random.Generator, count: int) -> NDArray[np.float64]:
        times = np.full(count, typical_ms)
        times[at] = stall_ms
        return times

    return Card(busy=draw, seed=3)
