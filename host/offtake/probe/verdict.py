"""From what was heard at several speeds and framings of one line to a verdict, or to an honest "not sure".

A speed, framing and polarity is one explanation of the line. An explanation counts when a dialect speaks for it so
strongly that accident would not do it once in a million (:data:`SURPRISE_SURE`). Two that both count and differ in
what a person would set are weighed against each other; unless one is far ahead, the verdict is "not sure", and says
what would decide. Framings that give the same bytes are told apart by the faults: the right one has the fewest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from offtake.probe.model import FAULT_BREAK, FRAMING_USUAL, LineState, Received, Verdict
from offtake.probe.score import Score

SURPRISE_SURE = 6.0
_AHEAD = 2.0
"""How many times the runner-up's surprise the best one's has to be."""
_SAME_SPEED = 0.03
"""Two speeds this close are read by the same receiver."""
_CLEAN_BYTES, _CLEAN_FAULTS, _CLEAN_ENTROPY_BITS = 48, 0.02, 2.0
_FEW_BYTES_A_SECOND = 150.0
"""Hum of the mains gives at most some hundred edges a second, a receiver that talks gives more bytes than that."""

Heard = tuple[Received, Score]


@dataclass(frozen=True)
class LineFacts:
    """What is known of the line beside the bytes.

    ``edges`` is None where only bytes are seen (a serial port). ``measured_baud`` comes from the lengths of its bits,
    with ``measured_spread`` its relative uncertainty.
    """

    seconds: float
    edges: int | None = None
    measured_baud: float | None = None
    measured_spread: float = 0.0


def judge(heard: Sequence[Heard], line: LineFacts) -> Verdict:
    """The verdict on one line that was heard at several speeds, framings or polarities."""
    counting = [one for one in heard if one[1].surprise >= SURPRISE_SURE]
    if counting:
        return _of_dialects(counting, line)
    return _of_no_dialect(heard, line)


def _of_dialects(counting: Sequence[Heard], line: LineFacts) -> Verdict:
    best = max(counting, key=_merit)
    rivals = [one for one in counting if not _same_setting(one[0], best[0])]
    rival = max(rivals, key=_merit, default=None)
    second = rival[1].surprise if rival else 0.0
    if rival is not None and best[1].surprise < _AHEAD * second:
        both = (_speaks(best), _speaks(rival), "Both can not be right: listen longer at each.")
        return Verdict(LineState.NOT_SURE, 0.0, both, seconds=line.seconds, others=(_setting(rival[0]),))
    received, score = best
    named = [one for one in score.dialects if one.surprise >= SURPRISE_SURE]
    named.sort(key=lambda one: (-one.message_bytes, -one.surprise))
    wrong = 10.0 ** -(score.surprise - SURPRISE_SURE + 2.0) + (10.0 ** -(score.surprise - second) if rival else 0.0)
    reasons = [_speaks(best), *_of_checks(score)]
    if not received.tells_faults:
        reasons.append("This port does not tell framing errors, so the framing is taken as usual.")
    return _verdict(
        LineState.UNDERSTOOD, 1.0 - min(1.0, wrong), tuple(reasons), best, line, tuple(one.dialect for one in named)
    )


def _of_no_dialect(heard: Sequence[Heard], line: LineFacts) -> Verdict:
    total = sum(score.count for _, score in heard)
    if line.edges == 0 or (line.edges is None and total == 0):
        reason = "A steady level." if line.edges == 0 else "Not one byte at any speed."
        return Verdict(LineState.SILENT, _by_time(line.seconds), (reason,), seconds=line.seconds)
    clean = [one for one in heard if _is_clean(one)]
    if clean:
        best = max(clean, key=_merit)
        rivals = [one for one in clean if not _same_setting(one[0], best[0])]
        if rivals:
            reasons = tuple(f"{_setting(one[0])} gives bytes without faults." for one in (best, *rivals[:3]))
            return Verdict(LineState.NOT_SURE, 0.0, reasons, seconds=line.seconds)
        chance = 0.5 ** min(40.0, best[1].count / 8)
        score = best[1]
        reasons = (
            f"{score.count:,} bytes at {_setting(best[0])}, {100 * score.faulty_share:.1f} % of them faulty; many are "
            "at every other speed.",
            "No known dialect: give one of your own with --dialect if you know it.",
        )
        return _verdict(LineState.DATA, 0.95 * (1.0 - chance), reasons, best, line, ())
    if line.measured_baud is not None:
        bit_us = 1e6 / line.measured_baud
        reason = f"Bits of about {bit_us:.4g} us: {line.measured_baud:,.0f} baud, which was not listened at."
        return Verdict(
            LineState.OTHER_SPEED, 0.8, (reason,), measured_baud=line.measured_baud, seconds=line.seconds,
        )  # fmt: skip
    listened = sum(received.seconds for received, _ in heard)
    breaks = sum(int((received.faults & FAULT_BREAK != 0).sum()) for received, _ in heard)
    rate = total / max(listened, 1e-9)
    if rate < _FEW_BYTES_A_SECOND and (breaks > total / 4 or rate < 5.0):
        reason = f"{rate:.0f} bytes a second, {breaks} of {total} of them a line held low: hum or a loose contact."
        return Verdict(LineState.FLOATING, 0.7, (reason,), seconds=line.seconds, bytes_heard=total)
    faulty = sum(score.faulty_share * score.count for _, score in heard) / max(1, total)
    if faulty > 0.1:
        reason = f"{100 * faulty:.0f} % of {total:,} bytes are faulty at every speed tried, and nothing makes sense."
        return Verdict(LineState.NOISE, 0.6, (reason,), seconds=line.seconds, bytes_heard=total)
    reason = f"{total:,} bytes, too few or too odd to tell."
    return Verdict(LineState.NOT_SURE, 0.0, (reason, "Listen longer."), seconds=line.seconds, bytes_heard=total)


def _verdict(
    state: LineState, certainty: float, reasons: tuple[str, ...], best: Heard, line: LineFacts,
    dialects: tuple[str, ...],
) -> Verdict:  # fmt: skip
    received, score = best
    others: tuple[str, ...] = ()
    if received.framing == FRAMING_USUAL:
        others = ("8N2 (two stop bits) cannot be told from 8N1 with pauses; a receiver set to 8N1 reads both.",)
    return Verdict(
        state=state,
        certainty=certainty,
        reasons=reasons,
        baud=round(received.baud) or None,
        measured_baud=line.measured_baud,
        framing=received.framing,
        inverted=received.inverted,
        dialects=dialects,
        messages=score.messages,
        seconds=received.seconds,
        bytes_heard=score.count,
        bytes_faulty=round(score.faulty_share * score.count),
        checks_right=score.checks_right,
        checks_wrong=score.checks_wrong,
        others=others,
    )


def _merit(one: Heard) -> tuple[float, float, float, int]:
    received, score = one
    # Framings of one speed often give much the same bytes: then the faults decide, then the usual framing.
    return (round(score.surprise / 20.0), -round(score.faulty_share, 2), score.surprise, -received.framing.bits)


def _same_setting(one: Received, other: Received) -> bool:
    """Whether a person would set the same: framings of one speed are settled by their faults, not as rivals."""
    near = abs(one.baud - other.baud) <= _SAME_SPEED * other.baud
    return near and one.inverted == other.inverted


def _is_clean(one: Heard) -> bool:
    received, score = one
    return (
        received.tells_faults
        and score.count >= _CLEAN_BYTES
        and score.faulty_share <= _CLEAN_FAULTS
        and score.entropy_bits >= _CLEAN_ENTROPY_BITS
    )


def _by_time(seconds: float) -> float:
    """How sure silence is: a receiver speaks once a second."""
    return min(0.99, seconds / (seconds + 0.5))


def _setting(received: Received) -> str:
    return f"{received.baud:,.0f} baud {received.framing}{' inverted' if received.inverted else ''}"


def _speaks(one: Heard) -> str:
    received, score = one
    best = score.dialects[0]
    return (
        f"{_setting(received)}: {best.checks_right:,} messages of {best.dialect} with a right check, {best.begun:,} "
        f"that begin like one (by accident: {best.by_chance:.2g})."
    )


def _of_checks(score: Score) -> tuple[str, ...]:
    if score.checks_wrong == 0:
        return ()
    return (f"{score.checks_wrong:,} checks were wrong: bits are lost on the way, look at ground and contact.",)
