"""One power-up of the core on this computer, in virtual time, against the bench's card model."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.bench.bus import CardBus
from offtake.bench.cards import Card
from offtake.hostcore.native import library_path, load

POWER_ON = 1


@dataclass(frozen=True)
class CoreRun:
    """What a session came to: line bytes that reached the core, and bytes still in its ring at the end."""

    delivered: int
    waiting: int
    end_ns: int


def run_core(image: Any, times_ns: NDArray[np.uint64], data: bytes, card: Card, until_ns: int) -> CoreRun:
    """Record ``data``, whose bytes end at ``times_ns`` (sorted, same length), on the card in ``image`` (written in
    place), until ``until_ns``; then the power is gone. Blocks the card has accepted by then are in the image.
    """
    if len(times_ns) != len(data):
        raise ValueError(f"{len(times_ns)} times for {len(data)} bytes")
    bus = CardBus(image, card, divider=2)
    with tempfile.TemporaryDirectory() as folder:
        # The core keeps its state in statics, as firmware does: a library file of its own is a chip of its own.
        own = Path(shutil.copy(library_path(), Path(folder) / "core.so"))
        ffi, lib = load(own)

        exchange = ffi.callback("uint8_t(uint8_t)", lambda value: bus.exchange(bytes([value]))[0])
        select = ffi.callback("void(uint8_t)", lambda on: bus.select(bool(on)))
        times = ffi.new("uint64_t[]", [int(t) for t in times_ns])
        held = ffi.new("uint8_t[]", data)
        lib.host_logger_begin(exchange, select, times, held, len(data), POWER_ON)
        lib.host_logger_run(until_ns)
        return CoreRun(int(lib.host_logger_delivered()), int(lib.host_logger_waiting()), int(lib.host_logger_time_ns()))
