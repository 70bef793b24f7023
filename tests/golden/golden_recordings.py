"""The recordings that golden journals hold: the real firmware on the bench, through much of what befalls a logger.

Everything is invented and seeded: the same firmware gives the same bytes. What a release adds is recorded in a
recording of its own, so that the ones before stay as they are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any

from offtake.bench.board import Bench
from offtake.bench.cards import Card, constant, scripted
from offtake.bench.cuts import Cut, Damage
from offtake.bench.figures import End, Reset
from offtake.bench.line import Line, bursts, line_break, steady
from offtake.bench.sensors import AnalogueInput, EventInput, PressurePart, PulseInput, PulseTrain, World
from offtake.card import locate_in_image, make_card_image, prepare_in_image
from offtake.errors import DamageError
from offtake.generated.records import JournalHeader, Sensor, WhenFull
from offtake.journal.codec import encode_journal_header

HZ = 16_000_000
BLOCK = 512
CARD_MIB = 8
CREATED_UTC_S = 1_790_000_000
SEEK_MS = 0.25
SEEKS_MAX = 8_000
LABEL = "Übung №1 · čeština 試"
"""Words in three scripts, one to three bytes a letter."""


@dataclass
class Rig:
    """One card with a journal on it and one chip's EEPROM, over as many starts as a recording wants."""

    firmware: Path
    header: JournalHeader
    folder: Path
    eeprom: bytes | None = None
    starts: int = 0
    image: bytearray = field(default_factory=bytearray)
    first_sector: int = 0

    def __post_init__(self) -> None:
        path = self.folder / "card.img"
        path.unlink(missing_ok=True)
        make_card_image(path, CARD_MIB, fat=16)
        prepare_in_image(path, encode_journal_header(self.header), self.header.blocks)
        self.first_sector = locate_in_image(path).extents[0].first_sector
        self.image = bytearray(path.read_bytes())

    def start(self, line: Line, card: Card, world: World | None = None) -> Bench:
        """Power on, with what the chip remembers."""
        self.starts += 1
        seed, eeprom = self.starts, self.eeprom
        return Bench(self.firmware, image=self.image, card=card, line=line, sensors=world, eeprom=eeprom, seed=seed)

    def cut(self, bench: Bench, cut: Cut) -> None:
        """Power off with a block in flight."""
        run_into_a_write(bench)
        self.eeprom = bench.cut(cut).eeprom

    def rewrite_header(self, header: JournalHeader) -> None:
        """A new journal over the old one, as the desk makes it: block 0 alone."""
        self.header = header
        at = BLOCK * self.first_sector
        self.image[at : at + BLOCK] = encode_journal_header(header)

    @property
    def journal(self) -> bytes:
        """The journal's file."""
        at = BLOCK * self.first_sector
        return bytes(self.image[at : at + BLOCK * self.header.blocks])


def header(journal_id: int, blocks: int, **others: Any) -> JournalHeader:
    """A journal's header with ``others`` of its fields, with nothing drawn and no clock read."""
    usual = {"when_full": WhenFull.STOP, "baud": 57_600, "gap_bytes": 4, "close_ms": 700, "supply_s": 1, "label": ""}
    return JournalHeader(journal_id=journal_id, blocks=blocks, created_utc_s=CREATED_UTC_S, **(usual | others))


def alive(end: End) -> None:
    """Raises DamageError when the chip is not."""
    if not end.ok:
        raise DamageError(f"the firmware {end.status.name.lower()}: {end.message}", where=f"cycle {end.cycle}")


def run_into_a_write(bench: Bench) -> None:
    """Goes on until the card has a block in flight, so that a cut has something to tear."""
    for _ in range(SEEKS_MAX):
        if bench.card_counts.in_flight:
            return
        alive(bench.run_ms(SEEK_MS))
    raise DamageError("no block was written", where=f"cycle {bench.cycle}")


def sentence(body: str) -> bytes:
    """An NMEA 0183 sentence around ``body``."""
    return f"${body}*{reduce(xor, body.encode()):02X}\r\n".encode()


