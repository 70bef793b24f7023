"""What a journal holds, from one walk over its frames: the runs, and how the messages of each are to be read."""

from __future__ import annotations

from collections.abc import Iterable

from offtake.generated.records import MESSAGES, PressureConstants, RunStart
from offtake.journal.frames import Frame, without_copies
from offtake.journal.layouts import Layouts
from offtake.journal.oddities import Oddities, Oddity
from offtake.journal.runs import RunInfo


class Survey:
    """The runs by number, the ``layouts`` of their messages, and what these do not foresee."""

    def __init__(self) -> None:
        self.layouts = Layouts()
        self._oddities = Oddities(self.layouts)
        self._runs: dict[int, RunInfo] = {}
        self._counts: dict[int, dict[int, int]] = {}
        self._constants: dict[int, set[bytes]] = {}

    def add(self, frame: Frame) -> None:
        """Take in a frame; one of no known run is passed over."""
        run = frame.likely_run
        if run is None:
            return
        info = self._runs.get(run)
        if info is None:
            info = self._runs[run] = RunInfo(run, frame.block_number, frame.block_number)
            self._counts[run] = {}
        info.add(frame)
        counts = self._counts[run]
        counts[frame.code] = counts.get(frame.code, 0) + 1
        self.layouts.add(frame)
        self._oddities.add(run, frame)
        if frame.code == PressureConstants.CODE and len(self._constants.get(run, ())) < 2:
            self._constants.setdefault(run, set()).add(frame.payload)

    @property
    def runs(self) -> tuple[RunInfo, ...]:
        """Every run, by number."""
        found = tuple(info for _, info in sorted(self._runs.items()))
        for info in found:
            named: dict[str, int] = {}
            for code, count in sorted(self._counts[info.run].items()):
                name = self.layouts.name(info.run, code)
                named[name] = named.get(name, 0) + count
            info.frames_by_message = named
        return found

    def start(self, run: int) -> RunStart | None:
        """The frame that began ``run``, where it is left."""
        info = self._runs.get(run)
        return info.start if info else None

    def counts(self, run: int) -> dict[int, int]:
        """Frames of ``run`` by message code."""
        return dict(self._counts.get(run, {}))

    def name(self, code: int) -> str:
        """What message ``code`` is called in all runs that have it, ``message_N`` where they differ."""
        names = {self.layouts.name(run, code) for run, counts in self._counts.items() if code in counts}
        if len(names) > 1:
            return f"message_{code}"
        return names.pop() if names else MESSAGES[code].NAME if code in MESSAGES else f"unknown_{code}"

    def constants(self, run: int) -> tuple[bytes, ...]:
        """The different payloads, at most two, with which ``run`` gave the pressure part's constants."""
        return tuple(sorted(self._constants.get(run, ())))

    def oddities(self, run: int) -> tuple[Oddity, ...]:
        """What the measurements of ``run`` have that their definition does not foresee."""
        return self._oddities.of(run)

    def notes(self, run: int) -> tuple[str, ...]:
        """What is to be said of how ``run`` is read, in sentences."""
        return self.layouts.notes(run, self.counts(run))


def survey(frames: Iterable[Frame]) -> Survey:
    """Walk over ``frames``, in order of block number; copies are left out. At most 65,536 runs."""
    found = Survey()
    for frame in without_copies(frames):
        found.add(frame)
    return found
