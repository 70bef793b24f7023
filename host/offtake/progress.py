"""How far a job over a journal has come: bytes read, phase by phase. Nothing is printed here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

Tell = Callable[[str, int, int], None]
"""Is told a phase's name, the bytes read in it, and how many it will take."""


class Readable(Protocol):
    """A source that says how many bytes it has handed out, such as :class:`offtake.card.OpenedJournal`."""

    size: int
    on_read: Callable[[int], None] | None


class Watch:
    """Counts what a job reads. A job goes over a journal several times where it must: each time is a phase of its own,
    for how many bytes all of them will take is not known before the first has ended."""

    def __init__(self, tell: Tell | None = None) -> None:
        self._tell = tell
        self._label = ""
        self._size: int | None = None
        self._done = self._total = 0

    def over(self, source: Readable, label: str) -> None:
        """From now on watch ``source``; the first phase reads all of it."""
        if self._tell is not None:
            source.on_read = self.read
        self._size = source.size
        self.phase(label, source.size)

    def phase(self, label: str, total: int) -> None:
        """A phase begins that will read about ``total`` bytes: no more than there are, whatever a log may say."""
        total = total if self._size is None else min(total, self._size)
        self._label, self._done, self._total = label, 0, max(1, total)
        self.read(0)

    def read(self, count: int) -> None:
        """So many bytes more were read. A phase that reads something twice stays at its end."""
        self._done += count
        if self._tell is not None:
            self._tell(self._label, min(self._done, self._total), self._total)


QUIET = Watch()
"""Nobody looks."""
