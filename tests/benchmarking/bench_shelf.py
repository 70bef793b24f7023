"""The logger's own frames in ten seconds: supply, and the sensors' many small ones, with values that move."""

from __future__ import annotations

import random
from collections.abc import Sequence

import numpy as np
from bench_layout import STRETCH_S, TICKS_PER_S, Bytes, Longs, ShelfFrame
from offtake.generated.records import Analogue, Event, Pressure, PressureConstants, Pulses, Supply

_PER_MS = TICKS_PER_S // 1000
_PULSES_A_SECOND = 47
_EVENTS_S = 2
# The worked example of the part's datasheet: constants and readings.
_CONSTANTS = PressureConstants(27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
_PRESSURE_RAW, _TEMPERATURE_RAW = 415_148, 519_888


def supply_frames() -> list[ShelfFrame]:
    """One, a little after the stretch's beginning."""
    return [ShelfFrame(Supply.CODE, 2_000, Supply(5000, 3).encode())]


def sensor_frames(seed: int) -> list[ShelfFrame]:
    """Analogue inputs at 50 Hz, pulses and pressure at 10 Hz, an event every two seconds; each a tick or a few late."""
    rng = random.Random(seed)
    frames = [ShelfFrame(PressureConstants.CODE, 3_000, _CONSTANTS.encode())]
    for interval_ms, first_ms, code, payload in (
        (20, 15, Analogue.CODE, Analogue(0, 0).encode()),
        (100, 22, Pulses.CODE, Pulses(0, 1_000_000 // _PULSES_A_SECOND).encode()),
        (100, 31, Pressure.CODE, Pressure(_PRESSURE_RAW, _TEMPERATURE_RAW).encode()),
    ):
        for at_ms in range(first_ms, STRETCH_S * 1000, interval_ms):
            frames.append(ShelfFrame(code, at_ms * _PER_MS + rng.randrange(8), payload))
    for at_s in range(0, STRETCH_S, _EVENTS_S):
        tick = at_s * TICKS_PER_S + rng.randrange(100_000, 300_000)
        frames.append(ShelfFrame(Event.CODE, tick, bytes([at_s // _EVENTS_S % 2, 0, 0])))
    return frames


def write_shelf(shelf: Sequence[ShelfFrame], shelf_at: Longs, tile: Bytes, first_stretch: int) -> None:
    """Write the numbers of stretches into ``tile``, shape (k, bytes); ``shelf_at`` has each payload's place."""
    stretches = (first_stretch + np.arange(len(tile)))[:, np.newaxis]
    for code in {frame.code for frame in shelf}:
        rows = [index for index, frame in enumerate(shelf) if frame.code == code]
        # Seconds since the run began.
        at_s = stretches * float(STRETCH_S) + np.array([shelf[index].tick for index in rows]) / TICKS_PER_S
        places = shelf_at[rows]
        if code == Supply.CODE:
            _put(tile, places, 5_000 + np.rint(30 * np.sin(at_s / 300.0)), "<u2")
        elif code == Analogue.CODE:
            _put(tile, places, np.rint(12_000 + 2_000 * np.sin(at_s / 7.0)), "<u2")
            _put(tile, places + 2, np.rint(2_500 + 1_500 * np.sin(at_s * 3.0)), "<u2")
        elif code == Pulses.CODE:
            _put(tile, places, np.floor(at_s * _PULSES_A_SECOND) % 2**32, "<u4")
        elif code == Pressure.CODE:
            _put(tile, places, np.rint(_PRESSURE_RAW + 5_000 * np.sin(at_s / 60.0)), "<u4")
            _put(tile, places + 4, np.rint(_TEMPERATURE_RAW + 300 * np.sin(at_s / 200.0)), "<u4")


def _put(tile: Bytes, places: Longs, values: np.ndarray, kind: str) -> None:
    pieces = np.ascontiguousarray(values.astype(kind)).view(np.uint8).reshape(*values.shape, -1)
    for index in range(pieces.shape[2]):
        tile[:, places + index] = pieces[:, :, index]
