"""Holds two recordings against each other: journals, cards, or plain captures of a receiver's bytes."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from offtake.card import open_journal
from offtake.compare.judge import compare as hold_against
from offtake.compare.model import Comparison
from offtake.compare.page import render
from offtake.compare.retime import track_by_receiver_time
from offtake.compare.session import Faults, Session, Start, session_of, start_of
from offtake.dialects.stream import byte_time_us
from offtake.errors import DamageError, InputOutputError, UsageError
from offtake.export.aside import require_folder, write_aside
from offtake.jobs.places import is_same
from offtake.jobs.runs import BAUD_ASSUMED, Hearing, baud_of, chosen_runs
from offtake.journal.bulk.stream import StreamWindow
from offtake.journal.events import run_events
from offtake.journal.runs import RunInfo
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.stream import salvaged_windows
from offtake.report.write import write_drawn
from offtake.track.analyse import analyse
from offtake.track.build import EpochReader, track_of
from offtake.track.bulk_epochs import EpochBatch
from offtake.track.fix import Track

CAPTURE_BYTES_MOST = 256 * 2**20
"""Two days of a saturated line at 57,600 baud; more is refused, since all epochs are held in memory."""
STARTS_MOST = 20
"""Runs whose start is looked at,"""
START_S = 900.0
"""and for how long each."""
_PIECE = 2**20

Places = tuple[NDArray[np.int64], NDArray[np.int64]]
"""Stream offsets, and the ticks there."""


@dataclass(frozen=True)
class CompareResult:
    """The comparison, and what was written. ``page`` and ``page_bytes`` are ``None`` without a page."""

    comparison: Comparison
    page: Path | None = None
    page_bytes: int | None = None
    pictures: tuple[Path, ...] = ()


@dataclass(frozen=True)
class Output:
    """Where page and pictures go, if anywhere."""

    page: Path | None = None
    pictures: Path | None = None
    replace: bool = False


def compare(
    before: Path,
    after: Path,
    *,
    runs: tuple[int | None, int | None] = (None, None),
    how: Hearing | None = None,
    seed: int = 1,
    output: Output | None = None,
) -> CompareResult:
    """Hold ``after`` against ``before``. ``runs`` are their run numbers; ``None`` is the one with the most bytes.

    :raises UsageError: no such run, a negative seed, one file given twice, the page in a recording's place, or a
        file that exists and no ``replace``.
    :raises DamageError: nothing understood in one of them. :raises InputOutputError: reading or writing fails.
    """
    output = output or Output()
    if seed < 0:
        raise UsageError(f"a seed of {seed}", expected="0 or more")
    if output.page is not None and not output.replace and os.path.lexists(output.page):
        raise UsageError("exists already", where=str(output.page), expected="a new name, or --replace")
    if output.page is not None and any(is_same(output.page, one) for one in (before, after)):
        raise UsageError("is one of the recordings", where=str(output.page), expected="another name for the page")
    if output.page is not None:
        require_folder(output.page)
    if is_same(before, after) and (None in runs or runs[0] == runs[1]):
        raise UsageError("both are the same recording", where=str(after), expected="another file, or two of its runs")
    first, second = (read_session(path, run, how or Hearing()) for path, run in zip((before, after), runs, strict=True))
    found = hold_against(first, second, seed=seed)
    if output.page is None and output.pictures is None:
        return CompareResult(found)
    html, drawn = render(found)
    size = None
    if output.page is not None:
        with write_aside(output.page, replace=output.replace) as handle:
            size = handle.write(html)
    written = write_drawn(drawn, output.pictures, replace=output.replace) if output.pictures is not None else ()
    return CompareResult(found, output.page, size, written)


def read_session(source: Path, run: int | None, how: Hearing) -> Session:
    """Read one recording; whatever is no journal is taken for a plain capture of bytes.

    :raises DamageError: nothing in it is understood. :raises UsageError: no such run, or a capture that is too long.
    """
    with open_journal(source) as opened:
        found = salvage(opened, str(source))
        is_journal = bool(found.runs()) or found.account.structure_bytes > 0
        if is_journal or opened.kind != "file":
            return _of_journal(found, run, source, how)
    if run is not None:
        raise UsageError(f"no run {run}", where=str(source), expected="a journal; this is a capture without runs")
    return _of_capture(source, how)


def _of_journal(found: Salvage, run: int | None, source: Path, how: Hearing) -> Session:
    known = chosen_runs(found, run, source)
    if not known:
        raise DamageError("the journal has no run", where=str(source), expected="a recording")
    info = max(known, key=lambda one: (one.raw_bytes, -one.run))
    notes = []
    if len(known) > 1:
        notes.append(f"{source.name} has {len(known)} runs; run {info.run}, with the most bytes, is compared.")
    heard = _Heard(baud_of(found, info), info.run, how)
    track = heard.track(salvaged_windows(found, info.run))
    if not len(track.fixes):
        raise _not_understood(source)
    events = run_events(found.frame_tables(info.run), info.run)
    # Of the logger's own losses: gaps they make are no fault of the receiver's.
    losses = {tick for event in events if event.loses_line_bytes for tick in (event.tick_us, event.last_tick_us)}
    analysis = analyse(track, losses=sorted(losses))
    starts = [start_of(track), *_other_starts(found, known, info, how)]
    return session_of(track, analysis, heard.faults(), source=source.name, starts=starts, notes=notes)


def _other_starts(found: Salvage, known: tuple[RunInfo, ...], main: RunInfo, how: Hearing) -> Iterator[Start]:
    """When the first position came in the other runs."""
    for info in [one for one in known if one.run != main.run][: STARTS_MOST - 1]:
        windows = _until(salvaged_windows(found, info.run), round(START_S * 1e6))
        yield start_of(_Heard(baud_of(found, info), info.run, how).track(windows))


def _until(windows: Iterable[StreamWindow], tick_us: int) -> Iterator[StreamWindow]:
    """The stream up to the first chunk at ``tick_us`` or later."""
    for window in windows:
        late = np.flatnonzero(window.chunk_tick_us >= tick_us)
        if not len(late):
            yield window
            continue
        kept, end = int(late[0]), int(window.chunk_offset[late[0]]) - window.offset
        if kept:
            begin, ticks, lost = window.chunk_offset[:kept], window.chunk_tick_us[:kept], window.chunk_lost[:kept]
            yield StreamWindow(window.offset, window.data[:end], begin, ticks, lost)
        return


def _of_capture(source: Path, how: Hearing) -> Session:
    try:
        size = source.stat().st_size
        if size > CAPTURE_BYTES_MOST:
            raise UsageError(
                f"a capture of {size:,} bytes", where=str(source), expected=f"at most {CAPTURE_BYTES_MOST:,} bytes"
            )
        heard = _Heard(BAUD_ASSUMED, 1, how)
        track, notes = track_by_receiver_time(heard.epochs(_pieces(source)))
    except OSError as error:
        raise InputOutputError(f"cannot read: {error.strerror}", where=str(source)) from error
    if not len(track.fixes):
        raise _not_understood(source)
    # Bad checks are put at the time of the epoch they stand in.
    fixes = track.fixes
    faults = heard.faults((fixes.source_offset[fixes.source_start[:-1]], fixes.tick_us))
    return session_of(track, analyse(track), faults, source=source.name, kind="capture", notes=notes)


def _pieces(source: Path) -> Iterator[StreamWindow]:
    """The file's bytes as one line that never pauses; its ticks mean nothing."""
    offset = 0
    with source.open("rb") as handle:
        while data := handle.read(_PIECE):
            begin, tick_us = np.array([offset]), np.array([byte_time_us(offset, BAUD_ASSUMED)])
            yield StreamWindow(offset, data, begin, tick_us, np.zeros(1, np.bool_))
            offset += len(data)


