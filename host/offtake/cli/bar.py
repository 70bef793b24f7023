"""A bar of one line on a terminal: what is done, how fast, how long it will still take."""

from __future__ import annotations

import shutil
from textwrap import shorten
from typing import Any, TextIO

from tqdm import tqdm  # type: ignore[import-untyped]

from offtake.progress import Progress

WIDTH = 76
"""Narrower than a terminal, so that the ^C which it shows does not break the line."""
_LABEL_WIDTH = 32
_AT_START = "{desc} {percentage:3.0f}% |{bar}| {n_fmt}/{total_fmt}iB"
_UNDER_WAY = _AT_START + ", {per_s}iB/s, {remaining} left"
_WITHOUT_END = "{desc}, {n_fmt}iB, {per_s}iB/s"


class _Binary(tqdm):  # type: ignore[misc]
    """Its own rate counts in thousands, whatever its unit is."""

    @property
    def format_dict(self) -> dict[str, Any]:
        """What the bar is made of."""
        known: dict[str, Any] = super().format_dict
        rate = known["rate"] or (known["n"] / known["elapsed"] if known["elapsed"] else 0.0)
        return known | {"per_s": self.format_sizeof(rate, divisor=1024)}


class Bar:
    """Draws itself over and over, a phase after the other; :meth:`clear` leaves an empty line."""

    def __init__(self, what: str, out: TextIO) -> None:
        self._what = what
        self._out = out
        self._label = ""
        self._bar: tqdm | None = None

    def show(self, progress: Progress) -> None:
        """Draw how far it is, but not more often than a person sees."""
        stage = f" {progress.phase}/{progress.phases}" if progress.phases > 1 else ""
        label = ": ".join(filter(None, (self._what + stage, progress.label)))
        if self._bar is None or label != self._label or progress.done < self._bar.n:
            self.clear()
            self._label = label
            self._bar = self._begun(label, progress)
        if progress.done > self._bar.n:
            self._bar.bar_format = _WITHOUT_END if progress.total is None else _UNDER_WAY
            self._bar.update(progress.done - self._bar.n)

    def _begun(self, label: str, progress: Progress) -> tqdm:
        return _Binary(
            desc=shorten(label, _LABEL_WIDTH, placeholder="..."),
            total=progress.total,
            unit="iB",
            unit_scale=True,
            unit_divisor=1024,
            ncols=max(1, min(WIDTH, shutil.get_terminal_size((80, 24)).columns - 4)),
            bar_format="{desc}" if progress.total is None else _AT_START,
            leave=False,
            file=self._out,
        )

    def clear(self) -> None:
        """Leave nothing behind."""
        if self._bar is not None:
            self._bar.close()
            self._bar = None
