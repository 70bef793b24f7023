"""What frames of sensors cost the chip, measured on the bench: staging, reading, and sending in a block."""

from __future__ import annotations

import random
import struct
import subprocess
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import numpy as np
from offtake.bench.board import Bench, Board
from offtake.bench.cards import Card, constant
from offtake.bench.firmware import load_elf
from offtake.bench.line import Line, steady
from offtake.bench.sensors import EventInput, PressurePart, PulseInput, PulseTrain, World
from offtake.card import locate_in_image, make_card_image, prepare_in_image
from offtake.journal.frames import Frame
from offtake.journal.reader import Journal
from offtake.journal.source import BytesSource

POLLS = {"analogue": "poll_analogue", "event": "poll_event", "pulses": "poll_pulses", "pressure": "poll_pressure"}
STAGING = ("ot_sensor_log_tail", "ot_sensor_log")
"""What stages a frame; the linker may have put the first into the second."""
JOURNAL_ID = 0x5EED0001
BLOCKS = 512
_SP_AT = 0x5D
_WARM_MS = 1_500.0


@dataclass
class Calls:
    """Cycles of every call of a function, with what it called, and how many frames were staged meanwhile."""

    cycles: list[int] = field(default_factory=list)
    staged: int = 0
    return_to: int = -1
    began: int = 0


def header(sensors: int, analogue_ms: int, pulse_ms: int, pressure_ms: int, baud: int = 57_600) -> bytes:
    """Block 0, laid out by hand from shared_spec/block.toml: an hour between supply frames, debounce 5 ms."""
    fields = struct.pack("<BBIIIBHHI", 1, 0, JOURNAL_ID, BLOCKS, baud, 4, 700, 3_600, 1_700_000_000)
    more = struct.pack("<BHHHBHH", sensors, analogue_ms, 5_000, 5_000, 5, pulse_ms, pressure_ms)
    body = (b"OFTKJNL1" + fields + b"test".ljust(32, b"\0") + more).ljust(508, b"\0")
    return body + struct.pack("<I", zlib.crc32(body))


class Rig:
    """One firmware image and a card whose journal turns its sensors on; nothing on the line."""

    def __init__(self, elf: Path, clock_hz: int, folder: Path) -> None:
        self._firmware = load_elf(elf)
        self._clock_hz = clock_hz
        self._path = folder / "card.img"
        symbols = subprocess.run(["avr-nm", str(elf)], check=True, capture_output=True, text=True).stdout
        rows = [line.split() for line in symbols.splitlines()]
        self._places = {row[2].split(".")[0]: int(row[0], 16) for row in rows if len(row) == 3}
        self.staging = next(name for name in STAGING if name in self._places)

    def _bench(self, block: bytes, busy_ms: float = 2.0, line: Line | None = None) -> tuple[Bench, bytearray, int]:
        self._path.unlink(missing_ok=True)
        make_card_image(self._path, 8, fat=16)
        prepare_in_image(self._path, block, BLOCKS)
        sector = locate_in_image(self._path).extents[0].first_sector
        image = bytearray(self._path.read_bytes())
        hz = self._clock_hz
        presses = [(_WARM_MS + 50.0 + 20.0 * index) / 1000.0 * hz for index in range(5)]
        world = World(
            event=EventInput(tuple(presses), high_first=True),
            pulses=PulseInput((PulseTrain(hz, hz // 500, 1_000, hz // 1_000),)),
            pressure=PressurePart(points=((0, 415_148, 519_888),)),
        )
        bench = Bench(
            self._firmware,
            image=image,
            card=Card(busy=constant(busy_ms)),
            line=line,
            board=Board(frequency_hz=hz),
            sensors=world,
        )
        return bench, image, sector

    def calls(self, block: bytes, ms: float) -> dict[str, Calls]:
        """Cycles of every call of the polling functions and of the staging within ``ms``, followed step by step."""
        found = {name: Calls() for name in (*POLLS.values(), self.staging)}
        entries = {self._places[name]: calls for name, calls in found.items()}
        bench, _, _ = self._bench(block)
        with bench:
            bench.run_ms(_WARM_MS)
            end = bench.cycle + bench.cycles(ms)
            while bench.cycle < end:
                bench.run_until(bench.cycle + 1)
                pc = bench.pc
                for calls in found.values():
                    if pc == calls.return_to:
                        calls.cycles.append(bench.cycle - calls.began)
                        calls.return_to = -1
                entered = entries.get(pc)
                if entered is not None and entered.return_to < 0:
                    stack = int.from_bytes(bench.read_data(_SP_AT, 2), "little")
                    high, low = bench.read_data(stack + 1, 2)
                    entered.return_to, entered.began = 2 * (high << 8 | low), bench.cycle
                    for calls in found.values():
                        calls.staged += entered is found[self.staging] and calls.return_to >= 0
        return found

    def writes(self, block: bytes, ms: float) -> list[tuple[int, int]]:
        """(frames, cycles to send it) of every block but the first ones, which hold the run's start."""
        bench, image, sector = self._bench(block)
        with bench:
            bench.run_ms(_WARM_MS + ms)
            writes = bench.writes
        cycles = dict(zip(writes["lba"].tolist(), (writes["accepted"] - writes["began"]).tolist(), strict=True))
        frames = Counter(frame.position for frame in _frames(image, sector))
        return [(count, int(cycles[sector + position])) for position, count in frames.items() if position > 3]

    def codes(self, block: bytes, ms: float, baud: int, busy_ms: float) -> Counter[int]:
        """How many frames of each code reach the card within ``ms`` of a line that never pauses and a busy card."""
        payload = random.Random(1).randbytes(int(ms * baud / 10_000))
        line = steady(payload, baud=baud, frequency_hz=self._clock_hz, start_ms=_WARM_MS)
        bench, image, sector = self._bench(block, busy_ms, line)
        with bench:
            bench.run_line(then_ms=1_500.0)
        return Counter(frame.code for frame in _frames(image, sector))


def _frames(image: bytearray, sector: int) -> Iterator[Frame]:
    return Journal(BytesSource(bytes(image[512 * sector : 512 * (sector + BLOCKS)]))).frames()


@dataclass(frozen=True)
class FrameCycles:
    """Cycles: to stage a frame of two fields, to send one more frame in a block, to send a block without any, and
    beyond staging what one reading takes, by message."""

    staging: float
    sending: float
    empty_block: float
    reading: dict[str, float]


def measure(rig: Rig) -> FrameCycles:
    """Everything, from a few tenths of a second of the chip's time."""
    idle = rig.calls(header(15, 60_000, 60_000, 60_000), 15.0)
    busy = rig.calls(header(15, 20, 20, 50), 120.0)
    staging = float(median(busy[rig.staging].cycles))
    reading = {}
    for name, function in POLLS.items():
        # A turn of the main loop that asks a sensor and does nothing more costs no frame anything.
        base = float(median(idle[function].cycles))
        beyond = sum(max(0.0, cycles - base) for cycles in busy[function].cycles)
        reading[name] = max(0.0, beyond / busy[function].staged - staging)
    blocks = rig.writes(header(5, 20, 0, 0), 500.0) + rig.writes(header(5, 300, 0, 0), 2_000.0)
    blocks += rig.writes(header(4, 0, 250, 0), 1_500.0) + rig.writes(header(5, 20, 20, 0), 500.0)
    counts = np.array(blocks, dtype=float)
    (empty, slope), *_ = np.linalg.lstsq(np.c_[np.ones(len(counts)), counts[:, 0]], counts[:, 1], rcond=None)
    return FrameCycles(staging, float(slope), float(empty), reading)
