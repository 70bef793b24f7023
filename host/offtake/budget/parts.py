"""Reads the electrical figures that lie beside this file, each with its source."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path


@dataclass(frozen=True)
class Figure:
    """A figure of a part, in ``unit``, and where it comes from, in words."""

    value: float
    unit: str
    source: str


@dataclass(frozen=True)
class BoardCosts:
    """A board's usual supply in volts, and what its firmware costs; parts.toml says what each figure means."""

    volts: float
    write_cycles: int
    receive_cycles: int
    frame_cycles: int
    reading_cycles: Mapping[str, int]
    spare_bytes: int
    spare_writes: float
    sustained_bd: int
    ready_ms: float
    pulses_hz: int


@dataclass(frozen=True)
class Parts:
    """All figures by name. ``brown_out_v`` has least, typical and most of each level, the highest level first."""

    figures: Mapping[str, Figure]
    sources: Mapping[str, str]
    brown_out_v: tuple[tuple[float, float, float], ...]
    boards: Mapping[str, BoardCosts]
    message_bytes: Mapping[str, int]

    def __getitem__(self, name: str) -> float:
        return self.figures[name].value

    def source_of(self, name: str) -> str:
        """Where the figure ``name`` comes from."""
        return self.figures[name].source


@cache
def load_parts() -> Parts:
    """The figures of parts.toml, which is part of this package: a mistake in it is ours and no user's."""
    tree = tomllib.loads(Path(__file__).with_name("parts.toml").read_text(encoding="utf-8"))
    sources: dict[str, str] = tree["sources"]
    return Parts(
        figures={
            name: Figure(float(entry["value"]), entry["unit"], sources[entry["source"]])
            for name, entry in tree["figures"].items()
        },
        sources=sources,
        brown_out_v=tuple((least, typical, most) for least, typical, most in tree["brown_out"]["levels"]),
        boards={name: BoardCosts(**entry) for name, entry in tree["boards"].items()},
        message_bytes=tree["messages"],
    )