def epoch(second: float) -> bytes:
    """What an invented receiver, drifting about a whole degree at sea, says ``second`` seconds into its day."""
    minutes, stamp = 0.01 * second, f"12{int(second) // 60:02d}{second % 60:05.2f}"
    place = f"{3000 + minutes:010.5f},S,{11500 + 2 * minutes:011.5f},W"
    return sentence(f"GPGGA,{stamp},{place},1,09,0.9,12.4,M,-8.1,M,,") + sentence(
        f"GPRMC,{stamp},A,{place},1.2,093.4,230926,,,A"
    )


def epochs(count: int, *, baud: int, start_ms: float, period_ms: float, first: float) -> Line:
    """``count`` epochs of the receiver as bursts on the line."""
    chunks = [epoch(first + index * period_ms / 1000.0) for index in range(count)]
    return bursts(chunks, baud=baud, frequency_hz=HZ, period_ms=period_ms, start_ms=start_ms)


def saturated(count: int, *, baud: int, start_ms: float, first: float) -> Line:
    """``count`` bytes of the receiver without a pause."""
    text = b"".join(epoch(first + index) for index in range(count // 100))[:count]
    return steady(text, baud=baud, frequency_hz=HZ, start_ms=start_ms)


def full(firmware: Path, folder: Path) -> bytes:
    """Five runs until the journal is full: a wrong speed at first, a break, a stall that costs bytes, a block torn by
    a cut, a reset of the chip alone, a finished block that a later cut turned to noise, a card pulled while busy."""
    baud = 38_400
    rig = Rig(firmware, header(0x601D0001, 38, baud=baud, label=LABEL), folder)
    line = (
        epochs(3, baud=baud, start_ms=150, period_ms=80, first=0.0)
        .then(epochs(6, baud=baud, start_ms=1000, period_ms=200, first=1.0))
        .then(line_break(start_cycle=2.4 * HZ, length_cycles=0.001 * HZ))
        .then(epochs(2, baud=baud, start_ms=2600, period_ms=200, first=2.4))
        .then(saturated(4800, baud=baud, start_ms=3100, first=3.0))
    )
    busy = scripted(*[5.0] * 9, 650.0, *[9.0] * 40)
    with rig.start(line, Card(busy=busy, seed=1)) as bench:
        alive(bench.run_ms(4350))
        rig.cut(bench, Cut(Damage.TORN, torn_at=300))
    line = epochs(12, baud=baud, start_ms=700, period_ms=200, first=10.0)
    with rig.start(line, Card(busy=constant(8), seed=2)) as bench:
        alive(bench.run_ms(1900))
        bench.reset(Reset.WATCHDOG)
        alive(bench.run_ms(1100))
        rig.cut(bench, Cut(Damage.NEIGHBOUR, neighbour=-2, seed=3))
    line = saturated(12_000, baud=baud, start_ms=700, first=20.0)
    with rig.start(line, Card(busy=constant(20), seed=4)) as bench:
        alive(bench.run_ms(1300))
        run_into_a_write(bench)
        bench.remove_card(Cut(Damage.TORN, torn_at=121))
        alive(bench.run_ms(150))
        bench.insert_card(rig.image, Card(busy=constant(3), seed=5))
        alive(bench.run_line(then_ms=1500))
    return rig.journal


def wrapped(firmware: Path, folder: Path) -> bytes:
    """Two runs in a small journal that wraps: the second goes over the first's beginning; both end in a torn block."""
    rig = Rig(firmware, header(0x601D0002, 10, when_full=WhenFull.WRAP, gap_bytes=8, label="wrapped"), folder)
    for first in (0.0, 30.0):
        line = saturated(3000, baud=57_600, start_ms=600, first=first)
        with rig.start(line, Card(busy=scripted(2.0, 3.0, 5.0), seed=6)) as bench:
            alive(bench.run_ms(1050))
            rig.cut(bench, Cut(Damage.TORN, torn_at=77))
    return rig.journal


def renewed(firmware: Path, folder: Path) -> bytes:
    """A journal begun over an older one: blocks of that lie behind its own, and never written ones behind those."""
    rig = Rig(firmware, header(0x601D0003, 10, close_ms=250), folder)
    for start, count in ((600, 7), (600, 2)):
        line = epochs(count, baud=57_600, start_ms=start, period_ms=400, first=40.0)
        with rig.start(line, Card(busy=constant(4), seed=7)) as bench:
            alive(bench.run_line(then_ms=600))
            rig.eeprom = bench.cut(Cut()).eeprom
        if count == 7:
            rig.rewrite_header(header(0x601D0004, 10, close_ms=1000, gap_bytes=100, label="x" * 32))
    return rig.journal


def measured(firmware: Path, folder: Path) -> bytes:
    """Two runs with sensors: all of them, through a stall that leaves no room for their frames and a while in which the
    pressure part is gone; then one analogue input and the pulses alone."""
    every = Sensor.ANALOGUE | Sensor.EVENT | Sensor.PULSES | Sensor.PRESSURE
    full_mv = {"analogue_1_full_mv": 20_000, "analogue_2_full_mv": 5_000}
    rates = {"analogue_ms": 150, "event_debounce_ms": 20, "pulse_ms": 250, "pressure_ms": 200}
    rig = Rig(firmware, header(0x601D0005, 24, label="measured", sensors=every, **full_mv, **rates), folder)
    line = epochs(6, baud=57_600, start_ms=700, period_ms=300, first=50.0)
    busy = scripted(*[4.0] * 4, 900.0, *[4.0] * 40)
    with rig.start(line, Card(busy=busy, seed=8), world()) as bench:
        alive(bench.run_ms(3600))
        rig.eeprom = bench.cut(Cut()).eeprom
    some = Sensor.ANALOGUE | Sensor.PULSES
    rig.rewrite_header(replace(rig.header, sensors=some, analogue_2_full_mv=0, event_debounce_ms=0, pressure_ms=0))
    with rig.start(Line(), Card(busy=constant(4), seed=9), world()) as bench:
        alive(bench.run_ms(1700))
        rig.cut(bench, Cut(Damage.TORN, torn_at=200))
    return rig.journal


def world() -> World:
    """What the sensors feel: a rising and a steady voltage, a button that bounces, twice a mere spike, a wheel that
    slows down, and a part that stands in falling pressure and is unplugged for a while."""
    second = float(HZ)
    press, spike = (0.0, 0.002, 0.003, 0.25, 0.251, 0.26), (0.0, 0.005)
    moves = ((0.75, press), (1.1, press), (1.6, press), (2.4, spike), (2.6, spike), (2.9, press))
    edges = tuple((at + edge) * second for at, move in moves for edge in move)
    rates_hz = ((0.6, 200), (1.3, 90), (2.2, 12))
    trains = tuple(PulseTrain(at * second, second / hz, hz // 2, 400.0) for at, hz in rates_hz)
    points = [(0.0, 101_325.0, 21.5), (4 * second, 100_100.0, 19.25)]
    present = ((0.0, 2.0 * second), (2.6 * second, 9 * second))
    return World(
        analogue_1=AnalogueInput(((0.0, 200.0), (4 * second, 4_300.0)), noise_mv=3.0),
        analogue_2=AnalogueInput(((0.0, 1_650.0),)),
        event=EventInput(edges, high_first=True),
        pulses=PulseInput(trains),
        pressure=PressurePart.truth(points, present=present),
        seed=10,
    )


RECORDINGS: dict[str, Callable[[Path, Path], bytes]] = {
    "full": full,
    "wrapped": wrapped,
    "renewed": renewed,
    "measured": measured,
}
"""What each golden journal holds, by its name; each takes the firmware (an ELF file) and a scratch folder."""

SINCE = {"measured": 2}
"""The release from which on there is such a journal, where that is not the first."""
