"""Rows of the table of figures."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Figure:
    """One row of the table: ``cells`` are texts by run number, ``all`` that of the whole journal."""

    key: str
    label: str
    all: str
    cells: dict[int, str]


@dataclass(frozen=True)
class Group:
    """Rows that answer one question."""

    title: str
    figures: tuple[Figure, ...]
