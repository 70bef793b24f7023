"""Is one run of a journal whole? Only its blocks are read; where they lie an index tells."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from offtake.errors import UsageError
from offtake.generated.records import BLOCK_SIZE
from offtake.journal.bulk.order import FOUND, WHOLE, Order
from offtake.journal.bulk.parse import frames_of
from offtake.journal.bulk.tables import read_entries
from offtake.journal.bulk.window import FOREIGN, BlockTable, scan_blocks
from offtake.journal.codec import decode_journal_header
from offtake.journal.findings import Findings
from offtake.journal.identity import Identity
from offtake.journal.index import JournalIndex
from offtake.journal.layouts import Layouts
from offtake.journal.runs import RunInfo
from offtake.journal.scan import block_total
from offtake.journal.source import ByteSource
from offtake.journal.stale import Places
from offtake.journal.survey import Survey
from offtake.journal.verify import InOrder, VerifyReport, by_number, tell_contents, tell_header
from offtake.journal.verify_blocks import BlockCheck, tell_parts
from offtake.journal.verify_frames import FrameCheck, NumberCheck

Span = tuple[int, int]
"""Positions in a file: the first, and one past the last."""


def verify_run(source: ByteSource, name: str, index: JournalIndex, run: int, *, strict: bool = False) -> VerifyReport:
    """Check the header and all blocks of ``run``, and report of them alone; ``index`` is the journal's.

    The same is damage as in :func:`~offtake.journal.verify.verify`. Numbers that are missing between the run and its
    neighbours may be its own, and are told. Raises UsageError where the index knows no such run,
    with ``strict`` StaleIndexError where a block that is read is not what the index says.
    """
    info = next((one for one in index.runs if one.run == run), None)
    if info is None:
        known = ", ".join(str(one.run) for one in index.runs) or "none"
        raise UsageError(f"no run {run}", where=name, expected=f"one of the runs in it: {known}")
    status, header = decode_journal_header(source.read(0, BLOCK_SIZE))
    identity = Identity(status, header, index.journal_id, index.id_from)
    report = VerifyReport(name, source.size, status, header, index.journal_id, only_run=run)
    told = Findings()
    tell_header(told, identity)
    reach = _reach(index.order, info)
    others = _Others(index, info, reach)
    found = InOrder(others.numbers(), FrameCheck(surveyed=Survey(others.layouts)))
    _check_spans(
        source, identity, report, told, _spans(source, identity, index.order, run, reach), found,
        Places(index.order) if strict else None,
    )  # fmt: skip
    if not found.holds or others.between:
        found = InOrder(others.numbers(), FrameCheck(surveyed=Survey(_Others(index, info, reach).layouts)))
        for entries in index.order.windows(numbers=reach):
            by_number([read_entries(source, index.journal_id, entries, strict=strict)], found, run)
    others.tell_edges(found.numbers, identity)
    found.frames.surveyed.layouts.take(index.survey.layouts, others.later)
    tell_contents(report, told, found, wrapped=others.may_lack_start)
    report.take(told)
    return report


def _reach(order: Order, info: RunInfo) -> tuple[int, int]:
    """First and last number of the run's blocks, those without a frame among them."""
    extents = order.extents[order.extents["run"] == info.run]
    first = extents["number"].astype(np.int64)
    last = first + extents["count"] - 1
    return int(first.min(initial=info.first_block)), int(last.max(initial=info.last_block))


