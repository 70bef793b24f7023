"""A walk over speeds and framings with one listener, until a line is understood.

A receiver speaks in bursts, often once a second, so a speed is left as soon as it is plainly wrong (faulty bytes, or
many bytes and no sense in them) and held to for over a second only while nothing comes. On a quiet line there is
nothing to learn from another speed, so the walk waits at it. What was heard at wrong speeds is not lost: the
distances of edges within a byte, counted in bits of the speed that was listened at, give the true bit, and the walk
goes there next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.tables import AnyDialect
from offtake.probe.bit_time import BitTime, estimate_from_lengths
from offtake.probe.listen import Listener
from offtake.probe.model import Framing, LineState, Received, Verdict
from offtake.probe.score import BUILT_IN, Score, score_received
from offtake.probe.usual import FRAMINGS, ODD_BAUDS, USUAL_BAUDS, usual_baud
from offtake.probe.verdict import SURPRISE_SURE, LineFacts, judge

SLICE_S = 0.1
_VISIT_S = 1.3
"""Longer than the pause of a receiver that speaks once a second."""
_LEAVE_BYTES, _LEAVE_FAULTS = 40, 0.12
_ENOUGH_BYTES = 240
_SETTLED_FAULTS = 0.04
_KEPT_BYTES, _KEPT_S = 16_384, 12.0
_QUIET_S = 1.6
_SAME_SPEED = 0.03

Setting = tuple[int, Framing]


@dataclass
class Heard:
    """What one setting gave since the line last fell silent."""

    pieces: list[Received] = field(default_factory=list)
    score: Score | None = None

    def add(self, piece: Received) -> None:
        """Takes one slice more; the oldest ones go when there is plenty."""
        self.pieces.append(piece)
        while len(self.pieces) > 1 and (self.count > _KEPT_BYTES or self.seconds > _KEPT_S):
            del self.pieces[0]
        self.score = None

    @property
    def count(self) -> int:
        """Bytes."""
        return sum(len(piece.values) for piece in self.pieces)

    @property
    def seconds(self) -> float:
        """Listened in all."""
        return sum(piece.seconds for piece in self.pieces)

    def whole(self, tells_faults: bool) -> Received:
        """All slices as one; ``began_s`` to ``ended_s`` is as long as was listened."""
        first, last = self.pieces[0], self.pieces[-1]
        return Received(
            baud=first.baud,
            framing=first.framing,
            values=np.concatenate([piece.values for piece in self.pieces]),
            faults=np.concatenate([piece.faults for piece in self.pieces]),
            start_s=np.concatenate([piece.start_s for piece in self.pieces]),
            began_s=last.ended_s - self.seconds,
            ended_s=last.ended_s,
            tells_faults=tells_faults and first.tells_faults,
        )


class Walk:
    """Walks a line; each :meth:`step` listens for a moment and gives the verdict so far.

    ``bauds`` are the speeds to try (the usual ones, then the odd ones), ``framings`` likewise. InputOutputError from
    the listener goes through.
    """

    def __init__(
        self,
        listener: Listener,
        *,
        bauds: Sequence[int] = (*USUAL_BAUDS, *ODD_BAUDS),
        framings: Sequence[Framing] = FRAMINGS,
        dialects: Sequence[AnyDialect] = BUILT_IN,
    ) -> None:
        self._listener = listener
        self._dialects = tuple(dialects)
        self._framings = tuple(framings)
        self._plan: list[Setting] = [(baud, self._framings[0]) for baud in bauds]
        self._first_plan = tuple(self._plan)
        self._at = 0
        self._heard: dict[Setting, Heard] = {}
        self._quiet_s = 0.0
        self._listened_s = 0.0
        self._complete = False
        self.settled = False
        """Whether speed and framing are found, and the walk stays there."""
        self.last: Received | None = None
        """The latest slice."""

    @property
    def setting(self) -> Setting:
        """Where it listens now."""
        return self._plan[self._at]

    def heard(self) -> Received | None:
        """Everything kept of the present setting."""
        found = self._heard.get(self.setting)
        return found.whole(self._tells_faults()) if found else None

    def step(self, seconds: float = SLICE_S) -> Verdict:
        """Listens for ``seconds`` and says what it makes of the line so far."""
        setting = self.setting
        piece = self._listener.hear(*setting, seconds)
        self.last = piece
        self._listened_s += piece.seconds
        self._quiet_s = 0.0 if len(piece.values) else self._quiet_s + piece.seconds
        if self._quiet_s >= _QUIET_S:
            return self._quiet()
        here = self._heard.setdefault(setting, Heard())
        here.add(piece)
        if self.settled:
            return self._stay(here)
        return self._search(here)

    # ---- states of the walk ----

    def _quiet(self) -> Verdict:
        """Nothing for longer than any receiver pauses: what was heard before belongs to another contact."""
        had = sum(one.count for one in self._heard.values())
        self._heard.clear()
        self._plan = list(self._first_plan)
        self._at = 0
        self.settled = self._complete = False
        reason = f"Not one byte for {self._quiet_s:.1f} s."
        after = " Before that, some." if had else ""
        return Verdict(
            LineState.SILENT, min(0.99, self._quiet_s / (self._quiet_s + 0.5)), (reason + after,), seconds=self._quiet_s
        )

    def _stay(self, here: Heard) -> Verdict:
        verdict = judge([self._scored(here)], LineFacts(self._listened_s))
        if verdict.state not in (LineState.UNDERSTOOD, LineState.DATA):
            self.settled = False
            self._heard.clear()
        return verdict

    def _search(self, here: Heard) -> Verdict:
        received, score = self._scored(here)
        if score.surprise >= SURPRISE_SURE and score.faulty_share <= _SETTLED_FAULTS and self._alone():
            self.settled = True
            return judge([(received, score)], LineFacts(self._listened_s))
        if score.surprise >= SURPRISE_SURE:
            # The speed is right; faults point at another framing, or at a bad line.
            if here.count >= _LEAVE_BYTES or here.seconds >= _VISIT_S:
                self._try_framings(self.setting[0])
                self._next()
        elif self._is_done(here, score):
            self._next()
        return self._verdict()

    def _alone(self) -> bool:
        """Whether no other setting heard so far explains the line as well."""
        others = (one for setting, one in self._heard.items() if setting != self.setting and one.count)
        return all(self._scored(one)[1].surprise < SURPRISE_SURE or self._same_speed(one) for one in others)

    def _same_speed(self, one: Heard) -> bool:
        return abs(one.pieces[0].baud - self.setting[0]) <= _SAME_SPEED * self.setting[0]

    def _is_done(self, here: Heard, score: Score) -> bool:
        if here.count >= _LEAVE_BYTES and score.faulty_share > _LEAVE_FAULTS:
            return True
        if here.count >= _ENOUGH_BYTES:
            return True
        return here.seconds >= _VISIT_S and here.count > 0

    def _next(self) -> None:
        if self._at + 1 < len(self._plan):
            self._at += 1
            return
        # The round is over: go where the edges within the bytes point, then try other framings, then all again.
        self._complete = True
        self._at = 0
        extra = self._extra()
        if extra:
            self._plan += extra
            self._at = len(self._plan) - len(extra)

    def _extra(self) -> list[Setting]:
        known = set(self._plan)
        wanted: list[Setting] = []
        bit = self._bit()
        if bit is not None:
            wanted.append((usual_baud(bit.baud), self._framings[0]))
        faulty = {setting: self._scored(one)[1].faulty_share for setting, one in self._heard.items() if one.count}
        clean = sorted((one for one, share in faulty.items() if share <= 0.5), key=lambda one: faulty[one])
        for baud, _ in clean[:3]:
            wanted += [(baud, framing) for framing in self._framings[1:]]
        return [setting for setting in dict.fromkeys(wanted) if setting not in known]

    def _try_framings(self, baud: int) -> None:
        known = set(self._plan)
        new = [(baud, framing) for framing in self._framings if (baud, framing) not in known]
        self._plan[self._at + 1 : self._at + 1] = new

    def _tells_faults(self) -> bool:
        """False when bytes came at several speeds and not one was faulty: then the port keeps its faults to itself."""
        busy = [one for one in self._heard.values() if one.count >= _LEAVE_BYTES]
        return len(busy) < 3 or any(piece.faults.any() for one in self._heard.values() for piece in one.pieces)

    # ---- verdicts ----

    def _scored(self, one: Heard) -> tuple[Received, Score]:
        whole = one.whole(self._tells_faults())
        if one.score is None:
            one.score = score_received(whole, self._dialects)
        return whole, one.score

    def _verdict(self) -> Verdict:
        heard = [self._scored(one) for one in self._heard.values() if one.pieces]
        bit = self._bit() if self._complete else None
        facts = LineFacts(
            self._listened_s, measured_baud=bit.baud if bit else None, measured_spread=bit.spread if bit else 0.0
        )
        verdict = judge(heard, facts)
        done = self._complete or verdict.state in (LineState.UNDERSTOOD, LineState.SILENT)
        if not done:
            reason = f"{sum(received.values.size for received, _ in heard):,} bytes so far; still trying speeds."
            return Verdict(LineState.NOT_SURE, 0.0, (reason,), seconds=self._listened_s)
        return verdict

    def _bit(self) -> BitTime | None:
        """The best bit time that the bytes at any speed give."""
        found = [
            bit for one in self._heard.values() if one.count
            for bit in (estimate_from_lengths(lengths_within(one.whole(True))),) if bit is not None
        ]  # fmt: skip
        return max(found, key=lambda bit: bit.score, default=None)


def lengths_within(received: Received) -> NDArray[np.float64]:
    """Lengths in seconds between the edges inside each byte as it was received, to the grain of that speed's bit.

    The first edge is the start bit's; what lies before a byte's last edge is known, what comes after is not.
    """
    bits = received.framing.data_bits
    data = (received.values[:, np.newaxis] >> np.arange(bits)) & 1
    frame = np.concatenate([np.zeros((len(data), 1), dtype=data.dtype), data], axis=1)
    changes = np.diff(frame, axis=1) != 0
    rows, columns = np.nonzero(changes)
    if len(rows) == 0:
        return np.zeros(0)
    before = np.where(np.concatenate([[True], rows[1:] != rows[:-1]]), 0, np.concatenate([[0], columns[:-1] + 1]))
    return (columns + 1 - before) / received.baud


