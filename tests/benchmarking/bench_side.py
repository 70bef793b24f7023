"""One side of a comparison as a program: does one piece of work over a journal and tells how long it took.

    python tests/benchmarking/bench_side.py WORK[,WORK...] FILE [BYTES]

Prints a JSON object for each WORK, a line each: seconds of wall clock and of processor for the work itself, imports and
start-up left out, the bytes it went over, how many items it made of them, and the process's peak of memory so far.
BYTES: only so much of the journal's beginning.
"""

from __future__ import annotations

import json
import sys
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from offtake.generated.records import BLOCK_SIZE
from offtake.journal.source import ByteSource
from offtake.memory import keep_freed_memory

_PIECE = 1 << 22


class Beginning:
    """The first bytes of a file, as a source of journals."""

    def __init__(self, path: Path, size: int | None) -> None:
        self._file = path.open("rb", buffering=0)
        whole = path.stat().st_size
        self.size = whole if size is None else min(whole, size // BLOCK_SIZE * BLOCK_SIZE)

    def read(self, offset: int, length: int) -> bytes:
        """Bytes from ``offset`` on; fewer than ``length`` only at the end."""
        self._file.seek(offset)
        return self._file.read(max(0, min(length, self.size - offset)))


Told = tuple[int, int]
"""Bytes gone over, items made."""
Work = Callable[[ByteSource], Callable[[], Told]]
"""Gets ready, imports included, and returns what is to be timed."""


def crc32(source: ByteSource) -> Callable[[], Told]:
    """zlib's CRC-32 over the file."""

    def work() -> Told:
        crc = 0
        for at in range(0, source.size, _PIECE):
            crc = zlib.crc32(source.read(at, _PIECE), crc)
        return source.size, 1

    return work


def blocks(source: ByteSource) -> Callable[[], Told]:
    """Each block's verdict and header."""
    from offtake.journal.bulk.window import scan_blocks
    from offtake.journal.identity import identify
    from offtake.journal.scan import block_total

    def work() -> Told:
        journal_id = identify(source).journal_id
        found = sum(len(table) for table in scan_blocks(source, journal_id, 1, block_total(source)))
        return source.size, found

    return work


def frames(source: ByteSource) -> Callable[[], Told]:
    """Each frame's place and verdict, in order of block number."""
    from offtake.journal.reader import Journal

    def work() -> Told:
        return source.size, sum(len(table) for table in Journal(source).frame_tables())

    return work


def verified(source: ByteSource) -> Callable[[], Told]:
    """All that verify looks at."""
    from offtake.journal.verify import verify

    def work() -> Told:
        report = verify(source)
        assert report.clean
        return source.size, report.blocks.intact

    return work


def stream(source: ByteSource) -> Callable[[], Told]:
    """The receiver's bytes with their times, window by window."""
    from offtake.journal.salvage import salvage
    from offtake.journal.stream import salvaged_windows

    def work() -> Told:
        found = salvage(source)
        windows = (window for info in found.runs() for window in salvaged_windows(found, info.run))
        return source.size, sum(len(window.data) for window in windows)

    return work


def columns(source: ByteSource) -> Callable[[], Told]:
    """Every frame's values as columns."""
    from offtake.export.frames import frame_columns
    from offtake.journal.reader import Journal

    def work() -> Told:
        return source.size, sum(table.num_rows for _, table in frame_columns(Journal(source)))

    return work


def construct(source: ByteSource) -> Callable[[], Told]:
    """Every frame's values through construct."""
    from bench_construct import parse_blocks

    data = source.read(BLOCK_SIZE, source.size)

    def work() -> Told:
        return len(data), sum(len(block.content.value.frames) for block in parse_blocks(data))

    return work


def fixes(source: ByteSource) -> Callable[[], Told]:
    """From the journal to fixes: blocks, frames, stream, messages, epochs."""
    from offtake.dialects.registry import chosen_dialects
    from offtake.journal.salvage import salvage
    from offtake.journal.stream import salvaged_windows
    from offtake.track.bulk_epochs import EpochGrouper

    def work() -> Told:
        found = salvage(source)
        epochs = 0
        for info in found.runs():
            grouper = EpochGrouper(chosen_dialects(), info.run, info.start.baud if info.start else 57_600)
            epochs += sum(len(grouper.window(window).fixes) for window in salvaged_windows(found, info.run))
            epochs += len(grouper.finish().fixes)
        return source.size, epochs

    return work


def line_fixes(source: ByteSource) -> Callable[[], Told]:
    """From the receiver's bytes in memory to fixes: messages and epochs; the bytes told are the line's."""
    from offtake.dialects.registry import chosen_dialects
    from offtake.journal.bulk.stream import stream_windows
    from offtake.journal.reader import Journal
    from offtake.track.bulk_epochs import EpochGrouper

    journal = Journal(source)
    info = journal.runs()[0]
    windows = list(stream_windows(journal.frame_tables(info.run)))

    def work() -> Told:
        grouper = EpochGrouper(chosen_dialects(), info.run, info.start.baud if info.start else 57_600)
        epochs = sum(len(grouper.window(window).fixes) for window in windows) + len(grouper.finish().fixes)
        return sum(len(window.data) for window in windows), epochs

    return work


def sentences(source: ByteSource) -> Callable[[], Told]:
    """The same bytes through pynmea2: split into sentences before the clock starts, checks included."""
    import pynmea2  # type: ignore[import-untyped]

    # The last one is cut off where the journal's beginning ends.
    lines = line_of(source).decode("ascii").split("\r\n")[:-1]

    def work() -> Told:
        for line in lines:
            pynmea2.parse(line, check=True)
        return sum(map(len, lines)) + 2 * len(lines), len(lines)

    return work


def line_of(source: ByteSource) -> bytes:
    """The receiver's bytes of the first run."""
    from offtake.journal.bulk.stream import chunks_of_windows, stream_windows
    from offtake.journal.reader import Journal

    journal = Journal(source)
    return b"".join(
        chunk.data for chunk in chunks_of_windows(stream_windows(journal.frame_tables(journal.runs()[0].run)))
    )


WORKS: dict[str, Work] = {
    one.__name__: one
    for one in (crc32, blocks, frames, verified, stream, columns, construct, fixes, line_fixes, sentences)
}


def timed(name: str, path: Path, size: int | None = None) -> dict[str, Any]:
    """Do the work ``name`` once in this process."""
    # As the command line does before it runs a verb.
    keep_freed_memory()
    ready = WORKS[name](Beginning(path, size))
    began, cpu = time.perf_counter(), time.process_time()
    told, items = ready()
    wall_s, cpu_s = time.perf_counter() - began, time.process_time() - cpu
    return {"work": name, "wall_s": wall_s, "cpu_s": cpu_s, "bytes": told, "items": items, "peak_rss": peak_rss()}


def peak_rss() -> int:
    """The most memory in bytes that this process has had so far."""
    status = Path("/proc/self/status").read_text()
    return next(int(line.split()[1]) * 1024 for line in status.splitlines() if line.startswith("VmHWM:"))


if __name__ == "__main__":
    for one in sys.argv[1].split(","):
        print(json.dumps(timed(one, Path(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else None)), flush=True)
