"""The probe on a port, live, and on a file: bytes as the probe or anyone saved them, or a recording of edges."""

from __future__ import annotations

import dataclasses
import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from offtake.dialects.tables import AnyDialect
from offtake.errors import InputOutputError, UsageError
from offtake.generated.records import JOURNAL_MAGIC
from offtake.probe.capture import BYTES_MOST, notes_path, read_capture, save_capture
from offtake.probe.edge_csv import read_edge_csv
from offtake.probe.edge_probe import probe_edges
from offtake.probe.edge_vcd import read_edge_vcd
from offtake.probe.facts import SURPRISE_SURE, LineFacts
from offtake.probe.heard import best_score, score_readings
from offtake.probe.listen import Listener
from offtake.probe.model import FRAMING_USUAL, Framing, LineState, Received, Verdict
from offtake.probe.score import BUILT_IN
from offtake.probe.usual import ODD_BAUDS, USUAL_BAUDS
from offtake.probe.verdict import judge
from offtake.probe.walk import Walk

BAUD_LEAST, BAUD_MOST = 300, 4_000_000
_HEAD_BYTES = 4096
_VCD_BEGINS = re.compile(rb"\s*\$(date|version|timescale|comment|scope|var|enddefinitions)\s")
_NO_SPEED = re.compile(r"0 baud \S+: ")
"""How the words about a line begin where there was none."""
_JUDGED_BYTES = 4 * 2**20
_STAY_S = 3.0
"""How long a receiver is listened to after it is understood: for rates, more than one second of a slow one."""


@dataclass(frozen=True)
class Choice:
    """What to listen at: one speed and framing, or all usual ones, the odd ones first or last."""

    baud: int | None = None
    framing: Framing = FRAMING_USUAL
    odd_first: bool = False

    def bauds(self) -> tuple[int, ...]:
        """The speeds to try.

        :raises UsageError: not a speed that a receiver could have.
        """
        if self.baud is None:
            return (*ODD_BAUDS, *USUAL_BAUDS) if self.odd_first else (*USUAL_BAUDS, *ODD_BAUDS)
        if not BAUD_LEAST <= self.baud <= BAUD_MOST:
            raise UsageError(f"a speed of {self.baud} baud", expected=f"{BAUD_LEAST} to {BAUD_MOST}")
        return (self.baud,)


@dataclass(frozen=True)
class Glance:
    """One moment of listening: the verdict so far, where it listens, whether it stays there, the latest slice."""

    verdict: Verdict
    baud: int
    framing: Framing
    settled: bool
    latest: Received | None
    listened_s: float


@dataclass(frozen=True)
class Probed:
    """The end of it. ``source`` is port, bytes, capture, or edges; ``heard`` the bytes that the verdict goes by."""

    verdict: Verdict
    source: str
    heard: Received | None


Show = Callable[[Glance], bool]
"""Told of every moment; False ends the listening."""


def walk_for(listener: Listener, choice: Choice, dialects: Sequence[AnyDialect] = ()) -> Walk:
    """A walk over the speeds chosen, with ``dialects`` beside the built-in ones."""
    return Walk(listener, bauds=choice.bauds(), framing=choice.framing, dialects=all_dialects(dialects))


def probe_listener(walk: Walk, seconds: float | None, *, once: bool, show: Show | None = None) -> Probed:
    """Listen until ``seconds`` of the listener's own time are over (None: without end), ``show`` says enough, or,
    with ``once``, the line has been understood for some seconds.

    :raises InputOutputError: the port vanished.
    """
    kept = _Kept()
    since: float | None = None
    while True:
        verdict = walk.step()
        heard = walk.heard()
        if verdict.state == LineState.UNDERSTOOD and heard is not None:
            kept.add(walk, verdict, heard)
            since = walk.listened_s if since is None else since
        else:
            since = None
        baud, framing = walk.setting
        glance = Glance(verdict, baud, framing, walk.settled, walk.last, walk.listened_s)
        stop = show is not None and not show(glance)
        stayed = since is not None and walk.settled and walk.listened_s - since >= _STAY_S
        late = seconds is not None and walk.listened_s >= seconds
        if stop or (once and stayed) or late or kept.bytes >= BYTES_MOST:
            break
    best = kept.best()
    if best is not None and (verdict.state == LineState.UNDERSTOOD or not once):
        # Where the tip has left the pad, what was understood before is what to keep.
        verdict = kept.verdict_on(best, walk)
        if kept.bytes >= BYTES_MOST:
            reasons = (*verdict.reasons, f"The listening ended at {BYTES_MOST:,} bytes: a capture holds no more.")
            verdict = dataclasses.replace(verdict, reasons=reasons)
        return Probed(verdict, "port", best)
    return Probed(verdict, "port", heard)


