"""Files that hold one table and are filled piece by piece: comma-separated values and Apache Parquet."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Protocol

import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]

from offtake.export.aside import Together, write_aside
from offtake.export.csv_text import csv_pieces, head_line

ROWS_IN_GROUP = 65_536
"""Rows of a Parquet file are written so many at a time: memory is bounded, and each group has its own statistics."""
BYTES_IN_GROUP = 2**24
"""A group of wide rows has fewer of them, and holds about so many bytes of columns."""
BYTES_WAITING = 2**23
"""So many bytes of columns wait in all of :class:`ParquetFiles` together."""


class TableFile(Protocol):
    """A file that takes rows."""

    def write(self, table: pa.Table) -> None:
        """Add the rows of ``table``, which has the file's columns."""


@contextmanager
def csv_file(
    path: Path, schema: pa.Schema, *, replace: bool = False, among: Together | None = None
) -> Iterator[TableFile]:
    """A CSV file with a line of names for the columns of ``schema``; see :func:`offtake.export.csv_text.csv_pieces`.

    Raises as :func:`offtake.export.aside.write_aside` does.
    """
    with write_aside(path, replace=replace, among=among) as handle:
        handle.write(head_line(schema.names))
        yield _CsvFile(handle)


class _CsvFile:
    def __init__(self, handle: BinaryIO) -> None:
        self._handle = handle

    def write(self, table: pa.Table) -> None:
        for batch in table.to_batches():
            for piece in csv_pieces(batch.columns):
                self._handle.write(piece)


@contextmanager
def parquet_file(
    path: Path, schema: pa.Schema, *, replace: bool = False, among: Together | None = None
) -> Iterator[ParquetFile]:
    """A Parquet file of ``schema``, zstd compressed, in groups of :data:`ROWS_IN_GROUP` rows with statistics.

    Raises as :func:`offtake.export.aside.write_aside` does.
    """
    with (
        write_aside(path, replace=replace, among=among) as handle,
        pq.ParquetWriter(handle, schema, compression="zstd") as writer,
    ):
        file = ParquetFile(writer)
        yield file
        file.flush()


class ParquetFile:
    """Gathers rows until they make a group."""

    def __init__(self, writer: pq.ParquetWriter) -> None:
        self._writer = writer
        self._parts: list[pa.Table] = []
        self._rows = 0
        self.waiting_bytes = 0

    def write(self, table: pa.Table) -> None:
        """Add the rows of ``table``."""
        at = 0
        while at < table.num_rows:
            part = table.slice(at, ROWS_IN_GROUP - self._rows)
            at += part.num_rows
            self._parts.append(part)
            self._rows += part.num_rows
            self.waiting_bytes += part.nbytes
            if self._rows == ROWS_IN_GROUP or self.waiting_bytes >= BYTES_IN_GROUP:
                self.flush()

    def flush(self) -> None:
        """Write what was gathered as a group."""
        if self._rows:
            # Each part's words have their own places.
            group = pa.concat_tables(self._parts).unify_dictionaries()
            self._parts.clear()
            self._writer.write_table(group, row_group_size=ROWS_IN_GROUP)
            del group
            # What the group took is kept for the next one otherwise, in each thread that had a hand in it.
            pa.default_memory_pool().release_unused()
        self._rows = self.waiting_bytes = 0


class ParquetFiles:
    """Many Parquet files that are filled at the same time, each opened when its first rows come. Together they keep no
    more rows waiting than :data:`BYTES_WAITING`: then the file with the most of them writes a group."""

    def __init__(self, among: Together) -> None:
        self._among = among
        self._stack = ExitStack()
        self._files: dict[Path, ParquetFile] = {}

    def __enter__(self) -> ParquetFiles:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.__exit__(kind, error, trace)

    def write(self, path: Path, table: pa.Table) -> None:
        """Add the rows of ``table`` to ``path``, all of whose tables have the same columns."""
        if path not in self._files:
            self._files[path] = self._stack.enter_context(parquet_file(path, table.schema, among=self._among))
        self._files[path].write(table)
        if sum(file.waiting_bytes for file in self._files.values()) > BYTES_WAITING:
            max(self._files.values(), key=lambda file: file.waiting_bytes).flush()
