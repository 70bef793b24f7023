"""The fast level: the core compiled for this computer against the bench's card model, both in one library."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import cffi  # type: ignore[import-untyped]
import numpy as np
from campaign import SECTOR
from offtake.bench.board import FAULT_LISTS, RECENT_BLOCKS
from offtake.bench.cards import Card
from offtake.bench.chip import Board
from offtake.bench.cuts import Cut, CutReport, Recent, apply_cut
from offtake.bench.figures import ACCEPTED, WRITES
from offtake.bench.native import INCLUDE, SOURCES
from offtake.hostcore.native import library_path, load
from story import Block, ChipReset, Life, PowerCut, PowerOn, Pull, Session, Stop

HZ = 16_000_000
NS_PER_CYCLE = 62.5
POWER_ON = 1
GO_ON, CUT = 0, 1
REACHED, WAS_CUT, HUNG = 0, 1, 2
NEVER = 2**64 - 1
_EDGES_NS = (np.arange(0, 10_000_000_000, 70_000_000)[:, None] + np.array([0, 300_000, 900_000])).ravel()
_PULSES_NS = np.arange(0, 10_000_000_000, 3_100_000)
"""At the sensors' inputs, for campaigns that have them on: a button that bounces once each time, and a wheel."""
_NATIVE = Path(__file__).with_name("native")
_CARD_FILES = ("bench.h", "api.h", "card.c", "cardcmd.c", "flashfault.c", "util.c")


@cache
def library() -> tuple[cffi.FFI, Any]:
    """The core, its port to this computer, the card model and the driver. InputOutputError: a tool is missing."""
    beside = [SOURCES / name for name in _CARD_FILES] + sorted(_NATIVE.glob("*.[ch]"))
    # The emulator's headers are only read: the card model takes its time from the emulator's structure.
    path = library_path(beside=beside, options=("-std=gnu99", "-isystem", str(INCLUDE)))
    return load(path, headers=(SOURCES / "api.h", _NATIVE / "driver.h"))


def card_config(ffi: cffi.FFI, card: Card) -> Any:
    """The card's manners in the bench's own terms."""
    config = ffi.new("bench_card_config_t *")
    for name in ("ncr_bytes", "accept_token", "cmd0_ignored", "garbage_bytes", "version"):
        setattr(config, name, getattr(card, name))
    for name in ("high_capacity", "miso_low_before_init", "miso_floats", "keeps_transfer", "needs_74_clocks"):
        setattr(config, name, int(getattr(card, name)))
    config.single_only = int(card.single_only)
    board = Board(frequency_hz=HZ)
    for name in ("power_up", "acmd41", "read_latency", "stop_busy"):
        setattr(config, f"{name}_cycles", int(getattr(card, f"{name}_ms") * board.frequency_hz / 1000))
    config.noise_seed = card.seed
    return config


def words(ffi: cffi.FFI, stop: Stop) -> Any:
    """A stop in the driver's terms: what does not count never comes."""

    def or_never(value: int | None) -> int:
        return NEVER if value is None else value

    fields = (stop.at_ns, stop.accepted, stop.offered, stop.in_block, stop.commands)
    return ffi.new("driver_stop_t *", [or_never(value) for value in fields])


@dataclass
class HostLevel:
    """Plays power-ons with the compiled core. Not for two threads: the core has one set of statics."""

    name: str = field(default="host", init=False)

    def play(self, image: bytearray, plan: PowerOn) -> Session:
        """Runs one power-on to its end; ``image`` is written in place, damage included."""
        return _Play(image, plan).run()


