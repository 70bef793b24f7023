"""The reader of intact blocks block by block, as it was before tables: the oracle of :mod:`offtake.journal.reader`."""

from __future__ import annotations

from collections.abc import Iterator
from heapq import merge

from offtake.errors import DamageError
from offtake.generated.records import JournalHeader, Status
from offtake.journal.codec import STATUS_WORDS
from offtake.journal.frames import Frame, frames_of_intact
from offtake.journal.reader import Block
from offtake.journal.runs import RunInfo
from offtake.journal.scan import Kind, Seen, block_total
from offtake.journal.source import ByteSource
from offtake.journal.survey import Survey
from scalar_scan import scalar_identify, walk
from scalar_stretches import Stretch, Stretches
from scalar_survey import scalar_survey


class ScalarJournal:
    """A journal to read; damaged blocks are passed over (see :mod:`offtake.journal.salvage` for those).

    Raises DamageError when the source is empty, or has neither a valid header nor a valid block.
    """

    def __init__(self, source: ByteSource, name: str = "journal") -> None:
        self.name = name
        self._source = source
        if source.size == 0:
            raise DamageError("the file is empty", where=name, expected="a journal")
        identity = scalar_identify(source)
        if identity.journal_id is None:
            raise DamageError(
                f"not a journal: {STATUS_WORDS[identity.header_status]}, and no valid block after it",
                where=f"{name} at byte 0",
                expected="a file made by `offtake prepare` or `offtake pull`",
            )
        self.header: JournalHeader | None = identity.header
        self.header_status: Status = identity.header_status
        self.journal_id: int = identity.journal_id
        self.id_from = identity.id_from
        self._stretches = self._index()

    def _index(self) -> Stretches:
        stretches = Stretches()
        before: Seen | None = None
        first = 1 if self.header else 0
        for seen in walk(self._source, self.journal_id, first, block_total(self._source)):
            if seen.kind is Kind.INTACT:
                stretches.add(seen.shift, seen.position, before)
                before = seen
        return stretches

    def _seen(self) -> Iterator[Seen]:
        # Stretches overlap in number where blocks were moved about.
        walks = [self._seen_with(shift, stretch) for shift, stretch in self._stretches.in_order()]
        return merge(*walks, key=lambda seen: (seen.position + seen.shift, seen.position))

    def _seen_with(self, shift: int, stretch: Stretch) -> Iterator[Seen]:
        for seen in walk(self._source, self.journal_id, stretch.first, stretch.last + 1, self._stretches.at_once):
            if seen.kind is Kind.INTACT and seen.shift == shift:
                yield seen

    def blocks(self) -> Iterator[Block]:
        """Intact blocks of this journal in order of block number; copies of one follow each other."""
        for seen in self._seen():
            if seen.header is not None:
                yield Block(seen.position, seen.offset, seen.header, seen.data)

    def frames(self, run: int | None = None) -> Iterator[Frame]:
        """Frames of intact blocks in order of block number, then place; those of ``run`` only if given.

        A block that the file holds twice gives its frames twice: :func:`offtake.journal.frames.without_copies`.
        """
        last_number: int | None = None
        for seen in self._seen():
            number = seen.position + seen.shift
            broken = last_number is not None and number > last_number + 1
            last_number = number
            if run is not None and seen.header is not None and seen.header.run_number != run:
                continue
            for frame in frames_of_intact(seen):
                yield frame._replace(after_damage=True) if broken else frame
                broken = False

    def runs(self) -> tuple[RunInfo, ...]:
        """Every run, by number."""
        return self.survey().runs

    def survey(self) -> Survey:
        """The runs, and how their messages are to be read."""
        return scalar_survey(self.frames())
