"""The true level: the real firmware image on the bench, stopped at any cycle of the chip."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np
from campaign import SECTOR
from ground import Speech
from offtake.bench.board import Bench
from offtake.bench.cuts import Cut, CutReport, Recent
from offtake.bench.figures import ACCEPTED, End, Reset
from offtake.bench.firmware import Firmware, load_elf
from offtake.bench.line import Line, patterns
from offtake.firmware_build import build
from story import Block, ChipReset, Life, PowerCut, PowerOn, Pull, Session, Stop

HZ = 16_000_000
NS_PER_CYCLE = 62.5
VARIANT = "atmega328p_16mhz"
_STEP_MS = 0.1
_NS_PER_BUS_BYTE = 3_000
"""About what a byte of a block takes on the board's bus: only to spread cuts over a block under way."""


@cache
def firmware() -> Firmware:
    """The image, built once. InputOutputError: a tool is missing."""
    return load_elf(build(VARIANT))


def wire(speech: Speech) -> Line:
    """The speech as a waveform."""
    bit = HZ / speech.baud
    return Line(speech.starts_ns * (HZ / 1e9), patterns(speech.data), np.full(len(speech.data), bit))


@dataclass
class BenchLevel:
    """Plays power-ons with the firmware image in the emulator."""

    name: str = field(default="bench", init=False)

    def play(self, image: bytearray, plan: PowerOn) -> Session:
        """Runs one power-on to its end; ``image`` is written in place, damage included."""
        return _Play(image, plan).run()


class _Play:
    """One power-on under way."""

    def __init__(self, image: bytearray, plan: PowerOn) -> None:
        self.image, self.plan = image, plan
        self.bench = Bench(
            firmware(), image=image, card=plan.card, line=wire(plan.speech), eeprom=plan.remembered, seed=plan.seed
        )
        self.session = Session([], [], 0, set())
        self.lost: dict[int, bool] = {}
        self.starts: list[tuple[int, int, int]] = [(1, 0, 0)]
        """Of each life: cause, first cycle, blocks accepted before."""

    def run(self) -> Session:
        with self.bench:
            stopped = self._run_to(self.plan.stop) if self.plan.stop else False
            event = self.plan.event
            if stopped and isinstance(event, PowerCut):
                self._finish(event.cut)
                return self.session
            if stopped and isinstance(event, Pull):
                self._pull(event)
            elif stopped and isinstance(event, ChipReset):
                self.starts.append((event.cause, self.bench.cycle, self._accepted()))
                self.bench.reset(Reset(event.cause))
            self._alive(self.bench.run_until(self._cycles(self.plan.until_ns)))
            self._finish(Cut())
        return self.session

    @staticmethod
    def _cycles(ns: int) -> int:
        return int(ns / NS_PER_CYCLE)

    def _accepted(self) -> int:
        return int(self.bench.card_counts.blocks_written)

    def _alive(self, end: End) -> None:
        if not end.ok:
            self.session.hung = f"the firmware {end.status.name.lower().replace('_', ' ')} {end.message}".strip()

    def _run_to(self, stop: Stop) -> bool:
        """Runs to the stop; False when the power-on ends before."""
        bench, until = self.bench, self._cycles(self.plan.until_ns)
        if stop.at_ns is not None:
            self._alive(bench.run_until(min(self._cycles(stop.at_ns), until)))
            return bench.cycle < until
        wanted = stop.accepted if stop.accepted is not None else stop.offered
        if wanted:
            limit_ms = (until - bench.cycle) / HZ * 1000
            self._alive(bench.run_until_blocks(wanted, limit_ms=limit_ms))
        if stop.offered is not None:
            while bench.cycle < until and not bench.card_counts.receiving:
                self._alive(bench.run_ms(_STEP_MS))
            self._alive(bench.run_ms(max(0.001, stop.in_block * _NS_PER_BUS_BYTE / 1e6)))
        return bench.cycle < until and (wanted is None or self._accepted() >= wanted)

    def _pull(self, event: Pull) -> None:
        bench, session = self.bench, self.session
        report = bench.remove_card(event.cut)
        self._note(report, bench.accepted_blocks())
        session.pull_hit = report.in_flight is not None
        now = int(bench.cycle * NS_PER_CYCLE)
        session.pulled_ns = (now, now + event.back_ns)
        self._alive(bench.run_until(self._cycles(now + event.back_ns)))
        bench.insert_card(self.image, self.plan.card)

    def _note(self, report: CutReport, blocks: list[Recent]) -> None:
        session = self.session
        session.harmed |= set(report.changed) | set(report.garbage)
        if report.in_flight is not None:
            session.harmed.add(report.in_flight)
            at = report.in_flight * SECTOR
            self.lost[len(blocks) - 1] = self.image[at : at + SECTOR] == blocks[-1].after

    def _finish(self, cut: Cut) -> None:
        bench, session = self.bench, self.session
        counts = bench.card_counts
        session.commands, session.reads = counts.commands, counts.blocks_read
        session.offered = len(bench.writes)
        session.end_ns = int(bench.cycle * NS_PER_CYCLE)
        self._tell_lives()
        blocks, writes = bench.accepted_blocks(), bench.writes
        taken = writes[writes["response"] == ACCEPTED]
        report = bench.cut(cut)
        session.remembered = report.eeprom
        self._note(report, blocks)
        for index, (row, block) in enumerate(zip(taken, blocks, strict=True)):
            session.blocks.append(
                Block(
                    sector=block.lba,
                    accepted_ns=int(row["accepted"] * NS_PER_CYCLE),
                    durable_ns=int(row["durable"] * NS_PER_CYCLE),
                    before=block.before,
                    after=block.after,
                    kept=index not in self.lost,
                    survived=self.lost.get(index, False),
                    life=sum(1 for start in self.starts if start[2] <= index) - 1,
                )
            )

    def _tell_lives(self) -> None:
        reads = self.bench.uart_reads
        ends = [cycle for _, cycle, _ in self.starts[1:]] + [self.bench.cycle]
        for (cause, first, _), end in zip(self.starts, ends, strict=True):
            here = reads[(reads["cycle"] >= first) & (reads["cycle"] < end)]
            heard = here["value"].astype(np.uint8).tobytes()
            when = (here["cycle"] * NS_PER_CYCLE).astype(np.uint64)
            life = Life(cause, int(first * NS_PER_CYCLE), int(end * NS_PER_CYCLE), heard, when)
            self.session.lives.append(life)
