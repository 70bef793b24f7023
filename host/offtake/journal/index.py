"""What one passage over a journal's file found, so that one run, or a part of it, is read without another.

An index says where blocks lie and what the passage counted. It is believed in that, and in nothing that the blocks say
themselves: whoever reads them checks them again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from offtake.generated.records import BLOCK_SIZE
from offtake.journal.account import Account, SkippedExtent
from offtake.journal.bulk.order import CHECKED, EXTENT, SHIFTS_MAX, Order
from offtake.journal.clock import Clock
from offtake.journal.kept import whole
from offtake.journal.ladder import RUNG, Rungs
from offtake.journal.runs import RunInfo
from offtake.journal.survey import Survey

if TYPE_CHECKING:
    from offtake.journal.salvage import Salvage


@dataclass(frozen=True, eq=False)
class JournalIndex:
    """The whole of a journal in short. ``lap`` is the number of blocks in one (0: unknown), ``account`` and ``survey``
    are those of its salvage, ``order`` says where the blocks of each number lie. ``rungs`` (shape (k,), of
    :data:`~offtake.journal.ladder.RUNG`, by run and number) are times along each run; ``lines`` are time lines that
    someone has fitted, as text of their own form, by run and by how the run was heard."""

    size: int
    journal_id: int | None
    id_from: str
    lap: int
    account: Account
    survey: Survey
    order: Order
    rungs: Rungs
    lines: Mapping[tuple[int, str], str] = field(default_factory=dict)

    @property
    def runs(self) -> tuple[RunInfo, ...]:
        """Every run, by number."""
        return self.survey.runs

    def ladder(self, run: int) -> Rungs:
        """The rungs of one run."""
        rungs: Rungs = self.rungs[self.rungs["run"] == run]
        return rungs

    def numbers(self, run: int, first_us: int | None = None, last_us: int | None = None) -> tuple[int, int] | None:
        """First and last number of the blocks that hold all frames of ``run`` from ``first_us`` to ``last_us``
        (microseconds since power-up, both inclusive), and up to 256 blocks more at either end. The first is one from
        which :meth:`clock` starts, where there is any. None where nothing of the run lies in that time."""
        ladder = self.ladder(run)
        inside = np.ones(ladder.size, np.bool_)
        if first_us is not None:
            inside &= ladder["most_us"] >= first_us
        if last_us is not None:
            inside &= ladder["least_us"] <= last_us
        chosen = np.flatnonzero(inside)
        if not chosen.size:
            return None
        first, last = int(chosen[0]), int(chosen[-1])
        while first and ladder["open_tick"][first] < 0:
            first -= 1
        ends = np.append(ladder["number"][1:] - 1, next(info.last_block for info in self.runs if info.run == run))
        return int(ladder["number"][first]), max(int(ladder["number"][last]), int(ends[last]))

    def clock(self, run: int, number: int) -> Clock | None:
        """A clock that unwraps the ticks of ``run`` from block ``number`` on; None where only its beginning tells."""
        ladder = self.ladder(run)
        known = np.flatnonzero((ladder["number"] <= number) & (ladder["open_tick"] >= 0))
        if not known.size:
            return None
        rung = ladder[known[-1]]
        clock = Clock(int(rung["tick_ns"]))
        clock.open = clock.tick = int(rung["open_tick"])
        return clock

    def line(self, run: int, heard: str) -> str | None:
        """The time line that was kept for ``run`` when it was heard in this way."""
        return self.lines.get((run, heard))

    def with_line(self, run: int, heard: str, text: str) -> JournalIndex:
        """The index with a run's time line in it."""
        return replace(self, lines={**self.lines, (run, heard): text})

    def last_position(self) -> int:
        """Where the block of the highest number lies; 0, the header's place, where there is none."""
        extents = self.order.extents
        if not extents.size:
            return 0
        ends = extents["number"].astype(np.int64) + extents["count"]
        last = extents[int(np.argmax(ends))]
        return int(last["position"]) + int(last["count"]) - 1


