"""The way through a window: plain epochs by leaps, everything else message by message."""

from __future__ import annotations

import numpy as np

from offtake.dialects.bulk.buffer import Ints
from offtake.dialects.bulk.decode import Tables
from offtake.dialects.stream import TimedMessage
from offtake.track.bulk.batch import Singles
from offtake.track.bulk.cut import Cut, Stretch, cut_into_epochs
from offtake.track.bulk.kinds import Kinds
from offtake.track.bulk.rebuild import message_of
from offtake.track.bulk.steps import Steps
from offtake.track.bulk.times import Times
from offtake.track.epochs import EpochGrouping

# A guess that the stream does not come to agree with is made anew, but not after every few messages.
_GUESS_AGAIN_MIN = 64
_GUESSES = 16
_STRETCH = -1


class Walk:
    """Goes through one window, with ``grouping`` in the state that the window before left.

    Afterwards ``singles`` are the epochs put together message by message, ``stretches`` the plain ones.
    """

    def __init__(
        self,
        steps: Steps,
        times: Times,
        tables: Tables,
        kinds: Kinds,
        grouping: EpochGrouping,
        run: int,
        pause_us: int,
    ) -> None:
        self.singles = Singles(run)
        self.stretches: list[Stretch] = []
        # What follows what in the stream: so many singles, or (_STRETCH) the next stretch.
        self._pieces: list[int] = []
        self._cut: Cut | None = None
        self._steps = steps
        self._times = times
        self._tables = [tables.get(kind.key) for kind in kinds.every]
        self._kinds = kinds
        self._grouping = grouping
        self._pause_us = pause_us
        self._leap_before_s = grouping.leap_s
        self._guess_from = 0
        self._run()

    def order(self) -> Ints:
        """The order of all epochs in the stream, given as places in a row of all plain ones and then all singles."""
        stretches = iter(self.stretches)
        plain, single = 0, sum(map(len, self.stretches))
        parts: list[Ints] = [np.zeros(0, np.int64)]
        for singles in self._pieces:
            count = len(next(stretches)) if singles == _STRETCH else singles
            begin = plain if singles == _STRETCH else single
            parts.append(np.arange(begin, begin + count))
            plain, single = (plain + count, single) if singles == _STRETCH else (plain, single + count)
        return np.concatenate(parts)

    def _run(self) -> None:
        tellers = self._steps.moments.at
        position, teller, size = 0, 0, len(self._steps)
        while position < size:
            epochs = list(self._grouping.take(self._timed(position)))
            if epochs:
                self.singles.add(epochs)
                self._pieces.append(len(epochs))
            if teller < tellers.size and tellers[teller] == position:
                last = self._leap(teller, position)
                if last is not None:
                    assert self._cut is not None
                    teller = int(self._cut.first[last])
                    position = int(tellers[teller])
                teller += 1
            position += 1

    def _leap(self, teller: int, position: int) -> int | None:
        """Take the plain epochs that begin here, if the guess is right here, and go on behind the first teller of the
        epoch after them, whose number is returned."""
        start = self._start(position)
        if start is None:
            return None
        if self._cut is None or self._cut.start[self._cut.epoch[teller]] != start:
            self._guess(teller, start, position)
            if self._cut is None or self._cut.start[self._cut.epoch[teller]] != start:
                return None
        epoch = int(self._cut.epoch[teller])
        last = int(self._cut.unsure[epoch])
        if last == epoch:
            return None
        self.stretches.append(self._cut.stretch(epoch, last))
        self._pieces.append(_STRETCH)
        self._resume(last)
        return last

    def _start(self, position: int) -> int | None:
        """Where the epoch begins that the teller at ``position`` is in; ``None`` before this window."""
        offset, count = self._grouping.open_messages
        start = position + 1 - count
        return start if start >= 0 and self._steps.offset[start] == offset else None

    def _guess(self, teller: int, start: int, position: int) -> None:
        """Guess (again) where epochs begin, now that one is known."""
        if position < self._guess_from:
            return
        self._guess_from = position + max(_GUESS_AGAIN_MIN, len(self._steps) // _GUESSES)
        self._cut = cut_into_epochs(self._steps, self._times, self._leap_before_s, self._pause_us, self._kinds, start)

    def _resume(self, epoch: int) -> None:
        """Bring the grouping into the state behind the first teller of ``epoch``."""
        assert self._cut is not None
        steps = self._steps
        start, first = int(self._cut.start[epoch]), int(steps.moments.at[self._cut.first[epoch]])
        said = np.searchsorted(steps.leap_at, first, side="right")
        leap_s = int(steps.leap_s[said - 1]) if said else self._leap_before_s
        messages = [self._timed(position) for position in range(start, first + 1)]
        self._grouping.resume(messages, int(self._cut.tick_us[epoch]), leap_s)

    def _timed(self, position: int) -> TimedMessage:
        kind = int(self._steps.kind[position])
        table = self._tables[kind]
        assert table is not None
        return TimedMessage(
            message_of(table, int(self._steps.row[position]), self._kinds.every[kind]),
            int(self._times.tick_us[position]),
            int(self._times.quiet_us[position]),
            bool(self._times.after_loss[position]),
        )
