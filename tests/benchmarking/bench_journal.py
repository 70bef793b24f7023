"""Journals of any size for measurements, made fast and the same for the same seed.

    python tests/benchmarking/bench_journal.py --kind text --mib 256 FILE

`text`: sentences of an invented receiver at 10 Hz; `binary`: frames B5 62 at 10 Hz; `sensors`: sentences once a second
among some seventy small frames. As a logger writes them: raw frames from burst to pause, every number and check right.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import BinaryIO

import numpy as np
from bench_layout import (
    STRETCH_TICKS,
    TICKS_PER_S,
    Bytes,
    Layout,
    ShelfFrame,
    lay_out,
    number_blocks,
    seal_frames,
)
from bench_lines import Line, binary_line, text_line, write_line
from bench_moments import FIRST_UTC_S
from bench_shelf import sensor_frames, supply_frames, write_shelf
from offtake.codegen.description import descriptions
from offtake.generated.records import (
    BLOCK_SIZE,
    BLOCK_SPACE,
    SPEC_HASH,
    Board,
    Description,
    EndReason,
    JournalHeader,
    ResetCause,
    RunEnd,
    RunStart,
    Sensor,
    WhenFull,
)
from offtake.journal.codec import encode_block, encode_frame, encode_journal_header
from offtake.spec.load import find_spec_folder, load_spec

KINDS = ("text", "binary", "sensors")
MIB = 2**20
_BATCH_BYTES = 4 * MIB
_PAUSE_STRETCHES = 360
"""Between two runs: an hour."""
_SENSORS = Sensor.ANALOGUE | Sensor.EVENT | Sensor.PULSES | Sensor.PRESSURE


@dataclass(frozen=True)
class Made:
    """What was made. ``line_bytes``: of the receiver, in all blocks ever written."""

    path: Path
    kind: str
    size: int
    runs: int
    last_block: int
    line_bytes: int


@dataclass(frozen=True)
class _Plan:
    """A kind of journal: its line, its frames and how they lie."""

    line: Line
    shelf: tuple[ShelfFrame, ...]
    layout: Layout
    sensors: Sensor


@cache
def _plan(kind: str, seed: int) -> _Plan:
    if kind == "binary":
        line, shelf, sensors = binary_line(10, 57_600, seed), supply_frames(), Sensor(0)
    elif kind == "text":
        line, shelf, sensors = text_line(10, 115_200, seed), supply_frames(), Sensor(0)
    else:
        line, shelf, sensors = text_line(1, 38_400, seed), supply_frames() + sensor_frames(seed), _SENSORS
    return _Plan(line, tuple(shelf), lay_out(line.data, line.bursts, shelf, line.baud), sensors)


def make_journal(
    path: Path, kind: str, size: int, *, seed: int = 1, runs: int = 1, laps: float = 1.0, end: bool = True
) -> Made:
    """Write a journal of ``size`` bytes, a multiple of 512, to ``path``: full to its last block.

    ``laps`` above 1: it has gone round, so many blocks for each place. ``end``: each run has its end frame.
    """
    plan = _plan(kind, seed)
    blocks = size // BLOCK_SIZE
    total = round((blocks - 1) * laps)
    journal_id = 0x0FF7A000 + seed
    with path.open("wb") as file:
        file.write(encode_journal_header(_header(plan, blocks, journal_id, wrapped=laps > 1.0)))
        number = 1
        for run in range(1, runs + 1):
            share = total * run // runs - number + 1
            for content in _run_blocks(plan, journal_id, run, number, share, seed, end=end):
                _put(file, content, number, blocks - 1)
                number += len(content) // BLOCK_SIZE
    line_bytes = round(total / plan.layout.blocks * len(plan.line.data))
    return Made(path, kind, size, runs, total, line_bytes)


def _put(file: BinaryIO, content: memoryview, number: int, lap: int) -> None:
    """Write blocks from ``number`` on to their places, round the journal's end."""
    while content:
        place = (number - 1) % lap
        room = (lap - place) * BLOCK_SIZE
        file.seek((1 + place) * BLOCK_SIZE)
        file.write(content[:room])
        number += len(content[:room]) // BLOCK_SIZE
        content = content[room:]


