"""The receiver's stream parted by dialect: one file for each, and one for what belongs to none."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import Message
from offtake.dialects.stream import StreamChunk
from offtake.dialects.tables import AnyDialect, Dialect
from offtake.errors import UsageError
from offtake.export.aside import write_aside
from offtake.generated.dialects import DIALECTS

REST = "rest"
"""Names the file of what belongs to no message."""
_NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")
_LINE_ENDS = (b"\r\n", b"\n", b"\r")


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
    chunks: Iterable[StreamChunk],
    stem: Path,
    *,
    dialects: Sequence[AnyDialect] | None = None,
    replace: bool = False,
) -> tuple[SplitFile, ...]:
    """Part one run's ``chunks`` into the messages of each of ``dialects`` (``None``: all built-in ones) and the rest.

    Every byte is in exactly one file, in the stream's order; a sentence takes the line end that follows it. All
    files of :func:`split_paths` are written, also empty ones. Only messages with a right checksum count. Memory does
    not grow with the stream. Raises as :func:`split_paths` and :func:`offtake.export.aside.write_aside` do; then no
    file is written, unless putting the last of them in place is what fails.
    """
    chosen = _chosen(dialects)
    paths = split_paths(stem, chosen)
    for path in paths.values():
        if not replace and os.path.lexists(path):
            raise UsageError("exists already", where=str(path), expected="a new name, or leave to replace it")
    with ExitStack() as stack:
        handles = {name: stack.enter_context(write_aside(path, replace=replace)) for name, path in paths.items()}
        splitter = _Splitter(handles, {one.name for one in chosen if isinstance(one, Dialect)})
        decoder = StreamDecoder(chosen)
        for chunk in chunks:
            if chunk.after_loss:
                splitter.take(b"", decoder.lose(), decoder.pending_offset)
                splitter.part()
            splitter.take(chunk.data, decoder.feed(chunk.data), decoder.pending_offset)
        splitter.take(b"", decoder.finish(), decoder.pending_offset)
        splitter.part()
    return tuple(SplitFile(name, path, splitter.messages[name], splitter.sizes[name]) for name, path in paths.items())


def _chosen(dialects: Sequence[AnyDialect] | None) -> tuple[AnyDialect, ...]:
    return tuple(DIALECTS.values()) if dialects is None else tuple(dialects)


class _Splitter:
    """Hands the stream's bytes on to the files as soon as the decoder has decided what they are."""

    def __init__(self, handles: Mapping[str, BinaryIO], text_dialects: set[str]) -> None:
        self.messages = dict.fromkeys(handles, 0)
        self.sizes = dict.fromkeys(handles, 0)
        self._handles = handles
        self._text_dialects = text_dialects
        self._undecided = bytearray()
        self._offset = 0
        self._line_of: str | None = None

    def take(self, data: bytes, messages: Iterable[Message], decided: int) -> None:
        """Take the stream's next bytes, the messages now known, and the offset before which all is decided."""
        self._undecided += data
        at = 0
        for message in messages:
            start = message.offset - self._offset
            self._between(self._undecided[at:start], whole=True)
            at = start + len(message.raw)
            self._put(message.dialect, self._undecided[start:at])
            self.messages[message.dialect] += 1
            self._line_of = message.dialect if message.dialect in self._text_dialects else None
        end = decided - self._offset
        kept = self._between(self._undecided[at:end], whole=False)
        del self._undecided[: end - kept]
        self._offset = decided - kept

    def part(self) -> None:
        """Bytes are missing here, or the stream ends: no line end to come belongs to a sentence before."""
        self._between(self._undecided, whole=True)
        self._offset += len(self._undecided)
        self._undecided.clear()

    def _between(self, data: bytes | bytearray, whole: bool) -> int:
        """Take what lies between messages; the bytes at its end that must wait, when more may follow."""
        line_of = self._line_of
        if line_of is None:
            self._put(REST, data)
            return 0
        if not whole and data in (b"", b"\r"):
            return len(data)
        line_end = next((one for one in _LINE_ENDS if data.startswith(one)), b"")
        self._line_of = None
        self._put(line_of, line_end)
        self._put(REST, data[len(line_end) :])
        return 0

    def _put(self, name: str, data: bytes | bytearray) -> None:
        self.sizes[name] += self._handles[name].write(data)