class _Kept:
    """All that came while the line was understood, by speed and framing: the walk itself remembers seconds only."""

    def __init__(self) -> None:
        self.bytes = 0
        self._pieces: dict[tuple[int, str], list[Received]] = {}
        self._verdicts: dict[tuple[int, str], Verdict] = {}

    def add(self, walk: Walk, verdict: Verdict, heard: Received) -> None:
        """Takes the walk's latest slice, or at first all that it has of this setting."""
        baud, framing = walk.setting
        key = (baud, str(framing))
        pieces = self._pieces.setdefault(key, [])
        piece = walk.last if pieces and walk.last is not None else heard
        if not pieces or (piece.baud, piece.framing) == (float(baud), framing):
            pieces.append(piece)
            self.bytes += len(piece.values)
        self._verdicts[key] = verdict

    def best(self) -> Received | None:
        """The setting with most bytes, as one that a capture holds; None for nothing. Pauses between its pieces stay
        pauses."""
        found = max(self._pieces.values(), key=lambda pieces: sum(len(one.values) for one in pieces), default=None)
        if found is None:
            return None
        return dataclasses.replace(
            found[-1],
            values=np.concatenate([one.values for one in found])[:BYTES_MOST],
            faults=np.concatenate([one.faults for one in found])[:BYTES_MOST],
            start_s=np.concatenate([one.start_s for one in found])[:BYTES_MOST],
            began_s=found[0].began_s,
        )

    def verdict_on(self, received: Received, walk: Walk) -> Verdict:
        """The verdict over all of it; of very much, the last one there was."""
        last = self._verdicts[(round(received.baud), str(received.framing))]
        if len(received.values) > _JUDGED_BYTES:
            note = f"The counts are of the last {last.seconds:.0f} s; all {len(received.values):,} bytes were kept."
            return dataclasses.replace(last, reasons=(*last.reasons, note))
        counted = judge(score_readings(received, walk.dialects), LineFacts(received.seconds))
        if counted.state != LineState.UNDERSTOOD:
            return last
        return dataclasses.replace(
            last, messages=counted.messages, seconds=counted.seconds, bytes_heard=counted.bytes_heard,
            bytes_faulty=counted.bytes_faulty, checks_right=counted.checks_right, checks_wrong=counted.checks_wrong,
        )  # fmt: skip


def probe_file(path: Path, signal: str | None = None, dialects: Sequence[AnyDialect] = ()) -> Probed:
    """The same from a file, whose kind its content tells.

    :raises UsageError: ``signal`` for a file of bytes, or a recording of several signals without.
    :raises InputOutputError: unreadable. :raises DamageError: not what it should be.
    """
    kind = _kind(path)
    if kind == "journal":
        expected = "a capture; `offtake verify` and `offtake report` are for journals"
        raise UsageError("a journal, not a capture", where=str(path), expected=expected)
    if kind == "bytes":
        if signal is not None:
            expected = "a CSV or VCD recording of edges"
            raise UsageError("--signal for a file of bytes", where=str(path), expected=expected)
        return _probe_bytes(path, dialects)
    capture = read_edge_vcd(path, signal) if kind == "vcd" else read_edge_csv(path, signal)
    return Probed(probe_edges(capture, all_dialects(dialects)), "edges", None)


def save(path: Path, done: Probed, *, replace: bool = False) -> None:
    """Write what was heard to ``path`` and its times beside it.

    :raises UsageError: the files exist, or there is nothing to save. :raises InputOutputError: the disk fails.
    """
    if done.heard is None or len(done.heard.values) == 0:
        raise UsageError("nothing was heard that could be saved", where=str(path))
    save_capture(path, done.heard, done.verdict, replace=replace)


