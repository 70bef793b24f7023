"""The survey of a journal frame by frame, as it was before tables: the oracle of :mod:`offtake.journal.survey`."""

from __future__ import annotations

from collections.abc import Iterable

from offtake.generated.records import Loss, PressureConstants, Raw, RawMore, RunEnd, RunStart
from offtake.journal import oddities
from offtake.journal.frames import Frame
from offtake.journal.layouts import is_loggers
from offtake.journal.runs import RunInfo
from offtake.journal.survey import Survey
from scalar_frames import without_copies


class ScalarSurvey(Survey):
    """Takes frames one by one; what it tells of them is told as the survey tells it."""

    def add(self, frame: Frame) -> None:
        run = frame.likely_run
        if run is None:
            return
        info = self._runs.get(run)
        if info is None:
            info = self._runs[run] = RunInfo(run, frame.block_number, frame.block_number)
            self._counts[run] = {}
        _add(info, frame)
        counts = self._counts[run]
        counts[frame.code] = counts.get(frame.code, 0) + 1
        self.layouts.add(frame)
        self._add_oddities(run, frame)
        if frame.code == PressureConstants.CODE and len(self._constants.get(run, ())) < 2:
            self._constants.setdefault(run, set()).add(frame.payload)

    def _add_oddities(self, run: int, frame: Frame) -> None:
        odd = self._oddities
        if frame.code == RunStart.CODE:
            record = frame.record()[1]
            if isinstance(record, RunStart) and record.tick_ns:
                odd._tick_ns[run] = record.tick_ns
            return
        found = None if is_loggers(frame.code) else self.layouts.of(run, frame.code)
        if found is None:
            return
        seen = odd._seen.setdefault(run, {}).setdefault(frame.code, oddities._Seen())
        seen.frames += 1
        for part in odd._parts_of(found):
            if _is_odd(part, frame.payload):
                seen.values[part.name, part.kind] = seen.values.get((part.name, part.kind), 0) + 1
        most_hz = oddities._most_hz(found)
        if most_hz and frame.tick is not None:
            odd._count_one(seen, frame.tick, oddities._window_s(most_hz) * 1e9 / odd._tick_of(run))


def _is_odd(part: oddities._Part, payload: bytes) -> bool:
    """Whether one of the numbers that are wholly in ``payload`` is what it may not be."""
    end = part.at + part.size * part.elements
    if end > len(payload):
        return False
    pieces = (payload[at : at + part.size] for at in range(part.at, end, part.size))
    raws = [int.from_bytes(piece, "little", signed=part.signed) for piece in pieces]
    if part.choices is not None:
        return any(raw not in part.choices for raw in raws)
    return any(not part.low <= raw <= part.high for raw in raws)


def _add(info: RunInfo, frame: Frame) -> None:
    info.first_block = min(info.first_block, frame.block_number)
    info.last_block = max(info.last_block, frame.block_number)
    info.frames += 1
    if frame.code in (Raw.CODE, RawMore.CODE):
        info.raw_bytes += len(frame.payload)
    elif frame.code in (Loss.CODE, RunStart.CODE, RunEnd.CODE):
        record = frame.record()[1]
        if isinstance(record, Loss):
            info._add_loss(record)
        elif isinstance(record, RunStart):
            info.start = record
        elif isinstance(record, RunEnd):
            info.end = record


def scalar_survey(frames: Iterable[Frame]) -> ScalarSurvey:
    found = ScalarSurvey()
    for frame in without_copies(frames):
        found.add(frame)
    return found


def told(found: Survey) -> dict[str, object]:
    """Everything a survey tells."""
    runs = found.runs
    codes = sorted({code for info in runs for code in found.counts(info.run)})
    return {
        "runs": runs,
        "notes": [found.notes(info.run) for info in runs],
        "oddities": [found.oddities(info.run) for info in runs],
        "constants": [found.constants(info.run) for info in runs],
        "counts": [sorted(found.counts(info.run).items()) for info in runs],
        "starts": [found.start(info.run) for info in runs],
        "names": [found.name(code) for code in codes],
        "layouts": [found.layouts.of(info.run, code) for info in runs for code in codes],
    }
