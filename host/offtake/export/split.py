"""The receiver's stream parted by dialect: one file for each, and one for what belongs to none."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from offtake.dialects.bulk import BulkDecoder
from offtake.dialects.bulk.buffer import Ints
from offtake.dialects.bulk.index import MessageIndex
from offtake.dialects.tables import AnyDialect, Dialect
from offtake.errors import UsageError
from offtake.export.aside import Together
from offtake.generated.dialects import DIALECTS
from offtake.journal.bulk.stream import StreamWindow

REST = "rest"
"""Names the file of what belongs to no message."""
_NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")
_CR, _LF = b"\r\n"


@dataclass(frozen=True)
class SplitFile:
    """One file: the dialect's name or :data:`REST`, its messages and its size in bytes."""

    dialect: str
    path: Path
    messages: int
    size_bytes: int


def split_paths(stem: Path, dialects: Sequence[AnyDialect] | None = None) -> dict[str, Path]:
    """Return the files that :func:`write_split` writes, by dialect (``None``: all built-in ones): ``STEM_name.bin``.

    The names come from the dialects' definitions, never from a log. Raises :class:`~offtake.errors.UsageError` for
    a dialect whose name cannot be part of a file name or is taken twice.
    """
    names = [one.name for one in _chosen(dialects)] + [REST]
    for name in names:
        if not _NAME.fullmatch(name) or names.count(name) > 1:
            expected = "small letters, digits and underscores, each name once, none of them 'rest'"
            raise UsageError(f"a dialect called {name!r}", expected=expected)
    return {name: stem.with_name(f"{stem.name}_{name}.bin") for name in names}


def write_split(
    windows: Iterable[StreamWindow],
    stem: Path,
    *,
    dialects: Sequence[AnyDialect] | None = None,
    replace: bool = False,
    among: Together | None = None,
) -> tuple[SplitFile, ...]:
    """Part one run's stream into the messages of each of ``dialects`` (``None``: all built-in ones) and the rest.

    Every byte is in exactly one file, in the stream's order; a sentence takes the line end that follows it. All
    files of :func:`split_paths` are written, also empty ones. Only messages with a right checksum count. Memory does
    not grow with the stream. Raises as :func:`split_paths` and :func:`offtake.export.aside.write_aside` do; then no
    file is written.
    """
    chosen = _chosen(dialects)
    paths = split_paths(stem, chosen)
    for path in paths.values():
        if among is None and not replace and os.path.lexists(path):
            raise UsageError("exists already", where=str(path), expected="a new name, or leave to replace it")
    with ExitStack() as stack:
        together = among or stack.enter_context(Together(replace=replace))
        handles = [stack.enter_context(together.file(path)) for path in paths.values()]
        splitter = _Splitter(handles, chosen)
        for window in windows:
            splitter.take(window)
        splitter.finish()
    counted = zip(paths.items(), splitter.messages, splitter.sizes, strict=True)
    return tuple(SplitFile(name, path, messages, size) for (name, path), messages, size in counted)


def _chosen(dialects: Sequence[AnyDialect] | None) -> tuple[AnyDialect, ...]:
    return tuple(DIALECTS.values()) if dialects is None else tuple(dialects)


class _Splitter:
    """Hands the stream's bytes on to the files as soon as the decoder has decided what they are."""

    def __init__(self, handles: Sequence[BinaryIO], dialects: Sequence[AnyDialect]) -> None:
        self.messages = [0] * len(handles)
        self.sizes = [0] * len(handles)
        self._handles = handles
        self._decoder = BulkDecoder(dialects, kinds=())
        self._has_lines = np.array([isinstance(one, Dialect) for one in dialects], np.bool_)
        self._undecided = b""
        self._offset = 0
        # The dialect of the sentence just before `_offset`, whose line end may still come; -1 for none.
        self._line_of = -1

    def take(self, window: StreamWindow) -> None:
        """Take the stream's next bytes."""
        lost = window.chunk_offset[window.chunk_lost]
        found = self._decoder.window(window.data, lost)
        self._part(self._undecided + window.data, found.index, lost, self._decoder.pending_offset, ended=False)

    def finish(self) -> None:
        """The stream ends here."""
        found = self._decoder.finish()
        end = self._offset + len(self._undecided)
        self._part(self._undecided, found.index, np.zeros(0, np.int64), end, ended=True)

    def _part(self, data: bytes, index: MessageIndex, lost: Ints, decided: int, *, ended: bool) -> None:
        """Give the bytes before stream offset ``decided`` to whom they belong; ``data`` begins where that is open."""
        end = decided - self._offset
        starts = index.offset.astype(np.int64) - self._offset
        ends = starts + index.length
        owners = index.dialect.astype(np.int64)
        self._count(owners)
        if self._line_of >= 0:
            starts, ends = np.append(0, starts), np.append(0, ends)
            owners = np.append(self._line_of, owners)
        # What follows each message, up to the next one, a loss or the end of what is decided.
        cuts = np.append(np.sort(lost - self._offset), end)
        cut = cuts[np.searchsorted(cuts[:-1], ends)]
        limits = np.minimum(np.append(starts[1:], end), cut)
        gaps = limits - ends
        self._line_of = -1
        if len(owners) and self._has_lines[owners[-1]] and limits[-1] == end and not ended and end not in cuts[:-1]:
            between = data[ends[-1] : end]
            if between in (b"", b"\r"):
                # More of the line end may come.
                end -= len(between)
                gaps[-1] = 0
                self._line_of = int(owners[-1])
        ends = ends + np.where(self._has_lines[owners], _line_ends(data, ends, gaps), 0)
        self._write(data[:end], starts, ends, owners)
        self._undecided = data[end:]
        self._offset += end

    def _count(self, owners: Ints) -> None:
        for place, count in enumerate(np.bincount(owners, minlength=len(self._handles)).tolist()):
            self.messages[place] += count

    def _write(self, data: bytes, starts: Ints, ends: Ints, owners: Ints) -> None:
        """Each owner's bytes, from ``starts`` to ``ends``, in order; what lies between is the rest."""
        rest = len(self._handles) - 1
        between = np.append(starts, len(data)) - np.append(0, ends)
        lengths = np.empty(2 * len(owners) + 1, np.int64)
        lengths[::2], lengths[1::2] = between, ends - starts
        whose = np.full(len(lengths), rest, np.uint8)
        whose[1::2] = owners
        owner_of = np.repeat(whose, lengths)
        every = np.frombuffer(data, np.uint8)
        for place in np.flatnonzero(np.bincount(whose, lengths)).tolist():
            self.sizes[place] += self._handles[place].write(every[owner_of == place])


def _line_ends(data: bytes, ends: Ints, gaps: Ints) -> Ints:
    """How many bytes of a line end stand at each of ``ends``, of the ``gaps`` bytes that are free there."""
    padded = np.frombuffer(data + bytes(2), np.uint8)
    first, second = padded[ends], padded[ends + 1]
    one = (gaps >= 1) & ((first == _CR) | (first == _LF))
    both = (gaps >= 2) & (first == _CR) & (second == _LF)
    found: Ints = one.astype(np.int64) + both
    return found