class _Others:
    """What the rest of the journal tells of a run: the numbers around it, and the layouts of the runs before it.

    ``between``: blocks of other runs have numbers among its own. ``later`` are the runs that begin after it.
    ``may_lack_start``: it is the first run of a journal that has wrapped.
    """

    def __init__(self, index: JournalIndex, info: RunInfo, reach: tuple[int, int]) -> None:
        self._reach = reach
        extents = index.order.extents
        whole = extents[extents["what"] & WHOLE > 0]
        self._first = whole["number"].astype(np.int64)
        self._last = self._first + whole["count"] - 1
        self._position = whole["position"].astype(np.int64)
        inside = (self._first <= reach[1]) & (self._last >= reach[0])
        self.between = bool(np.any(whole["run"][inside] != info.run))
        earlier = {one.run for one in index.runs if one.first_block < info.first_block}
        self.later = {one.run for one in index.runs} - earlier - {info.run}
        self.layouts = Layouts()
        self.layouts.take(index.survey.layouts, earlier)
        told = whole["run"][whole["what"] & FOUND > 0]
        wrapped = bool(self._first.size and self._first.min() > 1)
        self.may_lack_start = wrapped and bool(told.size) and info.run == int(told.min())

    def numbers(self) -> NumberCheck:
        """A check that begins with the number before the run's."""
        before = np.minimum(self._last, self._reach[0] - 1)[self._first < self._reach[0]]
        return NumberCheck(last=int(before.max()) if before.size else None)

    def tell_edges(self, numbers: NumberCheck, identity: Identity) -> None:
        """Numbers that are missing before the run, where nothing comes before it, and behind it."""
        first, last = self._reach
        if numbers.first is None or numbers.last is None:
            numbers.tell_missing(first, last, 0)
            return
        if identity.header is not None and not np.any(self._first < first):
            numbers.end(identity.header.blocks - 1, int(self._last.max(initial=numbers.last)))
        behind = np.flatnonzero(self._last > last)
        if behind.size:
            number = np.maximum(self._first[behind], last + 1)
            following = int(np.argmin(number))
            if number[following] > numbers.last + 1:
                position = int(self._position[behind[following]])
                numbers.tell_missing(numbers.last + 1, int(number[following]) - 1, position)


def _spans(source: ByteSource, identity: Identity, order: Order, run: int, reach: tuple[int, int]) -> list[Span]:
    """Where the run's blocks lie or belong, in order of place."""
    extents = order.extents[order.extents["run"] == run]
    position, number = (extents[name].astype(np.int64) for name in ("position", "number"))
    found = []
    # What lies between blocks that are equally far from their numbers is of the run, too, however damaged.
    for shift in np.unique(number - position).tolist():
        alike = number - position == shift
        found.append((int(position[alike].min()), int((position + extents["count"])[alike].max())))
    stop = block_total(source)
    if identity.header is not None:
        lap = identity.header.blocks - 1
        first = 1 + (reach[0] - 1) % lap
        count = min(lap, reach[1] - reach[0] + 1)
        found += [(first, min(first + count, lap + 1)), (1, max(1, first + count - lap))]
    return _merged((first, min(end, stop)) for first, end in found)


def _merged(spans: Iterable[Span]) -> list[Span]:
    merged: list[Span] = []
    for first, end in sorted(spans):
        if end <= first:
            continue
        if merged and first <= merged[-1][1]:
            merged[-1] = merged[-1][0], max(end, merged[-1][1])
        else:
            merged.append((first, end))
    return merged


def _check_spans(
    source: ByteSource, identity: Identity, report: VerifyReport, told: Findings, spans: list[Span], found: InOrder,
    places: Places | None,
) -> None:  # fmt: skip
    """Every block in ``spans``, and the run's numbers and frames on the way. A run that goes on at the file's beginning
    has its earlier numbers in the last span."""
    turned = len(spans) > 1 and spans[0][0] == 1
    parts = []
    for first, stop in [*spans[1:], spans[0]] if turned else spans:
        part = BlockCheck(identity.header, first, report.blocks)
        for blocks in scan_blocks(source, identity.journal_id, first, stop):
            if places is not None:
                places.require(blocks)
            frames, unexplained = frames_of(blocks)
            part.add(blocks, unexplained)
            of_run = _of_run(blocks, report.only_run)
            found.add(of_run, frames if of_run is blocks else frames.taken(frames.run == report.only_run))
        parts.append(part)
    tell_parts(told, [parts[-1], *parts[:-1]] if turned else parts)


def _of_run(blocks: BlockTable, run: int | None) -> BlockTable:
    """The blocks, with only those of ``run`` taken for intact."""
    others = blocks.intact & (blocks.run != run)
    return replace(blocks, kind=np.where(others, FOREIGN, blocks.kind)) if others.any() else blocks
