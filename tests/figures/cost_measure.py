"""What the firmware costs while it runs: interrupts, time, stack, overhead. All figures are of the emulated chip."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from offtake.bench.board import Bench
from offtake.bench.cards import AWKWARD, Card, constant, scripted
from offtake.bench.desk import DeskServer
from offtake.bench.figures import RX_VECTOR, Cost
from offtake.errors import InputOutputError
from offtake.generated.records import Description, Raw, RawMore, RunStart
from offtake.journal.reader import Journal
from offtake.journal.source import BytesSource
from offtake.link.desk import open_desk
from offtake.link.runs import list_runs
from rig import LINE_START_MS, JournalImage, Rig, noise
from stall_search import BAUDS

FASTEST_BD = 250_000
LONG_WAY_VECTOR = 22
"""EE_READY, which the port borrows for the long way of a byte; others may interrupt it, and its cycles hold theirs."""
STEADY_MS = 1000.0
STARTUP_MS = 65.0
"""Between power-on and the first instruction on the bench; see offtake.bench.chip.Board."""
WRITE_MULTIPLE = 25
START_BD = 57_600


@dataclass
class Interrupts:
    """Cycles of one vector over all measurements, entry and return included."""

    count: int = 0
    total: float = 0.0
    worst: int = 0

    @property
    def mean(self) -> float:
        """Cycles."""
        return self.total / self.count if self.count else 0.0

    def add(self, count: int, worst: int, mean: float) -> None:
        """Takes in one measurement."""
        self.count += count
        self.total += count * mean
        self.worst = max(self.worst, worst)


@dataclass(frozen=True)
class SpeedCost:
    """A saturated line at one speed on a card that is busy for 2 ms after each block; shares are of all cycles.

    ``work_share`` is interrupts and the writing of blocks; the rest waits. Time in an
    interrupt that interrupts another counts twice, so both are upper bounds. ``line_bd`` is the chip's own rate where a
    line at ``baud`` would be misread.
    """

    baud: int
    line_bd: float
    receive_mean_cycles: float
    interrupt_share: float
    work_share: float
    write_mean_cycles: float
    write_worst_cycles: int
    overhead: float


@dataclass(frozen=True)
class StartCost:
    """A start on a fresh journal, the line saturated at 57,600 baud from power-on; times from the first instruction.

    ``first_kept_ms`` is the end of the first line byte that is found on the card; ``ready_ms`` the first command to
    write a block; ``lost`` the line's bytes dropped by the ring before.
    """

    journal_mib: int
    first_kept_ms: float
    ready_ms: float
    lost: int


@dataclass
class Costs:
    """Everything measured for one board variant."""

    clock_hz: int
    receive: Interrupts = field(default_factory=Interrupts)
    other: dict[int, Interrupts] = field(default_factory=dict)
    irq_off_worst: int = 0
    stack: dict[str, int] = field(default_factory=dict)
    speeds: list[SpeedCost] = field(default_factory=list)
    starts: list[StartCost] = field(default_factory=list)
    not_measured: dict[str, str] = field(default_factory=dict)
    """Phases that could not be reached, with the reason."""

    @property
    def irq_off_share(self) -> float:
        """Longest time with interrupts off, in bytes at 250,000 baud."""
        return self.irq_off_worst / (10 * self.clock_hz / FASTEST_BD)

    def take(self, phase: str, cost: Cost) -> None:
        """Adds one measurement to the interrupts, the time without them and the stack of ``phase``."""
        for vector, figures in cost.interrupts.items():
            to = self.receive if vector == RX_VECTOR else self.other.setdefault(vector, Interrupts())
            to.add(figures.count, figures.worst, figures.mean)
        self.irq_off_worst = max(self.irq_off_worst, cost.irq_off_worst)
        self.stack[phase] = max(self.stack.get(phase, 0), cost.stack_bytes)


def measure(
    rig: Rig, *, bauds: tuple[int, ...] = BAUDS, journals_mib: tuple[int, ...] = (1, 32), desk: bool = True
) -> Costs:
    """Runs every measurement."""
    costs = Costs(rig.clock_hz)
    _mounts(rig, costs)
    for baud in bauds:
        costs.speeds.append(_saturated(rig, baud, costs))
    _faults(rig, costs)
    _silent_card(rig, costs)
    if desk:
        _desk(rig, costs)
    costs.starts.extend(_start(rig, mib) for mib in journals_mib)
    return costs


def _mounts(rig: Rig, costs: Costs) -> None:
    """From reset to recording: FAT16 and FAT32, a plain card and an awkward one."""
    for fat, size_mib, card in ((16, 8, Card(busy=constant(2.0))), (32, 40, AWKWARD)):
        journal = rig.journal(START_BD, size_mib=size_mib, fat=fat)
        line = rig.saturated(noise(4000, 21), START_BD, start_ms=STARTUP_MS)
        with rig.bench(journal, card=card, line=line, eeprom=None, profile=True) as bench:
            bench.run_until_blocks(1, limit_ms=3000)
            costs.take("start and mount", bench.cost)


def _saturated(rig: Rig, baud: int, costs: Costs) -> SpeedCost:
    journal = rig.journal(baud)
    eeprom = rig.taught(journal)
    line_bd = float(baud)
    if not _reads(rig, journal, baud, eeprom):
        line_bd = rig.own_rate(baud)
    duration_ms = max(STEADY_MS, 4 * 512 * 10_000 / line_bd)
    payload = noise(int(duration_ms * line_bd / 10_000) + 600, 22)
    line = rig.saturated(payload, line_bd)
    with rig.bench(journal, card=Card(busy=constant(2.0)), line=line, eeprom=eeprom, profile=True) as bench:
        bench.run_ms(LINE_START_MS + 600 * 10_000 / line_bd)
        costs.take("recording", bench.cost)
        bench.clear_cost()
        began = bench.cycle
        bench.run_ms(duration_ms)
        cost, took = bench.cost, bench.cycle - began
        costs.take("recording", cost)
        writes = bench.writes[bench.writes["began"] >= began]
        cycles = (writes["accepted"] - writes["began"]).astype(np.int64)
        bench.run_line(then_ms=1500)
    interrupts = sum(i.count * i.mean for i in cost.interrupts.values()) / took
    writing = float(cycles.sum()) / took
    return SpeedCost(
        baud=baud,
        line_bd=line_bd,
        receive_mean_cycles=cost.interrupts[RX_VECTOR].mean,
        interrupt_share=interrupts,
        # The line is steady, so interrupts take their share of the time between the writes too.
        work_share=writing + interrupts * (1.0 - writing),
        write_mean_cycles=float(cycles.mean()),
        write_worst_cycles=int(cycles.max()),
        overhead=_overhead(journal),
    )


def _overhead(journal: JournalImage) -> float:
    """Bytes of blocks over the line's bytes in them, less one.

    The first blocks, which hold the run's start and its descriptions, and the last, which is closed by its age, stand
    apart.
    """
    start = 512 * journal.sector(0)
    source = BytesSource(bytes(journal.image[start : start + 512 * journal.blocks]))
    line_bytes: dict[int, int] = {}
    starts: set[int] = set()
    for frame in Journal(source).frames():
        _, record = frame.record()
        line_bytes[frame.position] = line_bytes.get(frame.position, 0) + (
            len(record.data) if isinstance(record, Raw | RawMore) else 0
        )
        if isinstance(record, RunStart | Description):
            starts.add(frame.position)
    whole = [line_bytes[position] for position in sorted(line_bytes)[:-1] if position not in starts]
    return 512 * len(whole) / sum(whole) - 1.0


def _reads(rig: Rig, journal: JournalImage, baud: int, eeprom: bytes) -> bool:
    """Whether the chip reads a saturated line at this speed without a fault."""
    before = bytes(journal.image)
    payload = noise(2000, 23)
    with rig.bench(journal, card=Card(), line=rig.saturated(payload, baud), eeprom=eeprom) as bench:
        bench.run_line(then_ms=2)
        uart = bench.uart
    journal.image[:] = before
    return (uart.read, uart.framing_errors) == (len(payload), 0)


def _faults(rig: Rig, costs: Costs) -> None:
    """A full ring, framing errors and overruns; pauses between bursts, so that marks run out too."""
    for fat, size_mib in ((16, 8), (32, 40)):
        journal = rig.journal(START_BD, size_mib=size_mib, fat=fat)
        hz = rig.clock_hz
        line = rig.saturated(noise(6000, 24), START_BD, start_ms=1200)
        line = line.with_glitches(60, seed=2, width_cycles=hz // 100_000, until_cycle=2.4 * hz)
        with rig.bench(
            journal, card=Card(busy=scripted(5, 400, 5), seed=3), line=line, eeprom=None, profile=True
        ) as bench:
            bench.run_ms(1100)
            bench.clear_cost()
            bench.run_line(then_ms=1500)
            costs.take("losses and faults", bench.cost)


def _silent_card(rig: Rig, costs: Costs) -> None:
    """The card is pulled with the line on: the ring fills, and the card is looked for again and again."""
    journal = rig.journal(START_BD)
    line = rig.saturated(noise(8000, 25), START_BD)
    with rig.bench(journal, card=Card(), line=line, eeprom=rig.taught(journal), profile=True) as bench:
        bench.run_ms(LINE_START_MS + 300)
        bench.remove_card()
        bench.clear_cost()
        bench.run_ms(600)
        costs.take("losses and faults", bench.cost)


def _desk(rig: Rig, costs: Costs) -> None:
    """Every request of the desk once; where no desk is reached, that is what is told."""
    journal = rig.journal(START_BD)
    header = journal.block(0)
    with rig.bench(journal, card=AWKWARD, line=None, eeprom=None, profile=True) as bench:
        try:
            with DeskServer(bench) as server, open_desk(server.port) as desk:
                desk.describe()
                list_runs(desk)
                desk.read(0, 1024, 512, lambda _offset, _data: None)
                desk.write_header(header)
                desk.leave()
        except InputOutputError as error:
            costs.not_measured["desk"] = error.what
            return
        costs.take("desk", bench.cost)


def _start(rig: Rig, journal_mib: int) -> StartCost:
    journal = rig.journal_on_big_clusters(START_BD, blocks=journal_mib * 2048)
    eeprom = rig.taught(journal)
    payload = noise(int(1.8 * START_BD / 10), 26)
    line = rig.saturated(payload, START_BD, start_ms=0.0)
    with rig.bench(journal, card=Card(busy=constant(2.0)), line=line, eeprom=eeprom) as bench:
        bench.run_line(then_ms=1500)
        commands = bench.commands
        first_write = int(commands["cycle"][commands["kind"] == WRITE_MULTIPLE][0])
        ready_ms = bench.ms(first_write) - STARTUP_MS
        first_kept = _first_kept(bench, journal, payload)
    seen = journal.read()
    lost = sum(causes.get(1, 0) for causes in seen.lost.values())
    return StartCost(journal_mib, first_kept - STARTUP_MS, ready_ms, lost)


def _first_kept(bench: Bench, journal: JournalImage, payload: bytes) -> float:
    """Milliseconds from power-on to the end of the first line byte on the card.

    The first read byte is often the remainder of one that was under way, so what is looked for is the first piece of
    eight bytes of the log that stands in what was sent.
    """
    seen = journal.read()
    data = bytes(seen.data[min(seen.data)])
    for at in range(64):
        index = payload.find(data[at : at + 8])
        if index >= 0:
            return (index + 1) * 10_000 / START_BD
    raise AssertionError("nothing of the line is on the card")
