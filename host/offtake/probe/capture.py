"""What the probe heard, as files: the bytes as they are, and beside them FILE.json with their times and faults.

Any other file of bytes is a capture too, one that does not know its speed, its times or its faults.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.errors import DamageError, InputOutputError, OfftakeError, UsageError
from offtake.export.aside import write_aside
from offtake.probe.model import Framing, Received, Verdict

SCHEMA = "offtake.probe.capture/1"
BYTES_MOST = 16 * 2**20
_BAUD_MOST = 20_000_000
_NOTES_BYTES_EACH, _NOTES_BYTES_REST = 40, 2**20
"""What the notes take at most: for each byte its time and its fault, and for all else."""
_FAULT_MOST = 7


def notes_path(path: Path) -> Path:
    """Where the times and faults of the capture at ``path`` are."""
    return path.with_name(path.name + ".json")


def save_capture(path: Path, received: Received, verdict: Verdict, *, replace: bool = False) -> None:
    """Write ``received`` to ``path`` and ``path.json``, each aside first and then under its name.

    :raises UsageError: one of them exists, without ``replace``. :raises InputOutputError: the disk does not take them.
    """
    faulty = np.flatnonzero(received.faults)
    notes = {
        "schema": SCHEMA,
        "bytes": len(received.values),
        "baud": received.baud,
        "framing": str(received.framing),
        "inverted": received.inverted,
        "tells_faults": received.tells_faults,
        "seconds": round(received.seconds, 6),
        "state": verdict.state.value,
        "dialects": list(verdict.dialects),
        "start_s": [_time(one, received.began_s) for one in received.start_s.tolist()],
        "faults": {str(at): int(received.faults[at]) for at in faulty.tolist()},
    }
    in_place = False
    try:
        with write_aside(path, replace=replace) as handle:
            handle.write(received.data)
            # A full disk is noticed here, while an older capture is still whole.
            handle.flush()
            os.fsync(handle.fileno())
            with write_aside(notes_path(path), replace=replace) as beside:
                beside.write((json.dumps(notes, allow_nan=False) + "\n").encode())
            in_place = True
    except OfftakeError:
        if in_place:
            # Notes without bytes are no capture.
            notes_path(path).unlink(missing_ok=True)
        raise


def read_capture(path: Path) -> tuple[Received, bool]:
    """The bytes at ``path`` and what is known about them; the flag says whether notes lay beside them.

    Without notes the speed is 0 and times are NaN, and of a longer file the first :data:`BYTES_MOST` bytes are taken.

    :raises DamageError: too large, or the notes are not what they should be. :raises InputOutputError: unreadable.
    """
    beside = notes_path(path)
    known = beside.exists()
    values = np.frombuffer(_read(path, BYTES_MOST, cut=not known), dtype=np.uint8)
    if not known:
        nothing = np.zeros(len(values), dtype=np.uint8)
        unknown = np.full(len(values), np.nan)
        return Received(0.0, Framing(), values, nothing, unknown, 0.0, 0.0, tells_faults=False), False
    try:
        notes = json.loads(_read(beside, _NOTES_BYTES_REST + _NOTES_BYTES_EACH * len(values)))
        return _received(notes, values), True
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError, UsageError) as error:
        expected = f"what `offtake probe -o` writes ({SCHEMA}), for the {len(values)} bytes beside it"
        what = f"not the notes of a capture: {type(error).__name__}: {str(error)[:120]}"
        raise DamageError(" ".join(what.split()), where=str(beside), expected=expected) from error


def _received(notes: dict[str, Any], values: NDArray[np.uint8]) -> Received:
    if notes["schema"] != SCHEMA:
        raise ValueError(f"schema {notes['schema']!r}")
    if notes["bytes"] != len(values):
        raise ValueError(f"it speaks of {notes['bytes']} bytes")
    baud, seconds = float(notes["baud"]), float(notes["seconds"])
    if not 0.0 < baud <= _BAUD_MOST or not 0.0 <= seconds < 1e9:
        raise ValueError(f"{baud} baud for {seconds} s")
    starts = np.array([np.nan if one is None else float(one) for one in notes["start_s"]], dtype=np.float64)
    if np.isinf(starts).any():
        raise ValueError("a time without end")
    if len(starts) != len(values):
        raise ValueError(f"times of {len(starts)} bytes")
    faults = np.zeros(len(values), dtype=np.uint8)
    for at, fault in notes["faults"].items():
        if not (0 <= int(at) < len(values) and 0 < int(fault) <= _FAULT_MOST):
            raise ValueError(f"fault {fault} at byte {at}")
        faults[int(at)] = int(fault)
    return Received(
        baud=baud,
        framing=Framing.parse(str(notes["framing"])),
        values=values,
        faults=faults,
        start_s=starts,
        began_s=0.0,
        ended_s=seconds,
        inverted=bool(notes["inverted"]),
        tells_faults=bool(notes["tells_faults"]),
    )


def _time(start_s: float, began_s: float) -> float | None:
    """To the microsecond from when listening began; None where it is not known."""
    return None if np.isnan(start_s) else round(start_s - began_s, 6)


def _read(path: Path, most: int, *, cut: bool = False) -> bytes:
    try:
        with path.open("rb") as handle:
            data = handle.read(most + 1)
    except OSError as error:
        raise InputOutputError(f"cannot read: {error.strerror}", where=str(path)) from error
    if len(data) > most and not cut:
        raise DamageError(f"more than {most:,} bytes", where=str(path), expected="a shorter capture")
    return data[:most]
