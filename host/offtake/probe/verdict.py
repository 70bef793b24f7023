"""From what was heard at several speeds and framings of one line to a verdict, or to an honest "not sure".

A speed and polarity is one explanation of the line. It counts when a dialect speaks for it so strongly that accident
would not do it once in ten million (:data:`SURPRISE_SURE`; a walk makes hundreds of tries). Two that both count are
weighed against each other; unless one is far ahead, the verdict is "not sure", and says what would decide. The framings
of one speed are no rivals: its bytes as 8N1 tell them apart (:mod:`offtake.probe.parity`), and without those the
faults do. Where no dialect speaks, :mod:`offtake.probe.undecoded` has the word.
"""

from __future__ import annotations

from collections.abc import Sequence

from offtake.probe.facts import SURPRISE_SURE, Heard, LineFacts, of_heard, same_setting, setting_text
from offtake.probe.model import FRAMING_USUAL, Framing, LineState, Verdict
from offtake.probe.parity import framing_evidence
from offtake.probe.score import Score
from offtake.probe.undecoded import judge_undecoded

__all__ = ["SURPRISE_SURE", "Heard", "LineFacts", "judge"]

_AHEAD = 2.0
"""How many times the runner-up's surprise the best one's has to be."""
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
    wrong = 10.0 ** (SURPRISE_SURE - 2.0 - score.surprise) + (10.0 ** (second - score.surprise) if rival else 0.0)
    reasons = [_speaks(best), *_of_checks(score)]
    if framing != received.framing:
        reasons.append(f"Its bytes look like {framing}, at which it was not heard yet.")
    elif not received.tells_faults:
        reasons.append("This port does not tell faulty bytes, so parity or none is a guess: most have none.")
    named = [one for one in score.dialects if one.surprise >= SURPRISE_SURE]
    named.sort(key=lambda one: (-one.message_bytes, -one.surprise))
    return of_heard(
        LineState.UNDERSTOOD, min(_CERTAIN_MOST, (1.0 - min(1.0, wrong)) * right), tuple(reasons), best, line,
        dialects=tuple(one.dialect for one in named), framing=framing, others=_others(framing),
    )  # fmt: skip


def _framed(counting: Sequence[Heard], alike: Sequence[Heard]) -> tuple[Heard, Framing, float]:
    """Of one speed heard at several framings the one to go by, the line's framing, and how likely that is right."""
    usual = max((one for one in alike if one[0].framing == FRAMING_USUAL), key=lambda one: one[1].count, default=None)
    if usual is not None:
        evidence = framing_evidence(usual[0])
        if evidence.decades >= _FRAMING_SURE:
            known = 1.0 if usual[0].tells_faults or evidence.framing.data_bits == 7 else _USUAL_BLINDLY
            with_it = [one for one in counting if one[0].framing == evidence.framing]
            best = max(with_it or counting, key=lambda one: one[1].surprise)
            return best, evidence.framing, known * (1.0 - 10.0**-evidence.decades)
    best = max(counting, key=_merit)
    others = {str(one[0].framing) for one in counting if _merit(one)[0] == _merit(best)[0]} - {str(best[0].framing)}
    return best, best[0].framing, _USUAL_BLINDLY if not others else 0.5


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
