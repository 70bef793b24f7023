"""Salvage block by block, as it was before tables: the oracle of :mod:`offtake.journal.salvage`."""

from __future__ import annotations

from collections.abc import Iterator
from heapq import merge
from itertools import groupby
from operator import itemgetter

from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE, JournalHeader, Status
from offtake.journal.account import Account
from offtake.journal.frames import Frame, frames_of_damaged, frames_of_intact, numbers_tried
from offtake.journal.identity import Identity
from offtake.journal.runs import RunInfo
from offtake.journal.scan import Kind, Seen, block_total, candidate_numbers
from offtake.journal.source import ByteSource
from offtake.journal.survey import Survey
from scalar_scan import scalar_identify, scalar_lap_length, walk
from scalar_stretches import NextIntact, Stretch, Stretches
from scalar_survey import scalar_survey


class ScalarSalvage:
    """What :func:`salvage` found; ``frames`` reads the source again, so keep that open."""

    def __init__(self, source: ByteSource, name: str) -> None:
        self.name = name
        self._source = source
        identity: Identity = scalar_identify(source)
        self.header: JournalHeader | None = identity.header
        self.header_status: Status = identity.header_status
        self.journal_id = identity.journal_id
        self.id_from = identity.id_from
        self._lap = scalar_lap_length(source, identity)
        # Without a valid header the file may begin with any block.
        self._first = 1 if identity.header else 0
        self._stretches = Stretches()
        self._survey: Survey | None = None
        self.account = self._take_account()

    def runs(self) -> tuple[RunInfo, ...]:
        """Every run that frames were recovered of, by number."""
        return self.survey().runs

    def survey(self) -> Survey:
        """The runs that frames were recovered of, and how their messages are to be read; the frames are read once."""
        if self._survey is None:
            self._survey = scalar_survey(self.frames())
        return self._survey

    def frames(self, run: int | None = None) -> Iterator[Frame]:
        """Recovered frames in order of block number, then place; those of ``run`` (likely ones too) if given.

        A block that the file holds twice gives its frames twice: :func:`offtake.journal.frames.without_copies`.
        """
        # Stretches overlap in number where blocks were moved about.
        walks = [self._walk_stretch(shift, stretch) for shift, stretch in self._stretches.in_order()]
        last_number: int | None = None
        broken = False
        for number, copies in groupby(merge(*walks, key=itemgetter(0)), key=itemgetter(0)):
            whole = False
            found: list[Frame] = []
            for _, intact, frames in copies:
                whole = whole or intact
                found += frames
            broken = broken or (last_number is not None and number != last_number + 1)
            for frame in sorted(found, key=lambda one: (one.offset % BLOCK_SIZE, one.offset)):
                if run is None or frame.likely_run == run:
                    yield frame._replace(after_damage=True) if broken else frame
                broken = False
            if found or whole:
                last_number = number
                broken = broken or not whole

    def _walk_stretch(self, shift: int, stretch: Stretch) -> Iterator[tuple[int, bool, list[Frame]]]:
        """(block number, whether the block is intact, its frames) for what lies with ``shift``, in order."""
        before = stretch.before
        ahead = NextIntact(self._source, self.journal_id)
        for seen in walk(self._source, self.journal_id, stretch.first, stretch.last + 1, self._stretches.at_once):
            intact = seen.kind is Kind.INTACT
            number = seen.position + shift
            if seen.shift == shift if intact else number in self._numbers(seen, before, ahead):
                frames = [one for one in self._frames_in(seen, before, ahead) if one.block_number == number]
                yield number, intact, frames
            before = seen if intact else before

    def _frames_in(self, seen: Seen, before: Seen | None, ahead: NextIntact) -> Iterator[Frame]:
        if seen.kind is Kind.INTACT:
            return frames_of_intact(seen)
        numbers = self._numbers(seen, before, ahead)
        if self.journal_id is None or not numbers:
            return iter(())
        return frames_of_damaged(seen, self.journal_id, numbers, before, ahead.after(seen.position))

    def _numbers(self, seen: Seen, before: Seen | None, ahead: NextIntact) -> tuple[int, ...]:
        """Block numbers under which a damaged or torn block may hold frames."""
        if self.journal_id is None or seen.kind not in (Kind.DAMAGED, Kind.TORN):
            return ()
        numbers = candidate_numbers(seen.position, before, ahead.after(seen.position), self._lap)
        return numbers_tried(seen, self.journal_id, numbers)

    def _take_account(self) -> Account:
        account = Account(self._source.size)
        if self.header is not None:
            account.structure_bytes += BLOCK_SIZE
        before: Seen | None = None
        ahead = NextIntact(self._source, self.journal_id)
        at = self._first * BLOCK_SIZE
        for seen in walk(self._source, self.journal_id, self._first, block_total(self._source)):
            self._account_block(account, seen, before, ahead)
            before = seen if seen.kind is Kind.INTACT else before
            at = seen.offset + len(seen.data)
        # A medium may return less than the size it gave.
        account.skip(at, max(0, account.size - at), "unreadable")
        return account

    def _account_block(self, account: Account, seen: Seen, before: Seen | None, ahead: NextIntact) -> None:
        reason = self._reason(seen)
        at = seen.offset
        end = at + len(seen.data)
        intact = seen.kind is Kind.INTACT
        if intact and not self._stretches.add(seen.shift, seen.position, before):
            account.skip(at, len(seen.data), "out_of_place")
            return
        if intact:
            account.structure_bytes += BLOCK_HEADER_SIZE
            at += BLOCK_HEADER_SIZE
        for frame in self._frames_in(seen, before, ahead):
            if not self._stretches.add(frame.block_number - frame.position, frame.position, before):
                continue
            account.skip(at, frame.offset - at, reason)
            account.frames += 1
            account.frame_bytes += frame.size
            at = frame.offset + frame.size
        if intact and seen.header is not None:
            frames_end = seen.offset + BLOCK_SIZE - _tail_size(seen)
            account.skip(at, frames_end - at, reason)
            account.structure_bytes += end - frames_end
        else:
            account.skip(at, end - at, reason)

    def _reason(self, seen: Seen) -> str:
        if seen.position == 0 and seen.kind is not Kind.INTACT:
            return f"header_{self.header_status.name.lower()}"
        return {Kind.FILL: "fill", Kind.FOREIGN: "foreign_journal", Kind.TORN: "torn_end"}.get(seen.kind, "damaged")


def _tail_size(seen: Seen) -> int:
    """Bytes after the frames of an intact block: padding and check."""
    used = seen.header.used_bytes if seen.header else 0
    return BLOCK_SIZE - BLOCK_HEADER_SIZE - used


def scalar_salvage(source: ByteSource, name: str = "journal") -> ScalarSalvage:
    """Recover what the source proves. No content is an error: an empty or senseless source gives an account
    without frames. Raises only what ``source.read`` raises."""
    return ScalarSalvage(source, name)
