"""Holds two recordings against each other: journals, cards, or plain captures of a receiver's bytes."""

from __future__ import annotations

import os
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path

import numpy as np

from offtake.card import open_journal
from offtake.compare.judge import compare as hold_against
from offtake.compare.model import Comparison
from offtake.compare.page import render
from offtake.compare.retime import track_by_receiver_time
from offtake.compare.session import Faults, Session, Start, session_of, start_of
from offtake.dialects.registry import new_decoder
from offtake.dialects.stream import StreamChunk, TimedMessage, byte_time_us, decode_stream
from offtake.errors import DamageError, InputOutputError, UsageError
from offtake.export.aside import write_aside
from offtake.jobs.places import is_same
from offtake.jobs.runs import BAUD_ASSUMED, Hearing, baud_of, chosen_runs
from offtake.journal.events import run_events
from offtake.journal.runs import RunInfo
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.stream import salvaged_chunks
from offtake.report.write import write_drawn
from offtake.track.analyse import analyse
from offtake.track.build import build_track
from offtake.track.fix import Track

CAPTURE_BYTES_MOST = 256 * 2**20
"""Two days of a saturated line at 57,600 baud; more is refused, since all epochs are held in memory."""
STARTS_MOST = 20
"""Runs whose start is looked at,"""
START_S = 900.0
"""and for how long each."""
_PIECE = 2**16


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
    if is_same(before, after) and (None in runs or runs[0] == runs[1]):
        raise UsageError("both are the same recording", where=str(after), expected="another file, or two of its runs")
    first, second = (
        read_session(path, run, how or Hearing()) for path, run in zip((before, after), runs, strict=True)
    )
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
    listener = _Listener(baud_of(found, info), how)
    track = _track(listener, salvaged_chunks(found, info.run), info.run)
    if not track.fixes:
        raise _not_understood(source)
    events = run_events(found.frames(info.run), info.run)
    # Of the logger's own losses: gaps they make are no fault of the receiver's.
    losses = {
        tick
        for event in events
        if event.loses_line_bytes
        for tick in (event.tick_us, event.last_tick_us)
    }
    analysis = analyse(track, losses=sorted(losses))
    starts = [start_of(track), *_other_starts(found, known, info, how)]
    return session_of(track, analysis, listener.faults(), source=source.name, starts=starts, notes=notes)


def _other_starts(found: Salvage, known: tuple[RunInfo, ...], main: RunInfo, how: Hearing) -> Iterator[Start]:
    """When the first position came in the other runs."""
    for info in [one for one in known if one.run != main.run][: STARTS_MOST - 1]:
        chunks = takewhile(lambda chunk: chunk.tick_us < START_S * 1e6, salvaged_chunks(found, info.run))
        yield start_of(_track(_Listener(baud_of(found, info), how), chunks, info.run))


def _of_capture(source: Path, how: Hearing) -> Session:
    try:
        size = source.stat().st_size
        if size > CAPTURE_BYTES_MOST:
            raise UsageError(
                f"a capture of {size:,} bytes", where=str(source), expected=f"at most {CAPTURE_BYTES_MOST:,} bytes"
            )
        listener = _Listener(BAUD_ASSUMED, how)
        track, notes = track_by_receiver_time(listener.messages(_pieces(source)))
    except OSError as error:
        raise InputOutputError(f"cannot read: {error.strerror}", where=str(source)) from error
    if not track.fixes:
        raise _not_understood(source)
    # Bad checks are put at the time of the epoch they stand in.
    offsets = [fix.source_offsets[0] for fix in track.fixes]
    faults = listener.faults(offsets, [fix.tick_us for fix in track.fixes])
    return session_of(track, analyse(track), faults, source=source.name, kind="capture", notes=notes)


def _pieces(source: Path) -> Iterator[StreamChunk]:
    """The file's bytes as one line that never pauses; its ticks mean nothing."""
    offset = 0
    with source.open("rb") as handle:
        while data := handle.read(_PIECE):
            yield StreamChunk(byte_time_us(offset, BAUD_ASSUMED), data, False)
            offset += len(data)


class _Listener:
    """Decodes one stream, and remembers when its messages came, so that it can say when checks failed."""

    def __init__(self, baud: int, how: Hearing) -> None:
        self._baud = baud
        self.decoder = new_decoder(extra=how.dialects)
        self._offsets, self._ticks = array("q"), array("q")

    def messages(self, chunks: Iterable[StreamChunk]) -> Iterator[TimedMessage]:
        """All messages of the stream, once."""
        for timed in decode_stream(chunks, self.decoder, self._baud):
            self._offsets.append(timed.message.offset)
            self._ticks.append(timed.tick_us)
            yield timed

    def faults(self, offsets: Sequence[int] | None = None, ticks: Sequence[int] | None = None) -> Faults:
        """Failed checks, timed by their places between the messages, or between other ``offsets`` with ``ticks``."""
        places = self._offsets if offsets is None else offsets
        times = self._ticks if ticks is None else ticks
        failed = [fault.offset for fault in self.decoder.faults if fault.kind == "bad_checksum"]
        at_s = np.interp(failed, places, times) / 1e6 if failed and len(places) else np.empty(0)
        counts = self.decoder.counts
        return Faults(at_s, counts.bad_checksum, counts.decoded + counts.invalid + counts.unknown)


def _track(listener: _Listener, chunks: Iterable[StreamChunk], run: int) -> Track:
    return build_track(listener.messages(chunks), run, listener.decoder.counts)


def _not_understood(source: Path) -> DamageError:
    return DamageError(
        "nothing in it tells a time or a position", where=str(source),
        expected="a journal, or a receiver's bytes in a known dialect; `offtake probe` says what a file holds",
    )  # fmt: skip
