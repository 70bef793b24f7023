"""From what was heard at several speeds and framings of one line to a verdict, or to an honest "not sure".

A speed and polarity is one explanation of the line. It counts when a dialect speaks for it so strongly that accident
would not do it once in ten million (:data:`SURPRISE_SURE`; a walk makes hundreds of tries). Two that both count are
weighed against each other; unless one is far ahead, the verdict is "not sure", and says what would decide. The framings
of one speed are no rivals: its bytes as 8N1 tell them apart (:mod:`offtake.probe.parity`), and without those the
faults do. Where no dialect speaks, :mod:`offtake.probe.undecoded` has the word.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from offtake.probe.facts import SURPRISE_SURE, Heard, LineFacts, of_heard, same_setting, setting_text
from offtake.probe.model import FRAMING_USUAL, Framing, LineState, Received, Verdict
from offtake.probe.parity import FramingEvidence, framing_evidence, framing_of_known, real_bytes
from offtake.probe.score import Score
from offtake.probe.undecoded import judge_undecoded

__all__ = ["SURPRISE_SURE", "Heard", "LineFacts", "judge"]

_AHEAD = 2.0
"""How many times the runner-up's surprise the best one's has to be."""
_USUAL_FAULTS = 0.15
"""With more faulty bytes than this, as 8N1, a line is not 8N1, or too bad to tell: at 1 % bit errors 8N1 has half of
it."""
_FRAMING_OPEN = 0.7
_ONE_FAULTS = 0.1
_PARITY_BYTES, _PARITY_FAULTS = 40, 0.2
_PARITY_GUESSED = 0.4
_KNOWN_BYTES = 12
"""Bytes of found beginnings, from which on they alone tell the framing."""
_FRAMING_SURE = 2.0
"""Decades that one framing has to be ahead of the next."""
_CERTAIN_MOST = 0.9999
"""The models of chance are only models."""
_USUAL_BLINDLY = 0.95
"""How often the usual framing is the right one where the listener cannot tell (common practice, no source)."""


def judge(heard: Sequence[Heard], line: LineFacts) -> Verdict:
    """The verdict on one line that was heard at several speeds, framings or polarities."""
    counting = [one for one in heard if one[1].surprise >= SURPRISE_SURE]
    if counting:
        return _of_dialects(counting, heard, line)
    return judge_undecoded(heard, line)


def _of_dialects(counting: Sequence[Heard], heard: Sequence[Heard], line: LineFacts) -> Verdict:
    best = max(counting, key=lambda one: (one[1].surprise, -one[1].faulty_share))
    rivals = [one for one in counting if not same_setting(one[0], best[0])]
    rival = max(rivals, key=lambda one: one[1].surprise, default=None)
    second = rival[1].surprise if rival else 0.0
    if rival is not None and best[1].surprise < _AHEAD * second:
        both = (_speaks(best), _speaks(rival), "Only one of them can be right: listen longer at each.")
        return Verdict(LineState.NOT_SURE, 0.0, both, seconds=line.seconds, others=(setting_text(rival[0]),))
    alike = [one for one in counting if same_setting(one[0], best[0])]
    best, framing, right = _framed(alike, [one for one in heard if same_setting(one[0], best[0])])
    received, score = best
    if right < _FRAMING_OPEN or _one_in_noise(best):
        reasons = (_speaks(best), "But its framing is open: listen longer, or mend the contact if bytes are faulty.")
        return Verdict(LineState.NOT_SURE, 0.0, reasons, seconds=line.seconds, others=(setting_text(received),))
    wrong = 10.0 ** (SURPRISE_SURE - 2.0 - score.surprise) + (10.0 ** (second - score.surprise) if rival else 0.0)
    told = [_speaks(best), *_of_checks(score)]
    if framing != received.framing:
        told.append(f"Its bytes look like {framing}, at which it was not heard yet.")
    elif not received.tells_faults:
        told.append("This port does not tell faulty bytes, so parity or none is a guess: most have none.")
    named = [one for one in score.dialects if one.surprise >= SURPRISE_SURE]
    named.sort(key=lambda one: (-one.message_bytes, -one.surprise))
    return of_heard(
        LineState.UNDERSTOOD, min(_CERTAIN_MOST, (1.0 - min(1.0, wrong)) * right), tuple(told), best, line,
        dialects=tuple(one.dialect for one in named), framing=framing, others=_others(framing),
    )  # fmt: skip


def _framed(counting: Sequence[Heard], alike: Sequence[Heard]) -> tuple[Heard, Framing, float]:
    """Of one speed heard at several framings the one to go by, the line's framing, and how likely that is right."""
    # Seven bits carry no binary dialect.
    eight = any(one[0].framing.data_bits == 8 and _speaks_binary(one[1]) for one in counting)
    if eight:
        counting = [one for one in counting if one[0].framing.data_bits == 8]
    usual = max((one for one in alike if one[0].framing == FRAMING_USUAL), key=lambda one: one[1].count, default=None)
    if usual is None:
        best = max(counting, key=_merit)
        return best, best[0].framing, _USUAL_BLINDLY
    surely_none: FramingEvidence | None = None
    if len(usual[1].known) >= _KNOWN_BYTES:
        surely = framing_of_known(usual[0], usual[1].known)
        if surely.decades >= _FRAMING_SURE and surely.framing != FRAMING_USUAL:
            with_it = [one for one in counting if one[0].framing == surely.framing]
            best = max(with_it or counting, key=lambda one: one[1].surprise)
            return best, surely.framing, 1.0 - 10.0**-surely.decades
        if surely.decades >= _FRAMING_SURE and usual[0].tells_faults:
            if eight:
                return usual, FRAMING_USUAL, _usual_known(usual) * (1.0 - 10.0**-surely.decades)
            surely_none = surely
            counting = [one for one in counting if one[0].framing.parity == "N" or one[0].framing.data_bits == 7]
    checked = [one for one in counting if _parity_holds(one)]
    if checked:
        best = max(checked, key=_merit)
        return best, best[0].framing, _CERTAIN_MOST
    evidence = framing_evidence(usual[0])
    if surely_none is not None and evidence.framing.data_bits == 8:
        evidence = surely_none
    with_it = [one for one in counting if one[0].framing == evidence.framing]
    right = max((one[1].checks_right for one in with_it), default=0)
    known = _usual_known(usual)
    if evidence.framing.data_bits == 7 and (eight or usual[1].checks_right > right):
        # Nor are checks over eight bits right by accident where the eighth is parity.
        return max(counting, key=lambda one: one[1].surprise), FRAMING_USUAL, known
    if evidence.framing != FRAMING_USUAL:
        known = 1.0
    best = max(with_it or counting, key=lambda one: one[1].surprise)
    if best[0].framing.parity != "N" and _faulty_share(best[0]) > _PARITY_GUESSED:
        # A parity bit that is wrong nearly as often as right proves nothing.
        known = 0.0
    return best, evidence.framing, known * (1.0 - 10.0**-evidence.decades)


