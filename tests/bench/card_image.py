"""Card images with a journal for the firmware's tests, and reading them back by the core's own C code."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field
from pathlib import Path

from offtake.card import locate_in_image, make_card_image, prepare_in_image
from offtake.hostcore import codec

JOURNAL_ID = 0x5EED0001
RUN_START, RAW, RAW_MORE, LOSS, SUPPLY, RUN_END = 1, 2, 3, 4, 5, 6
RING_FULL, OVERRUN, FRAMING, SETTINGS, CARD = 1, 2, 3, 4, 5


def header_block(
    blocks: int, *, baud: int = 57_600, when_full: int = 0, close_ms: int = 700, journal_id: int = JOURNAL_ID
) -> bytes:
    """Block 0, laid out by hand from shared_spec/block.toml, not by the code under test."""
    fields = struct.pack("<BBIIIBHHI", 1, when_full, journal_id, blocks, baud, 4, close_ms, 10, 1_700_000_000)
    body = (b"OFTKJNL1" + fields + b"test".ljust(32, b"\0")).ljust(508, b"\0")
    return body + struct.pack("<I", zlib.crc32(body))


@dataclass
class Seen:
    """What a journal in an image holds: per run its line bytes, its losses by cause, and its other frames."""

    data: dict[int, bytearray] = field(default_factory=dict)
    lost: dict[int, dict[int, int]] = field(default_factory=dict)
    codes: dict[int, list[int]] = field(default_factory=dict)
    raw_ticks: dict[int, list[tuple[int, int, int]]] = field(default_factory=dict)
    """(code, tick, bytes) of every piece of the line."""
    pieces: dict[int, list[bytes]] = field(default_factory=dict)
    bad_positions: list[int] = field(default_factory=list)
    blocks: int = 0


@dataclass
class JournalImage:
    """A card image in memory with one journal on it."""

    image: bytearray
    first_sector: int
    blocks: int
    path: Path

    def sector(self, position: int) -> int:
        return self.first_sector + position

    def block(self, position: int) -> bytes:
        at = 512 * self.sector(position)
        return bytes(self.image[at : at + 512])

    def outside(self) -> bytes:
        """Everything on the card but the journal file's own sectors."""
        start = 512 * self.first_sector
        return bytes(self.image[:start]) + bytes(self.image[start + 512 * self.blocks :])

    def read(self) -> Seen:
        seen = Seen()
        good = []
        for position in range(1, self.blocks):
            block = self.block(position)
            if block == b"\xff" * 512:
                continue
            status, header = codec.check_block(block)
            if status != 0 or header.journal_id != JOURNAL_ID:
                seen.bad_positions.append(position)
                continue
            good.append((header.block_number, position, header, block))
        seen.blocks = len(good)
        for _, position, header, block in sorted(good, key=lambda item: item[0]):
            at, end = 17, 17 + header.used_bytes
            while at < end:
                status, frame = codec.parse_frame(block[at:end], header.journal_id, header.block_number)
                assert status == 0, (position, at, status)
                payload = block[at + frame.payload_at : at + frame.payload_at + frame.length]
                self._take(seen, header.run_number, frame.code, header.open_tick + frame.tick_offset, payload)
                at += frame.size
        return seen

    @staticmethod
    def _take(seen: Seen, run: int, code: int, tick: int, payload: bytes) -> None:
        seen.codes.setdefault(run, []).append(code)
        if code in (RAW, RAW_MORE):
            seen.data.setdefault(run, bytearray()).extend(payload)
            seen.pieces.setdefault(run, []).append(payload)
            seen.raw_ticks.setdefault(run, []).append((code, tick, len(payload)))
        elif code == LOSS:
            status, (cause, count) = codec.decode(codec.MESSAGES, LOSS, payload)
            assert status == 0
            lost = seen.lost.setdefault(run, {})
            lost[cause] = lost.get(cause, 0) + count


def make_journal(
    folder: Path, *, blocks: int = 2048, size_mib: int = 16, fat: int = 16, baud: int = 57_600, when_full: int = 0
) -> JournalImage:
    """A FAT image with a fresh journal of ``blocks`` blocks in one piece."""
    path = folder / "card.img"
    path.unlink(missing_ok=True)
    make_card_image(path, size_mib, fat=fat)
    prepare_in_image(path, header_block(blocks, baud=baud, when_full=when_full), blocks)
    located = locate_in_image(path)
    assert len(located.extents) == 1
    return JournalImage(bytearray(path.read_bytes()), located.extents[0].first_sector, blocks, path)


def pieces_in_order(payload: bytes, pieces: list[bytes]) -> bool:
    """Each piece of the log stands in what was sent, after the one before it (random bytes: no chance hits)."""
    at = 0
    for piece in pieces:
        found = payload.find(piece, at)
        if found < 0:
            return False
        at = found + len(piece)
    return True
