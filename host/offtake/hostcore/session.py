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
from offtake.bench.cuts import Cut, CutReport
from offtake.bench.figures import ACCEPTED
from offtake.hostcore.native import library_path, load

POWER_ON = 1
_CYCLES_PER_US = 16


@dataclass(frozen=True)
class CoreSensors:
    """What the sensors' inputs do: times of the event input's edges (it is high at first) and of the pulses' beginnings
    in nanoseconds, sorted, and the converter's reading at both analogue inputs. Nothing answers on the two-wire bus."""

    edges_ns: NDArray[np.uint64]
    pulses_ns: NDArray[np.uint64]
    readings: tuple[int, int] = (0, 0)


@dataclass(frozen=True)
class CoreRun:
    """What a session came to: line bytes that reached the core, blocks the card accepted and finished, the cut."""

    delivered: int
    blocks_accepted: int
    blocks_durable: int
    end_ns: int
    report: CutReport


def run_core(
    image: Any,
    times_ns: NDArray[np.uint64],
    data: bytes,
    card: Card,
    until_ns: int,
    cut: Cut | None = None,
    sensors: CoreSensors | None = None,
) -> CoreRun:
    """Record ``data``, whose bytes end at ``times_ns`` (sorted, same length), on the card in ``image`` (written in
    place), until ``until_ns``; then the power goes, with the damage of ``cut``. ``sensors`` is what is connected.

    :raises ValueError: times and bytes differ in number. :raises InputOutputError: a tool is missing.
    """
    if len(times_ns) != len(data):
        raise ValueError(f"{len(times_ns)} times for {len(data)} bytes")
    bus = CardBus(image, card, divider=2)
    with tempfile.TemporaryDirectory() as folder:
        # The core keeps its state in statics, as firmware does: a library file of its own is a chip of its own.
        own = Path(shutil.copy(library_path(), Path(folder) / "core.so"))
        ffi, lib = load(own)

        def exchange(value: int) -> int:
            behind = int(lib.host_logger_time_ns()) * _CYCLES_PER_US // 1000 - bus.bench.cycle
            if behind > 0:
                bus.bench.bus_wait(behind)
            return bus.exchange(bytes([value]))[0]

        exchange_c = ffi.callback("uint8_t(uint8_t)", exchange)
        select_c = ffi.callback("void(uint8_t)", lambda on: bus.select(bool(on)))
        times = ffi.new("uint64_t[]", [int(t) for t in times_ns])
        held = ffi.new("uint8_t[]", data)
        lib.host_logger_begin(exchange_c, select_c, times, held, len(data), POWER_ON)
        if sensors is not None:
            scripts = [ffi.new("uint64_t[]", [int(t) for t in ns]) for ns in (sensors.edges_ns, sensors.pulses_ns)]
            lib.host_sensors_put(
                scripts[0], len(sensors.edges_ns), scripts[1], len(sensors.pulses_ns), *sensors.readings
            )
        lib.host_logger_run(until_ns)
        writes = bus.bench.writes
        accepted = writes[writes["response"] == ACCEPTED]
        cycle = bus.bench.cycle
        return CoreRun(
            delivered=int(lib.host_logger_delivered()),
            blocks_accepted=len(accepted),
            blocks_durable=int((accepted["durable"] <= cycle).sum()),
            end_ns=int(lib.host_logger_time_ns()),
            report=bus.bench.cut(cut or Cut()),
        )