def require_free(path: Path, *, replace: bool = False) -> None:
    """Says what is in the way of what will be saved: better before the listening than after.

    :raises UsageError: a file or a folder. :raises InputOutputError: a folder that is not there or takes no files.
    """
    if not (os.path.isdir(path.parent) and os.access(path.parent, os.W_OK | os.X_OK)):
        expected = "a folder that exists and that you may write to"
        raise InputOutputError("cannot write there", where=str(path.parent), expected=expected)
    for one in (path, notes_path(path)):
        if os.path.isdir(one):
            raise UsageError("is a folder", where=str(one), expected="a file name")
        if os.path.lexists(one) and not replace:
            raise UsageError("exists already", where=str(one), expected="a new name, or --replace")


def all_dialects(own: Sequence[AnyDialect]) -> tuple[AnyDialect, ...]:
    """The built-in dialects and the user's own; one of the same name takes the place of a built-in one."""
    names = {dialect.name for dialect in own}
    return (*(one for one in BUILT_IN if one.name not in names), *own)


def _probe_bytes(path: Path, dialects: Sequence[AnyDialect]) -> Probed:
    received, known = read_capture(path)
    readings = score_readings(received, all_dialects(dialects))
    if len(received.values) == 0:
        verdict = Verdict(LineState.SILENT, 1.0, ("The file is empty.",), seconds=received.seconds)
        return Probed(verdict, "capture" if known else "bytes", None)
    verdict = judge(readings, LineFacts(received.seconds))
    if known:
        return Probed(verdict, "capture", received)
    verdict = _without_speed(verdict, len(received.values), best_score(readings).surprise >= SURPRISE_SURE)
    if len(received.values) == BYTES_MOST:
        reasons = (*verdict.reasons, f"Only the first {BYTES_MOST:,} bytes were looked at.")
        verdict = dataclasses.replace(verdict, reasons=reasons)
    return Probed(verdict, "bytes", None)


def _without_speed(verdict: Verdict, count: int, speaks: bool) -> Verdict:
    """A file of ``count`` bare bytes tells of what is in it, and of no line. ``speaks``: a dialect counts."""
    reasons = tuple(_NO_SPEED.sub("", one, count=1) for one in verdict.reasons if not one.startswith("This port"))
    if verdict.state == LineState.UNDERSTOOD:
        note = "These are bare bytes, without times: they tell neither speed nor framing."
        return dataclasses.replace(verdict, reasons=(*reasons, note), baud=None, framing=None, inverted=None, others=())
    if speaks:
        why = (reasons[0], "That is too little to be sure of: record longer.")
    else:
        reason = f"{count:,} bytes in no dialect that is known here."
        why = (reason, "If they were taken at the wrong speed, nothing brings them back.")
    return Verdict(LineState.NOT_SURE, 0.0, why, bytes_heard=count)


def _kind(path: Path) -> str:
    try:
        with path.open("rb") as handle:
            head = handle.read(_HEAD_BYTES)
    except OSError as error:
        raise InputOutputError(f"cannot read: {error.strerror}", where=str(path)) from error
    if head.startswith(JOURNAL_MAGIC):
        return "journal"
    if notes_path(path).exists() or not head:
        return "bytes"
    if _VCD_BEGINS.match(head):
        return "vcd"
    return "csv" if _looks_like_edges(head) else "bytes"


def _looks_like_edges(head: bytes) -> bool:
    """Whether the first whole lines, but for names and comments, are numbers with separators and end in levels."""
    lines = [line.strip() for line in head.split(b"\n")[:-1] if line.strip() and not line.startswith(b"#")]
    if not lines:
        return False
    rows = lines[1:4] or lines[:1]
    for row in rows:
        cells = row.replace(b";", b",").replace(b"\t", b",").split(b",")
        if len(cells) < 2 or not all(_is_number(cell) for cell in cells):
            return False
    return True


def _is_number(cell: bytes) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True
