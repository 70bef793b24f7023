"""How far a job over a journal has come, phase by phase. Nothing is printed here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Progress:
    """``done`` of ``total`` bytes (``None``: nobody knows) of the phase called ``label``, which is number ``phase`` of
    ``phases`` in all (0: nobody knows)."""

    label: str
    done: int
    total: int | None
    phase: int
    phases: int


Tell = Callable[[Progress], None]


class Readable(Protocol):
    """A source that says how many bytes it has handed out, such as :class:`offtake.card.OpenedJournal`."""

    size: int
    on_read: Callable[[int], None] | None


class Watch:
    """Counts what a job reads and writes. A job goes over a journal several times where it must: each time is a phase
    of its own, for how fast the next one will be is not known before it begins."""

    def __init__(self, tell: Tell | None = None) -> None:
        self._tell = tell
        self._part = self._label = ""
        self._size: int | None = None
        self._phase = self._phases = 0
        self._done = 0
        self._total: int | None = None
        self._halves = False
        self._undealt = self._dealing = self._rows = 0

    @property
    def on_write(self) -> Callable[[int], None] | None:
        """What is to be told of bytes written, if anybody looks."""
        return self.wrote if self._tell is not None else None

    def expect(self, phases: int) -> None:
        """The job will have so many phases, as far as is known."""
        self._phases = phases

    def part(self, name: str) -> None:
        """From now on the phases are those of this part of the job."""
        self._part = f"{name}, "

    def over(self, source: Readable, label: str) -> None:
        """From now on watch ``source``; the first phase reads all of it."""
        if self._tell is not None:
            source.on_read = self.read
        self._size = source.size
        self.phase(label, source.size)

    def phase(self, label: str, total: int, *, dealt: bool = False) -> None:
        """A phase begins that will read about ``total`` bytes: no more than there are, whatever a log may say. With
        ``dealt`` half of it is done when they are read, the other half when rows made of them are written."""
        total = total if self._size is None else min(total, self._size)
        self._begin(label, max(1, total), dealt)

    def writing(self, label: str) -> None:
        """A phase begins that reads nothing more; what it writes is counted."""
        self._begin(label, None, False)

    def _begin(self, label: str, total: int | None, halves: bool) -> None:
        self._label, self._total, self._halves = self._part + label, total, halves
        self._done = self._undealt = self._dealing = self._rows = 0
        self._phase += 1
        self._show()

    def read(self, count: int) -> None:
        """So many bytes more were read. A phase that reads something twice stays at its end."""
        if self._total is None:
            return
        now = count // 2 if self._halves else count
        self._undealt += count - now
        self._done += now
        self._show()

    def at(self, done: int, total: int) -> None:
        """A job of one phase without a name is so far."""
        self._phase, self._done, self._total = 1, done, max(1, total)
        self._show()

    def wrote(self, count: int) -> None:
        """So many bytes more were written."""
        if self._total is None:
            self._done += count
            self._show()

    def deal(self, rows: int) -> None:
        """So many rows, made of what was read by now, are going to be written."""
        self._dealing, self._rows, self._undealt = self._undealt, max(1, rows), 0

    def dealt(self, rows: int) -> None:
        """So many of them were."""
        if self._halves:
            self._done += self._dealing * rows // self._rows
            self._show()

    def _show(self) -> None:
        if self._tell is not None:
            done = self._done if self._total is None else min(self._done, self._total)
            phases = max(self._phase, self._phases) if self._phases else 0
            self._tell(Progress(self._label, done, self._total, self._phase, phases))


QUIET = Watch()
"""Nobody looks."""
