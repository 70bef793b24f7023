"""What a window's bytes were: the streaming decoder's counts, without going through its messages one by one."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence

import numpy as np

from offtake.dialects.bulk.buffer import Bools, Buffer, Ints
from offtake.dialects.bulk.found import UNKNOWN
from offtake.dialects.bulk.index import MessageIndex
from offtake.dialects.bulk.keys import KeyReader, message_names
from offtake.dialects.bulk.messages import MessageTable
from offtake.dialects.framer import NOT_A_START, Broken
from offtake.dialects.jury import Jury
from offtake.dialects.message import FAULTS_KEPT, OTHER_NAMES, UNKNOWN_NAMES_KEPT, DecodeCounts, DialectCounts, Fault
from offtake.dialects.tables import AnyDialect, BinaryDialect

_LINE_END = (ord("\r"), ord("\n"))


class Account:
    """Counts what the windows of one stream hold; ``counts`` equals that of a
    :class:`~offtake.dialects.decoder.StreamDecoder` fed with the same bytes, and ``faults`` has the first faults as
    there, of the same kinds and with the same offsets."""

    def __init__(self, dialects: Sequence[AnyDialect]) -> None:
        self._jury = Jury(dialects)
        self._names = [message_names(one) for one in dialects]
        self._marks = [0 if isinstance(one, BinaryDialect) else ord(one.address.proprietary) for one in dialects]
        self._keys = [KeyReader(one) for one in dialects]
        self.counts = DecodeCounts(dialects={one.name: DialectCounts() for one in dialects})
        self.faults: list[Fault] = []

    def add(
        self, buffer: Buffer, index: MessageIndex, tables: Sequence[MessageTable], stop: int, lost: Ints, *, last: bool
    ) -> None:
        """Count what lies before place ``stop`` of ``buffer``: the messages of ``index``, and what is between them.

        ``tables`` are those of all messages of known kinds, ``lost`` the places (rising) just before which bytes are
        missing; when ``last``, the stream ends with the buffer.
        """
        starts = index.offset.astype(np.int64) - index.base
        ends = starts + index.length
        self._count_messages(buffer, index, starts, ends)
        self.counts.invalid += sum(table.invalid_rows.size for table in tables)
        self.counts.decoded += sum(len(table) - table.invalid_rows.size for table in tables)
        begin, end = np.concatenate([[0], ends]), np.concatenate([starts, [stop]])
        usual = _line_ends(buffer, begin, end)
        self.counts.line_end_bytes += 2 * int(np.count_nonzero(usual))
        others = np.flatnonzero(~usual & (begin < end))
        if others.size:
            data = buffer.cut(0, buffer.size)
            limits = [*lost.tolist(), *([buffer.size] if last else [])]
            for place in others.tolist():
                self._count_between(data, int(begin[place]), int(end[place]), limits, index.base)

    def _count_messages(self, buffer: Buffer, index: MessageIndex, starts: Ints, ends: Ints) -> None:
        self.counts.message_bytes += index.message_bytes
        found: list[tuple[int, int, str, int, bool]] = []
        for place, name in enumerate(index.dialects):
            mine = index.dialect == place
            rows = np.flatnonzero(mine) if len(index.dialects) > 1 else np.arange(len(index))
            if not rows.size:
                continue
            counts = self.counts.dialects[name]
            counts.messages += rows.size
            counts.bytes += int(index.length[rows].sum(dtype=np.int64))
            kinds = index.message[rows].astype(np.int64)
            amounts = np.bincount(kinds + 1)
            for kind in np.flatnonzero(amounts[1:]).tolist():
                for name, first, amount in self._named(buffer, place, kind, starts, rows, kinds):
                    found.append((first, place, name, amount, False))
            if amounts[0]:
                unknown = rows[kinds == UNKNOWN]
                for first, key, amount in self._keys[place].distinct(buffer, starts[unknown], ends[unknown]):
                    found.append((int(unknown[first]), place, key, amount, True))
        # Past a few hundred names the rest share one entry, so it counts which ones came first.
        for _, place, key, amount, is_unknown in sorted(found):
            _add(self.counts.dialects[index.dialects[place]].names, key, amount)
            if is_unknown:
                self.counts.unknown += amount
                _add(self.counts.unknown_names, key, amount)

    def _named(
        self, buffer: Buffer, place: int, kind: int, starts: Ints, rows: Ints, kinds: Ints
    ) -> Iterator[tuple[str, int, int]]:
        """What the messages of a kind are called, with the first one of each name and how many there are."""
        names, mine = self._names[place][kind], kinds == kind
        if names[0] == names[1]:
            yield names[0], int(rows[np.argmax(mine)]), int(np.count_nonzero(mine))
            return
        mine = rows[mine]
        own = buffer.bytes[starts[mine] + 1] == self._marks[place]
        for name, chosen in zip(names, (mine[~own], mine[own]), strict=True):
            if chosen.size:
                yield name, int(chosen[0]), chosen.size

    def _count_between(self, data: bytes, begin: int, end: int, limits: Sequence[int], base: int) -> None:
        """Count the bytes from ``begin`` to ``end``, which are in no message.

        ``limits`` (rising) are places that no message reaches beyond, ``base`` is the stream offset of place 0.
        """
        counts = self.counts
        position = begin
        for start in self._starts(data, begin, end):
            self._count_noise(data[position:start])
            position = start + 1
            counts.noise_bytes += 1
            verdict = self._verdict(data, start, limits)
            if verdict == NOT_A_START:
                continue
            if not isinstance(verdict, Broken):
                verdict = Broken("broken", "cut off by a loss or the end of the stream")
            setattr(counts, verdict.kind, getattr(counts, verdict.kind) + 1)
            if len(self.faults) < FAULTS_KEPT:
                self.faults.append(Fault(verdict.kind, base + start, verdict.detail))
        self._count_noise(data[position:end])

    def _starts(self, data: bytes, begin: int, end: int) -> Iterator[int]:
        return (found.start() for found in self._jury.find_start.finditer(data, begin, end))

    def _verdict(self, data: bytes, start: int, limits: Sequence[int]) -> object:
        following = bisect_right(limits, start)
        if following == len(limits):
            return self._jury.judge(data, start, 0, last=False)
        near = min(limits[following], start + self._jury.reach)
        return self._jury.judge(data[start:near], 0, 0, last=near == limits[following])

    def _count_noise(self, between: bytes) -> None:
        line_ends = between.count(b"\r") + between.count(b"\n")
        self.counts.line_end_bytes += line_ends
        self.counts.noise_bytes += len(between) - line_ends


def _line_ends(buffer: Buffer, begin: Ints, end: Ints) -> Bools:
    """Which stretches are one line end of two bytes."""
    first, second = _LINE_END
    usual: Bools = (end - begin == 2) & (buffer.bytes[begin] == first) & (buffer.bytes[begin + 1] == second)
    return usual


def _add(names: dict[str, int], name: str, amount: int) -> None:
    if name not in names and len(names) >= UNKNOWN_NAMES_KEPT:
        name = OTHER_NAMES
    names[name] = names.get(name, 0) + amount
