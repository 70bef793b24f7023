"""Journals whose header turns sensors on, and what the real image logged into them beside what the bench knows."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from card_image import JournalImage, make_journal
from offtake.bench.board import Bench
from offtake.generated.records import (
    Loss,
    LossCause,
    Raw,
    RawMore,
    Status,
)
from offtake.journal.reader import Journal
from offtake.journal.source import BytesSource
from offtake.records import Record

HZ = 16_000_000
TICK_US = 4
TICK_CYCLES = HZ * TICK_US // 1_000_000
TICKS_PER_MS = 250
RESET_END_MS = 65
"""When the chip's clocks begin. Timer 2 steps at whole ticks after it."""
ANALOGUE, EVENT, PULSES, PRESSURE = 1, 2, 4, 8
ALL = ANALOGUE | EVENT | PULSES | PRESSURE
HEADER_SENSORS_AT = 63
"""Offset of the sensors' settings in block 0, counted by hand from shared_spec/block.toml."""


@dataclass(frozen=True)
class Settings:
    """The sensors' part of the journal's header."""

    sensors: int = ALL
    analogue_ms: int = 100
    full_1_mv: int = 20_000
    full_2_mv: int = 5_000
    debounce_ms: int = 20
    pulse_ms: int = 200
    pressure_ms: int = 500

    def into(self, block: bytes) -> bytes:
        """``block`` 0 with these settings, laid out by hand."""
        on = self.sensors
        values = (
            on,
            self.analogue_ms if on & ANALOGUE else 0,
            self.full_1_mv if on & ANALOGUE else 0,
            self.full_2_mv if on & ANALOGUE else 0,
            self.debounce_ms if on & EVENT else 0,
            self.pulse_ms if on & PULSES else 0,
            self.pressure_ms if on & PRESSURE else 0,
        )
        body = bytearray(block[:508])
        struct.pack_into("<BHHHBHH", body, HEADER_SENSORS_AT, *values)
        return bytes(body) + struct.pack("<I", zlib.crc32(body))


def sensor_journal(
    folder: Path, settings: Settings, *, blocks: int = 4_096, baud: int = 57_600, when_full: int = 0
) -> JournalImage:
    """A fresh journal with these settings in its header."""
    journal = make_journal(folder, blocks=blocks, baud=baud, when_full=when_full)
    at = 512 * journal.first_sector
    journal.image[at : at + 512] = settings.into(bytes(journal.image[at : at + 512]))
    return journal


@dataclass(frozen=True)
class Logged:
    """One run as it is in the journal: (tick, record) of each kind, and the line's bytes."""

    records: tuple[tuple[int, Record], ...]
    line: bytes
    raw_starts: tuple[tuple[int, int], ...]
    """(tick, number of its first byte) of each raw frame."""

    def of(self, kind: type[Record]) -> list[tuple[int, Record]]:
        """Those of one kind, in order."""
        return [(tick, record) for tick, record in self.records if type(record) is kind]

    def lost(self, cause: LossCause) -> int:
        """What the log counts for one cause."""
        return sum(r.count for _, r in self.of(Loss) if isinstance(r, Loss) and r.cause == cause)


def read_run(journal: JournalImage, run: int = 1) -> Logged:
    """What the journal holds of one run, by the host's own reader."""
    whole = b"".join(journal.block(position) for position in range(journal.blocks))
    records: list[tuple[int, Record]] = []
    line = bytearray()
    starts: list[tuple[int, int]] = []
    for frame in Journal(BytesSource(whole)).frames(run):
        status, record = frame.record()
        assert status is Status.OK, frame
        assert record is not None
        assert frame.tick is not None
        if isinstance(record, Raw):
            starts.append((frame.tick, len(line)))
        if isinstance(record, Raw | RawMore):
            line += record.data
        else:
            records.append((frame.tick, record))
    return Logged(tuple(records), bytes(line), tuple(starts))


def tick_origin(logged: Logged, bench: Bench) -> int:
    """The cycle at which tick 0 began, worked out from the line's bytes: each was read in its tick or just after."""
    cycles = bench.uart_reads["cycle"].astype(np.int64)
    in_a_tick = bench.cycles(TICK_US / 1_000)
    earliest = min(int(cycles[at]) - tick * in_a_tick for tick, at in logged.raw_starts)
    return earliest - (earliest - bench.cycles(RESET_END_MS)) % in_a_tick