class _Play:
    """One power-on under way."""

    def __init__(self, image: bytearray, plan: PowerOn) -> None:
        self.ffi, self.lib = library()
        self.image, self.plan = image, plan
        self.session = Session([], [], 0, set(), remembered=plan.remembered)
        self.lost: dict[int, bool] = {}
        self.life_from = [0]
        self.back_ns: int | None = None
        self.begun_ns = 0
        self.ends = plan.speech.ends_ns
        ffi = self.ffi
        self.times = ffi.cast("uint64_t *", ffi.from_buffer(self.ends))
        self.bytes = ffi.from_buffer("uint8_t[]", plan.speech.data)
        self.at_stop = ffi.callback("uint32_t(void)", self._at_stop)
        self.edges = ffi.new("uint64_t[]", [int(at) for at in _EDGES_NS])
        self.pulses = ffi.new("uint64_t[]", [int(at) for at in _PULSES_NS])
        self.view = ffi.from_buffer(image, require_writable=True)
        pointer = ffi.cast("uint8_t *", self.view)
        config = card_config(ffi, plan.card)
        self.driver = self.lib.driver_new(self.at_stop, pointer, len(image) // SECTOR, config)
        self.bench = self.lib.driver_bench(self.driver)
        busy = plan.card.busy_cycles(HZ)
        self.lib.bench_card_busy_times(self.bench, ffi.cast("uint64_t *", ffi.from_buffer(busy)), len(busy))
        for kind, name in enumerate(FAULT_LISTS):
            ordinals = list(getattr(plan.card, name))
            self.lib.bench_card_faults(self.bench, kind, ffi.new("uint64_t[]", ordinals), len(ordinals))

    def run(self) -> Session:
        try:
            self._begin(POWER_ON, 0)
            if self.plan.stop is not None:
                self.lib.driver_set_stop(self.driver, words(self.ffi, self.plan.stop))
            how = self.lib.driver_run(self.driver, self.plan.until_ns)
            if how == WAS_CUT and isinstance(self.plan.event, ChipReset):
                self._end_life()
                self.life_from.append(self._accepted())
                self._begin(self.plan.event.cause, self._now())
                how = self.lib.driver_run(self.driver, self.plan.until_ns)
            self._finish(how)
        finally:
            self.lib.driver_free(self.driver)
        return self.session

    # ---- the chip ----

    def _begin(self, cause: int, start_ns: int) -> None:
        self.begun_ns, self.cause = start_ns, cause
        lib, data = self.lib, self.plan.speech.data
        lib.driver_begin(self.driver, self.times, self.bytes, len(data), cause, start_ns)
        if self.session.remembered is not None:
            lib.host_settings_put(True, *self.session.remembered)
        lib.host_sensors_put(self.edges, len(self.edges), self.pulses, len(self.pulses), 700, 40)

    def _now(self) -> int:
        return int(self.lib.driver_time_ns(self.driver))

    def _accepted(self) -> int:
        return int(self._stats().blocks_written)

    def _stats(self) -> Any:
        stats = self.ffi.new("bench_card_stats_t *")
        self.lib.bench_card_stats(self.bench, stats)
        return stats

    def _end_life(self) -> None:
        end, heard = int(self.lib.host_logger_delivered()), int(self.lib.host_logger_heard())
        data, ends = self.plan.speech.data[end - heard : end], self.ends[end - heard : end]
        self.session.lives.append(Life(self.cause, self.begun_ns, self._now(), data, ends))
        baud, gap = self.ffi.new("uint32_t *"), self.ffi.new("uint8_t *")
        if self.lib.host_settings_get(baud, gap):
            self.session.remembered = (int(baud[0]), int(gap[0]))

    # ---- what happens ----

    def _at_stop(self) -> int:
        event = self.plan.event
        if self.back_ns is not None:
            self.lib.driver_insert(self.driver, card_config(self.ffi, self.plan.card))
            self.back_ns = None
        elif isinstance(event, Pull):
            self.lib.bench_card_remove(self.bench)
            report = self._damage(event.cut)
            self.session.pull_hit = report.in_flight is not None
            self.back_ns = self._now() + event.back_ns
            self.session.pulled_ns = (self._now(), self.back_ns)
            self.lib.driver_set_stop(self.driver, words(self.ffi, Stop(at_ns=self.back_ns)))
        else:
            return CUT
        return GO_ON

    def _damage(self, cut: Cut) -> CutReport:
        recent = self._recent()
        report = apply_cut(cut, self.image, recent, b"", -1, 0)
        self.session.harmed |= set(report.changed) | set(report.garbage)
        if report.in_flight is not None:
            self.session.harmed.add(report.in_flight)
            at = report.in_flight * SECTOR
            self.lost[self._accepted() - 1] = self.image[at : at + SECTOR] == recent[0].after
        return report

    def _recent(self) -> list[Recent]:
        ffi = self.ffi
        lba, settled = ffi.new("uint32_t *"), ffi.new("uint32_t *")
        before, after = ffi.new(f"uint8_t[{SECTOR}]"), ffi.new(f"uint8_t[{SECTOR}]")
        found: list[Recent] = []
        while len(found) < RECENT_BLOCKS and self.lib.bench_card_recent(
            self.bench, len(found), lba, before, after, settled
        ):
            found.append(Recent(int(lba[0]), bool(settled[0]), bytes(before), bytes(after)))
        return found

    def _finish(self, how: int) -> None:
        session = self.session
        self._end_life()
        session.end_ns = self._now()
        stats = self._stats()
        session.commands, session.reads = int(stats.commands), int(stats.blocks_read)
        if how == HUNG:
            session.hung = f"the core did not come back from one turn of its loop by {session.end_ns / 1e6:.0f} ms"
        event = self.plan.event
        cut = event.cut if how == WAS_CUT and isinstance(event, PowerCut) else Cut()
        self._damage(cut)
        self._collect()

    def _collect(self) -> None:
        ffi, count = self.ffi, self.ffi.new("uint64_t *")
        log = self.lib.bench_card_writes(self.bench, count)
        size = int(count[0]) * WRITES.itemsize
        writes = np.frombuffer(bytes(ffi.buffer(log, size)) if size else b"", dtype=WRITES)
        self.session.offered = len(writes)
        lba = ffi.new("uint32_t *")
        before, after = ffi.new(f"uint8_t[{SECTOR}]"), ffi.new(f"uint8_t[{SECTOR}]")
        for index, row in enumerate(writes[writes["response"] == ACCEPTED]):
            self.lib.bench_card_block(self.bench, index, lba, before, after)
            life = sum(1 for start in self.life_from if start <= index) - 1
            self.session.blocks.append(
                Block(
                    sector=int(row["lba"]),
                    accepted_ns=int(row["accepted"] * NS_PER_CYCLE),
                    durable_ns=int(row["durable"] * NS_PER_CYCLE),
                    before=bytes(before),
                    after=bytes(after),
                    kept=index not in self.lost,
                    survived=self.lost.get(index, False),
                    life=life,
                )
            )