def _usual_known(usual: Heard) -> float:
    """How likely 8N1 is right where the bytes look like that: a bad line looks like it whatever it is."""
    if _faulty_share(usual[0]) > _USUAL_FAULTS:
        return 0.0
    return 1.0 if usual[0].tells_faults else _USUAL_BLINDLY


def _speaks_binary(score: Score) -> bool:
    return any(one.binary and one.surprise >= SURPRISE_SURE for one in score.dialects)


def _parity_holds(one: Heard) -> bool:
    """Whether a parity bit was right so often that it must be one; a bit that is none is right half the time."""
    received = one[0]
    if received.framing.parity == "N" or not received.tells_faults:
        return False
    faults = received.faults[real_bytes(received)]
    return len(faults) >= _PARITY_BYTES and int(np.count_nonzero(faults)) <= _PARITY_FAULTS * len(faults)


def _one_in_noise(one: Heard) -> bool:
    """Whether all rests on one beginning among many faulty bytes: it may name the dialect, but tells no framing."""
    received, score = one
    return score.checks_right == 0 and score.dialects[0].begun <= 1 and _faulty_share(received) > _ONE_FAULTS


def _faulty_share(received: Received) -> float:
    faults = received.faults[real_bytes(received)]
    return float(np.count_nonzero(faults)) / max(1, len(faults))


def _merit(one: Heard) -> tuple[float, float, int]:
    received, score = one
    return (-round(score.faulty_share, 2), score.surprise, -received.framing.bits)


def _others(framing: Framing) -> tuple[str, ...]:
    if framing != FRAMING_USUAL:
        return ()
    return ("8N2 (two stop bits) cannot be told from 8N1 with pauses; a receiver set to 8N1 reads both.",)


def _speaks(one: Heard) -> str:
    received, score = one
    best = score.dialects[0]
    return (
        f"{setting_text(received)}: {best.checks_right:,} messages of {best.dialect} with a right check, "
        f"{best.begun:,} that begin like one (by accident: {best.by_chance:.2g})."
    )


def _of_checks(score: Score) -> tuple[str, ...]:
    if score.checks_wrong == 0:
        return ()
    return (f"{score.checks_wrong:,} checks were wrong: bits are lost on the way, look at ground and contact.",)
