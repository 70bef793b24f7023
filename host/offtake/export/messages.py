"""Decoded messages as Apache Parquet files: one for each kind of message, as the bulk decoder's tables give them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa  # type: ignore[import-untyped]

from offtake.errors import DamageError, UsageError
from offtake.export.aside import Together
from offtake.export.table_files import ParquetFiles

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,63}")


@dataclass(frozen=True)
class MessageFile:
    """One file of messages of one kind, and how many."""

    dialect: str
    message: str
    path: Path
    rows: int


def message_path(stem: Path, dialect: str, message: str) -> Path:
    """Return the file for one kind of message: ``STEM_dialect.message.parquet``, in small letters.

    The names come from the dialects' definitions, never from a log. Raises :class:`~offtake.errors.UsageError` for
    one that cannot be part of a file name.
    """
    for name in (dialect, message):
        if not _NAME.fullmatch(name):
            raise UsageError(f"a dialect or message called {name!r}", expected="letters, digits and underscores")
    return stem.with_name(f"{stem.name}_{dialect.lower()}.{message.lower()}.parquet")


def write_messages_parquet(
    tables: Iterable[tuple[str, str, pa.Table]],
    stem: Path,
    *,
    replace: bool = False,
    among: Together | None = None,
) -> tuple[MessageFile, ...]:
    """Write ``tables`` (dialect, message, some of its rows) to a file for each kind of message, rows in their order.

    Tables of one kind must have the same columns; memory does not grow with the log. Fields keep their metadata. Raises
    as :func:`message_path` and :func:`offtake.export.aside.write_aside` do, and :class:`~offtake.errors.DamageError`
    for tables of one kind that differ; then no file is written.
    """
    rows: dict[tuple[str, str], int] = {}
    schemas: dict[tuple[str, str], pa.Schema] = {}
    paths: dict[tuple[str, str], Path] = {}
    with ExitStack() as stack:
        together = among or stack.enter_context(Together(replace=replace))
        files = stack.enter_context(ParquetFiles(together))
        for dialect, message, table in tables:
            kind = (dialect, message)
            if kind not in paths:
                path = message_path(stem, dialect, message)
                if path in paths.values():
                    raise UsageError(f"two kinds of message called {message}", where=dialect, expected="one")
                paths[kind], schemas[kind], rows[kind] = path, table.schema, 0
            if not table.schema.equals(schemas[kind]):
                raise DamageError("two tables of one kind have different columns", where=f"{dialect} {message}")
            files.write(paths[kind], table)
            rows[kind] += table.num_rows
    return tuple(MessageFile(*kind, paths[kind], count) for kind, count in rows.items())
