"""The parts of one journal: a Parquet file for each table of each run, under its path in the dataset."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]

from offtake.arrow import of_words
from offtake.collect.manifest import Part
from offtake.collect.names import part_path
from offtake.export.aside import Together
from offtake.export.table_files import ParquetFiles

_WORD = pa.dictionary(pa.int32(), pa.string())
_JOURNAL = pa.field("journal", _WORD, metadata={"doc": "Id of the journal, 8 hex digits."})
_IN_THE_PATH = ("run",)
"""Columns that a part does not have, since its path says them."""


class PartFiles:
    """Writes the parts of the journal ``journal_id`` of ``logger`` under the folder ``root``, run by run.

    A table that has no rows makes no file.
    """

    def __init__(self, root: Path, logger: str, journal_id: int) -> None:
        self._root = root
        self._logger = logger
        self._journal_id = journal_id
        self._rows: dict[str, int] = {}

    @contextmanager
    def run(self, run: int) -> Iterator[RunParts]:
        """The tables of a run, whole when the block ends."""
        with Together(replace=True) as together, ParquetFiles(together) as files:
            yield RunParts(self, files, run)

    def write(self, files: ParquetFiles, run: int, message: str, table: pa.Table) -> None:
        """Add rows to a table of a run."""
        if not table.num_rows:
            return
        path = part_path(self._logger, run, message, self._journal_id)
        if path not in self._rows:
            (self._root / path).parent.mkdir(parents=True, exist_ok=True)
        self._rows[path] = self._rows.get(path, 0) + table.num_rows
        files.write(self._root / path, self._of_journal(table))

    def _of_journal(self, table: pa.Table) -> pa.Table:
        """The table with the journal's id, and without what its path says."""
        table = table.drop_columns([name for name in table.column_names if name in _IN_THE_PATH])
        codes = np.zeros(table.num_rows, np.int32)
        journal = of_words(codes, np.zeros(table.num_rows, np.bool_), [f"{self._journal_id:08x}"])
        return table.add_column(0, _JOURNAL, journal)

    def parts(self) -> tuple[Part, ...]:
        """All of them, when all runs have been written."""
        return tuple(Part(path, rows, (self._root / path).stat().st_size) for path, rows in sorted(self._rows.items()))


class RunParts:
    """The tables of one run."""

    def __init__(self, parts: PartFiles, files: ParquetFiles, run: int) -> None:
        self._parts = parts
        self._files = files
        self._run = run

    def write(self, message: str, table: pa.Table) -> None:
        """Add rows to the table ``message``, all of whose pieces have the same columns."""
        self._parts.write(self._files, self._run, message, table)