def _run_blocks(
    plan: _Plan, journal_id: int, run: int, number: int, count: int, seed: int, *, end: bool
) -> Iterator[memoryview]:
    """The ``count`` blocks of a run from block ``number`` on, many at a time."""
    first_tick = TICKS_PER_S // 4
    head = _head(plan, journal_id, run, number)
    assert count > len(head) // BLOCK_SIZE + 1, "too small for a run's beginning and end"
    yield memoryview(head)
    stop = number + count - end
    number += len(head) // BLOCK_SIZE
    layout = plan.layout
    at_once = max(1, _BATCH_BYTES // layout.template.nbytes)
    stretch = 0
    while number < stop:
        k = min(at_once, math.ceil((stop - number) / layout.blocks))
        tile = np.repeat(layout.template[np.newaxis], k, axis=0)
        # Another day for each run, so that their times never meet.
        moment = run * _PAUSE_STRETCHES + _stretches_before(plan, count) * (run - 1) + stretch
        write_line(plan.line, layout.line_at, tile, moment, seed)
        write_shelf(plan.shelf, layout.shelf_at, tile, stretch)
        number_blocks(layout, tile, journal_id, run, number, first_tick + stretch * STRETCH_TICKS)
        seal_frames(layout, tile, journal_id, number)
        kept = min(k * layout.blocks, stop - number)
        yield _view(tile, kept)
        number += kept
        stretch += k
    if end:
        tick = (first_tick + stretch * STRETCH_TICKS) % 2**32
        frame = encode_frame(RunEnd.CODE, 0, RunEnd(EndReason.DESK).encode(), journal_id, number)
        yield memoryview(encode_block(journal_id, number, run, tick, frame))


def _view(tile: Bytes, blocks: int) -> memoryview:
    return memoryview(tile.reshape(-1))[: blocks * BLOCK_SIZE]


def _stretches_before(plan: _Plan, count: int) -> int:
    return math.ceil(count / plan.layout.blocks) + _PAUSE_STRETCHES


def _head(plan: _Plan, journal_id: int, run: int, number: int) -> bytes:
    """A run's first blocks: who it is, and what its messages mean."""
    payloads = [(RunStart.CODE, _run_start(plan).encode())]
    payloads += [(Description.CODE, one) for one in descriptions(load_spec(find_spec_folder()))]
    out, frames = b"", b""
    for code, payload in payloads:
        frame = encode_frame(code, 0, payload, journal_id, number)
        if len(frames) + len(frame) > BLOCK_SPACE:
            out += encode_block(journal_id, number, run, 0, frames)
            number += 1
            frames = b""
            frame = encode_frame(code, 0, payload, journal_id, number)
        frames += frame
    return out + encode_block(journal_id, number, run, 0, frames)


def _settings(plan: _Plan) -> tuple[int, int, int, int, int, int]:
    """Of the sensors: analogue interval, full scales, debounce, pulse and pressure interval."""
    return (20, 20_000, 5_000, 20, 100, 100) if plan.sensors else (0, 0, 0, 0, 0, 0)


def _header(plan: _Plan, blocks: int, journal_id: int, *, wrapped: bool) -> JournalHeader:
    when_full = WhenFull.WRAP if wrapped else WhenFull.STOP
    label = "made for measuring"
    return JournalHeader(
        when_full, journal_id, blocks, plan.line.baud, 4, 1000, 10, FIRST_UTC_S, label, plan.sensors, *_settings(plan)
    )


def _run_start(plan: _Plan) -> RunStart:
    return RunStart(
        firmware_major=1,
        firmware_minor=0,
        firmware_patch=0,
        board=Board.ATMEGA328P_16MHZ,
        spec_hash=SPEC_HASH,
        baud=plan.line.baud,
        tick_ns=4000,
        when_full=WhenFull.STOP,
        gap_bytes=4,
        close_ms=1000,
        supply_s=10,
        reset_cause=ResetCause.POWER_ON,
        sensors=plan.sensors,
        **dict(zip(_SENSOR_FIELDS, _settings(plan), strict=True)),
    )


_SENSOR_FIELDS = (
    "analogue_ms", "analogue_1_full_mv", "analogue_2_full_mv", "event_debounce_ms", "pulse_ms", "pressure_ms",
)  # fmt: skip


def main(arguments: list[str]) -> int:
    """Runs the command."""
    about = (__doc__ or "").split("\n\n")
    parser = argparse.ArgumentParser(description=f"{about[0]}\n\n{about[2]}")
    parser.add_argument("path", type=Path, metavar="FILE")
    parser.add_argument("--kind", choices=KINDS, default="text")
    parser.add_argument("--mib", type=float, default=64.0, help="size of the journal (default 64)")
    parser.add_argument("--runs", type=int, default=1)
    parser.add_argument("--laps", type=float, default=1.0, help="above 1: a journal that has gone round")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    size = round(options.mib * MIB) // BLOCK_SIZE * BLOCK_SIZE
    made = make_journal(options.path, options.kind, size, seed=options.seed, runs=options.runs, laps=options.laps)
    print(f"{made.path}: {made.size:,} bytes, {made.last_block:,} blocks written, {made.line_bytes:,} of the line")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