def index_of(found: Salvage) -> JournalIndex:
    """The index of a salvaged journal."""
    survey, rungs = found.survey(), found.rungs()
    return JournalIndex(
        found.account.size, found.journal_id, found.id_from, found.lap, found.account, survey, found.order, rungs
    )


def tell_the_same(one: JournalIndex, other: JournalIndex) -> bool:
    """Whether two indexes tell the same of a journal, whatever time lines they have."""
    same = replace(one, lines={}), replace(other, lines={})
    # Whether frames were checked is not kept.
    extents = [index.order.extents.copy() for index in same]
    for rows in extents:
        rows["what"] &= ~np.uint8(CHECKED)
    return (
        json.dumps(state_of(same[0])) == json.dumps(state_of(same[1]))
        and np.array_equal(extents[0], extents[1])
        and np.array_equal(one.rungs, other.rungs)
    )


def state_of(index: JournalIndex) -> dict[str, Any]:
    """Everything but the arrays, in plain values; see :func:`restored`."""
    account = index.account
    counts = {name: getattr(account, name) for name in _COUNTS}
    extents = [[one.offset, one.length, one.reason] for one in account.extents]
    return {
        "journal_id": index.journal_id,
        "id_from": index.id_from,
        "lap": index.lap,
        "account": {**counts, "skipped": account.skipped, "extents": extents},
        "survey": index.survey.state(),
        "lines": [[run, heard, text] for (run, heard), text in sorted(index.lines.items())],
    }


_COUNTS = ("size", "frames", "frame_bytes", "structure_bytes", "extents_left_out")


def restored(state: Any, extents: NDArray[np.void], rungs: Rungs) -> JournalIndex:
    """The index that :func:`state_of` gave; ``extents`` are taken over. ValueError, TypeError, KeyError or IndexError
    where something cannot be."""
    told = state["account"]
    account = Account(
        **{name: whole(told[name]) for name in _COUNTS},
        skipped={str(reason): whole(count) for reason, count in told["skipped"].items()},
        extents=[SkippedExtent(whole(at), whole(length), str(reason)) for at, length, reason in told["extents"]],
    )
    if account.recovered + account.skipped_bytes != account.size:
        raise ValueError("the account does not add up")
    journal_id = None if state["journal_id"] is None else whole(state["journal_id"])
    survey = Survey()
    survey.restore(state["survey"])
    lines = {(whole(run), str(heard)): str(text) for run, heard, text in state["lines"]}
    _require_inside(extents, account.size)
    _require_ladder(rungs, survey)
    # That a file says so makes no frame whole.
    extents["what"] &= ~np.uint8(CHECKED)
    id_from, lap = str(state["id_from"]), whole(state["lap"])
    return JournalIndex(account.size, journal_id, id_from, lap, account, survey, Order(extents), rungs, lines)


def _require_inside(extents: NDArray[np.void], size: int) -> None:
    """Extents in order, inside a file of ``size`` bytes."""
    if extents.dtype != EXTENT or extents.ndim != 1:
        raise ValueError("no extents")
    number, position, count = (extents[name].astype(np.int64) for name in ("number", "position", "count"))
    key = number << 32 | position
    blocks = -(-size // BLOCK_SIZE)
    inside = np.all(count > 0) and np.all(position + count <= blocks)
    # A made-up index could name each block any number of times.
    few = int(count.sum()) <= SHIFTS_MAX * blocks
    if not (inside and few and np.all(number > 0) and np.all(np.diff(key) > 0)):
        raise ValueError("extents that cannot be")


def _require_ladder(rungs: Rungs, survey: Survey) -> None:
    known = {info.run for info in survey.runs}
    if rungs.dtype != RUNG or not set(np.unique(rungs["run"]).tolist()) <= known or np.any(rungs["tick_ns"] == 0):
        raise ValueError("rungs that cannot be")