class _Heard:
    """Hears one stream, and remembers when its chunks came, so that it can say when checks failed."""

    def __init__(self, baud: int, run: int, how: Hearing) -> None:
        self._reader = EpochReader(baud=baud, run=run, extra_dialects=how.dialects)
        self._run = run
        self._chunks: list[Places] = []

    def epochs(self, windows: Iterable[StreamWindow]) -> EpochBatch:
        """All epochs of the stream, once."""
        return EpochBatch.concat(list(self._reader.batches(self._watched(windows))))

    def track(self, windows: Iterable[StreamWindow]) -> Track:
        """The same on their time line."""
        return track_of(self.epochs(windows), self._run, self._reader.counts, self._reader.notes)

    def _watched(self, windows: Iterable[StreamWindow]) -> Iterator[StreamWindow]:
        for window in windows:
            self._chunks.append((window.chunk_offset, window.chunk_tick_us))
            yield window

    def faults(self, places: Places | None = None) -> Faults:
        """Failed checks, timed by their places between the chunks, or between other ``places``: stream offsets in
        rising order, and their ticks."""
        failed = [fault.offset for fault in self._reader.faults if fault.kind == "bad_checksum"]
        offsets, ticks = places or (np.concatenate(one) for one in zip(*self._chunks, strict=True))
        at_s = np.interp(failed, offsets, ticks) / 1e6 if failed else np.empty(0)
        counts = self._reader.counts
        return Faults(at_s, counts.bad_checksum, counts.decoded + counts.invalid + counts.unknown)


def _not_understood(source: Path) -> DamageError:
    return DamageError(
        "nothing in it tells a time or a position", where=str(source),
        expected="a journal, or a receiver's bytes in a known dialect; `offtake probe` says what a file holds",
    )  # fmt: skip
