"""Which tables a journal's measurements make: one for each message, whichever runs hold it, with all its columns."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

from offtake.journal.columns import NAME_LENGTH_MAX, Column
from offtake.journal.measured import Series

TABLES_MAX = 128
"""So many tables at most: a real journal has a few, an untrusted one may describe a message anew in every run."""


@dataclass
class MeasuredTable:
    """One table. ``name`` is part of its file's name: a harmless identifier, once in an export. ``columns`` are the
    fields' columns by name, without rows. ``layouts`` say on whose word they stand, in all runs."""

    name: str
    code: int
    message: str
    columns: dict[str, Column]
    layouts: set[str] = field(default_factory=set)

    def path(self, stem: Path, ending: str) -> Path:
        """Its file: ``STEM_measured_NAME`` and the ending."""
        return stem.with_name(f"{stem.name}_measured_{self.name}{ending}")

    def takes(self, series: Series) -> bool:
        """Whether the series' rows can stand among this table's."""
        if (series.code, series.name) != (self.code, self.message):
            return False
        shared = ((column, self.columns[column.name]) for column in series.columns if column.name in self.columns)
        return all(_alike(one, other) for one, other in shared)

    def add(self, series: Series) -> None:
        """Give the table the series' columns as well."""
        self.layouts.add(series.layout)
        for column in series.columns:
            known = self.columns.setdefault(column.name, column)
            merged = dict(known.choices) | dict(column.choices)
            self.columns[column.name] = replace(known, choices=tuple(sorted(merged.items())))


def _alike(one: Column, other: Column) -> bool:
    """Whether two columns mean the same: a later release may only have added choices."""
    names, other_names = dict(one.choices), dict(other.choices)
    shared = all(other_names.get(value, name) == name for value, name in names.items())
    return (one.kind, one.unit, one.field) == (other.kind, other.unit, other.field) and shared


@dataclass
class MeasuredPlan:
    """The tables, and which of them each run's message is part of. ``left_out`` counts messages of runs that would have
    been one table too many."""

    tables: list[MeasuredTable] = field(default_factory=list)
    left_out: int = 0
    _of: dict[tuple[int, int], MeasuredTable] = field(default_factory=dict)

    def table(self, run: int, code: int) -> MeasuredTable | None:
        """The table of message ``code`` in ``run``."""
        return self._of.get((run, code))

    @property
    def notes(self) -> tuple[str, ...]:
        """What is to be said of it, in sentences."""
        if not self.left_out:
            return ()
        return (f"Measurements of {self.left_out:,} messages, beyond {TABLES_MAX} tables, were left out.",)

    def add(self, series: Series) -> None:
        """Find a table for the series of one run, or make one."""
        table = next((one for one in self.tables if one.takes(series)), None)
        if table is None:
            if len(self.tables) >= TABLES_MAX:
                self.left_out += 1
                return
            table = MeasuredTable(self._free_name(series), series.code, series.name, {})
            self.tables.append(table)
        table.add(series)
        self._of[series.run, series.code] = table

    def _free_name(self, series: Series) -> str:
        taken = {one.name for one in self.tables}
        name = series.name
        number = 2
        while name in taken:
            name = f"{series.name[:NAME_LENGTH_MAX]}_{number}"
            number += 1
        return name


def plan_measured(heads: Iterable[Series]) -> MeasuredPlan:
    """Plan the tables for ``heads``: for each run and message a series whose columns count, not its rows."""
    plan = MeasuredPlan()
    for head in heads:
        plan.add(head)
    return plan
