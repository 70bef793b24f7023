"""Fitted time lines, kept in a journal's index for the next time."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np

from offtake.card import OpenedJournal
from offtake.jobs.indexed import keep_line
from offtake.jobs.runs import Hearing
from offtake.journal.salvage import Salvage
from offtake.track.timeline.line import TimeLine

_FORM = 1
_KNOTS = ("knots_tick_s", "knots_gps_s", "knots_error_s")


def stored_timeline(found: Salvage, run: int, how: Hearing) -> TimeLine | None:
    """The line that was kept for ``run`` as it was heard then; None where none was. It stamps as it did, but tells
    nothing of the marks that it was fitted to."""
    text = None if found.index is None else found.index.line(run, _heard(how))
    if text is None:
        return None
    try:
        told = json.loads(text)
        ticks, times, errors = (np.array(told[name], dtype=np.float64) for name in _KNOTS)
        wraps = tuple((int(tick_us), float(add_s)) for tick_us, add_s in told["wraps"])
        latency_s, notes = float(told["latency_s"]), tuple(map(str, told["notes"]))
        line = TimeLine(ticks, times, wraps, latency_s, errors, notes=notes)
    except (ValueError, TypeError, KeyError):
        return None
    return line if _holds(line) else None


def _holds(line: TimeLine) -> bool:
    """Whether it is a line: an index's file may hold anything."""
    knots = [getattr(line, name) for name in _KNOTS]
    alike = all(one.ndim == 1 and one.shape == knots[0].shape and np.isfinite(one).all() for one in knots)
    return alike and knots[0].size > 0 and bool(np.all(np.diff(knots[0]) > 0))


def store_timeline(found: Salvage, source: Path, opened: OpenedJournal, run: int, how: Hearing, line: TimeLine) -> bool:
    """Keep ``line`` for ``run`` as it was heard; returns whether it is kept beside the file, not in ``found`` alone. A
    line that tells no UTC is not kept."""
    if not _holds(line):
        return False
    told = {
        **{name: getattr(line, name).tolist() for name in _KNOTS},
        "wraps": line.wraps,
        "latency_s": line.latency_s,
        "notes": line.notes,
    }
    return keep_line(found, source, opened, run, _heard(how), json.dumps(told))


def _heard(how: Hearing) -> str:
    """The same for the same dialects and latency."""
    text = repr((_FORM, how.latency_s, sorted(map(repr, how.dialects))))
    return hashlib.sha256(text.encode()).hexdigest()[:16]
