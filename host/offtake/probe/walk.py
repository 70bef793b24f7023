"""A walk over speeds and framings with one listener, until a line is understood.

A receiver speaks in bursts, often once a second, so a speed is left as soon as it is plainly wrong (faulty bytes, or
many bytes and no sense in them) and held to for over a second only while little comes. What was heard at a wrong speed
is not lost: the distances of edges within a byte, counted in bits of the speed that was listened at, give the true bit
where that is longer, and the walk goes there next. On a quiet line there is nothing to learn from slow speeds, so the
walk waits at a fast one, at which every receiver makes bytes of some kind.

Framings need no round of their own: bytes as 8N1 tell them (:mod:`offtake.probe.parity`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from offtake.dialects.tables import AnyDialect
from offtake.probe.bit_time import BitTime
from offtake.probe.facts import Heard, LineFacts
from offtake.probe.heard import SettingHeard, best_score, score_readings
from offtake.probe.listen import Listener
from offtake.probe.model import FRAMING_USUAL, Framing, LineState, Received, Verdict
from offtake.probe.parity import parity_stretch
from offtake.probe.score import BUILT_IN, Score
from offtake.probe.usual import ODD_BAUDS, USUAL_BAUDS, usual_baud
from offtake.probe.verdict import judge

SLICE_S = 0.1
_VISIT_S = 1.3
"""Longer than the pause of a receiver that speaks once a second."""
_ENOUGH = ((15, 0.6), (40, 0.12), (240, 0.0))
"""So many bytes, with so many of them faulty, are enough to leave a speed at which they make no sense."""
_HINT = 3.5
"""Surprise that is worth staying for."""
_BUSY_BYTES = 40
_SORTING_BYTES, _ZEROS_OF_SLOW = 15, 0.3
_MUTE_SPEEDS = 3
"""Bytes at so many speeds and not one faulty: then the port keeps faults to itself."""
_DATA_SPEEDS = 6
"""Bytes at so many speeds, and clean at one, are enough to call them data of an unknown kind."""
_QUIET_S = 1.6
_QUIET_BAUD = 115_200
_SURE, _SURE_OF_DATA, _SURE_OF_ODD = 0.9, 0.5, 0.8
_LOST_S, _LOST_BYTES, _LOST_SURPRISE, _LOST_FAULTS = 1.5, 100, 2.0, 0.2
_FRAMING_WORTH = 4.0
"""Decades that speak for a parity bit in the stop bit's place, for a visit with it."""
_EXTRA_MOST = 24
_GRAIN = 0.07
"""A bit time from edges within bytes may be this far off."""

Setting = tuple[int, Framing]


class Walk:
    """Walks a line; each :meth:`step` listens for a moment and gives the verdict so far.

    ``bauds`` are the speeds to try; with only one of them it stays there. ``framing`` is the one to listen with at
    first; any other than 8N1 is kept. InputOutputError from the listener goes through. The listener's own times are
    the only clock.
    """

    def __init__(
        self,
        listener: Listener,
        *,
        bauds: Sequence[int] = (*USUAL_BAUDS, *ODD_BAUDS),
        framing: Framing = FRAMING_USUAL,
        dialects: Sequence[AnyDialect] = BUILT_IN,
    ) -> None:
        self._listener = listener
        self._dialects = tuple(dialects)
        self._framing = framing
        self._bauds = tuple(bauds)
        self.settled = False
        """Whether speed and framing are found, and the walk stays there."""
        self.last: Received | None = None
        """The latest slice."""
        self.quiet_s = 0.0
        """How long nothing has come."""
        self.listened_s = 0.0
        self._begin(None)

    @property
    def setting(self) -> Setting:
        """Where it listens now."""
        return self._plan[self._at]

    @property
    def dialects(self) -> tuple[AnyDialect, ...]:
        """The dialects it knows."""
        return self._dialects

    def heard(self) -> Received | None:
        """Everything kept of the present setting."""
        found = self._heard.get(self.setting)
        return found.whole(self._tells_faults()) if found else None

    def step(self, seconds: float = SLICE_S) -> Verdict:
        """Listens for ``seconds`` and says what it makes of the line so far."""
        piece = self._listener.hear(*self.setting, seconds)
        self.last = piece
        self.listened_s += piece.seconds
        self.quiet_s = 0.0 if len(piece.values) else self.quiet_s + piece.seconds
        if self.quiet_s >= _QUIET_S:
            return self._quiet()
        self._heard.setdefault(self.setting, SettingHeard()).add(piece)
        self._visit.add(piece)
        return self._about(self._stay() if self.settled else self._search())

    # ---- states of the walk ----

    def _begin(self, first: int | None) -> None:
        """Forgets the line: another contact may be another one. ``first`` is the speed to begin with."""
        order = [one for one in (first, _QUIET_BAUD) if one in self._bauds]
        self._plan: list[Setting] = [(baud, self._framing) for baud in dict.fromkeys((*order, *self._bauds))]
        self._at = 0
        self._heard: dict[Setting, SettingHeard] = {}
        self._visit = SettingHeard()
        self._rounds = 0
        self._extra = 0
        self._bit: BitTime | None = None
        self.settled = False
        self._is_data = False

    def _quiet(self) -> Verdict:
        """Nothing for longer than any receiver pauses."""
        if self._heard:
            # A fast receiver is seen at a fast speed only, so a slow one is no place to wait.
            self._begin(self.setting[0] if self.settled and self.setting[0] >= _QUIET_BAUD else None)
        certainty = min(0.99, self.quiet_s / (self.quiet_s + 0.5))
        return Verdict(
            LineState.SILENT, certainty, (f"Not one byte for {self.quiet_s:.1f} s.",), seconds=self.quiet_s
        )

    def _stay(self) -> Verdict:
        recent = self._visit.whole(self._tells_faults(), _LOST_S)
        if len(recent.values) >= _LOST_BYTES:
            score = best_score(score_readings(recent, self._dialects))
            lost = score.faulty_share > _LOST_FAULTS if self._is_data else score.surprise < _LOST_SURPRISE
            if lost:
                self._begin(None)
                return self._judged()
        return self._judged()

    def _search(self) -> Verdict:
        verdict = self._judged()
        tried = self._rounds > 0 or len(self._bauds) == 1
        compared = tried or self._busy_speeds() >= _DATA_SPEEDS
        if (verdict.state == LineState.NOISE and not tried) or (verdict.state == LineState.DATA and not compared):
            reason = f"{verdict.bytes_heard:,} bytes so far in no known dialect; still trying speeds."
            verdict = Verdict(LineState.NOT_SURE, 0.0, (reason,), seconds=self.listened_s)
        understood = verdict.state == LineState.UNDERSTOOD and verdict.certainty >= _SURE
        data = verdict.state == LineState.DATA and verdict.certainty >= _SURE_OF_DATA and compared
        if (understood or data) and verdict.baud is not None and verdict.framing is not None:
            self._settle(verdict.baud, verdict.framing)
            self._is_data = data
            return verdict
        if self._is_done():
            self._leave()
        return verdict

    # ---- ways ----

    def _settle(self, baud: int, framing: Framing) -> None:
        # Seven bits with parity are read as eight without: some ports know nothing else.
        setting = (baud, self._framing if framing.data_bits == 7 else framing)
        if setting != self.setting:
            if setting not in self._plan:
                self._plan.append(setting)
            self._go(self._plan.index(setting))
        self.settled = True

    def _is_done(self) -> bool:
        score = self._visit_score()
        patience = 1 + min(self._rounds, 3)
        if score.surprise >= _HINT and self._visit.seconds < 2.0 * _VISIT_S * patience:
            return False
        count, faulty = self._visit.telling
        faulty_share = faulty / max(1, count)
        for bytes_least, faults_least in _ENOUGH:
            if count >= bytes_least * patience and faulty_share >= faults_least:
                return True
        return self._visit.seconds >= _VISIT_S * patience

    def _leave(self) -> None:
        new = [setting for setting in self._pointed_to() if setting not in self._plan[: self._at + 1]]
        self._sort_rest()
        for setting in reversed(new[: _EXTRA_MOST - self._extra]):
            self._extra += setting not in self._plan
            if setting in self._plan:
                self._plan.remove(setting)
            self._plan.insert(self._at + 1, setting)
        if self._at + 1 < len(self._plan):
            self._go(self._at + 1)
        else:
            self._rounds += 1
            self._go(0)

    def _sort_rest(self) -> None:
        """Faster speeds first or slower ones, as the bytes of this visit say.

        A receiver much faster than the line sees each low bit as a whole byte of zeros; to a slower one zeros are rare.
        """
        received = self._visit.whole()
        if len(received.values) < _SORTING_BYTES:
            return
        slower = float((received.values == 0).mean()) > _ZEROS_OF_SLOW
        rest = self._plan[self._at + 1 :]
        rest.sort(key=lambda setting: (setting[0] < received.baud) != slower)
        self._plan[self._at + 1 :] = rest

    def _go(self, at: int) -> None:
        self._at = at
        self._visit = SettingHeard()

    def _pointed_to(self) -> list[Setting]:
        """Settings that the bytes of this visit point to."""
        if self._visit.count < _BUSY_BYTES or len(self._bauds) == 1:
            return []
        wanted: list[Setting] = []
        received = self._visit.whole(self._tells_faults())
        if received.framing == FRAMING_USUAL:
            framing = parity_stretch(received, _FRAMING_WORTH)
            if framing is not None:
                wanted.append((self.setting[0], framing))
        bit = self._visit.bit()
        if bit is not None:
            if self._bit is None or bit.score > self._bit.score:
                self._bit = bit
            wanted.append((self._near_known(bit.baud), self._framing))
        return wanted

    def _near_known(self, baud: float) -> int:
        # One that is in the plan already, too: else the grain would lead from one odd speed to the next.
        nearest = min((*self._bauds, *(setting[0] for setting in self._plan)), key=lambda one: abs(one - baud))
        return nearest if abs(nearest - baud) <= _GRAIN * nearest else usual_baud(baud)

    # ---- verdicts ----

    def _tells_faults(self) -> bool:
        return self._busy_speeds() < _MUTE_SPEEDS or any(one.faulty for one in self._heard.values())

    def _busy_speeds(self) -> int:
        return len({baud for (baud, _), one in self._heard.items() if one.count >= _BUSY_BYTES})

    def _about(self, verdict: Verdict) -> Verdict:
        """A speed that nobody uses was reckoned from the bits of another one: it reads well, but is not exact."""
        if verdict.baud is None or verdict.baud in self._bauds:
            return verdict
        reason = f"{verdict.baud:,} baud is give or take 5 %: record the line's edges for the exact speed."
        certainty = min(verdict.certainty, _SURE_OF_ODD)
        return dataclasses.replace(verdict, certainty=certainty, reasons=(*verdict.reasons, reason))

    def _visit_score(self) -> Score:
        return best_score(self._visit.scored(self._dialects, self._tells_faults()))

    def _judged(self) -> Verdict:
        heard: list[Heard] = []
        for one in self._heard.values():
            heard += one.scored(self._dialects, self._tells_faults())
        bit = self._bit
        facts = LineFacts(
            self.listened_s, measured_baud=bit.baud if bit else None, measured_spread=bit.spread if bit else 0.0
        )
        verdict = judge(heard, facts)
        if verdict.state == LineState.DATA and len(self._bauds) == 1 and not any(r.faults.any() for r, _ in heard):
            # Not a fault, and no other speed to compare with: the port may just not tell them.
            muted = [(dataclasses.replace(received, tells_faults=False), score) for received, score in heard]
            verdict = judge(muted, facts)
        return verdict
