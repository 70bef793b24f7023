"""What a line is that speaks no known dialect: silent, floating, noise, data in something unknown, or not sure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from offtake.probe.facts import SURPRISE_SURE, Heard, LineFacts, of_heard, same_setting, setting_text
from offtake.probe.model import FAULT_BREAK, FRAMING_USUAL, LineState, Received, Verdict
from offtake.probe.parity import framing_evidence

_HINT = 3.0
"""Surprise from which on a dialect is worth a word."""
_CLEAN_BYTES, _CLEAN_FAULTS, _CLEAN_ENTROPY_BITS = 48, 0.02, 2.0
_CLOSE, _CLOSE_SHARE = (0.95, 1.15), 0.2
"""From byte to byte, in bytes: a clock off by 1.5 %, two stop bits instead of one."""
_FRAMING_SURE = 2.0
_FAULTS_ELSEWHERE = 0.1
"""At a wrong speed more bytes than this are faulty: stop bits fall on data."""
_FAULTS_OF_NOISE = 0.15
_SPEEDS_TRIED = 4
"""Speeds to have tried, slow and fast ones, before a line is called noise or floating."""
_SLOW_BAUD = 9_600
_FEW_BYTES_A_SECOND = 150.0
"""Hum of the mains has at most some hundred edges a second; a receiver that talks gives more bytes than that."""
_STRAY_BYTES_A_SECOND = 5.0


def judge_undecoded(heard: Sequence[Heard], line: LineFacts) -> Verdict:
    """The verdict where no dialect speaks for any of ``heard``."""
    total = sum(score.count for _, score in heard)
    if line.edges == 0 or (line.edges is None and total == 0):
        reason = "A steady level." if line.edges == 0 else "Not one byte at any speed tried."
        return Verdict(LineState.SILENT, _by_time(line.seconds), (reason,), seconds=line.seconds)
    clean = [one for one in heard if _is_clean(one)]
    if clean:
        return _of_clean(clean, heard, line)
    hint = _hint(heard)
    if line.measured_baud is not None and not _near_heard(heard, line.measured_baud):
        bit_us = 1e6 / line.measured_baud
        reason = f"Bits of about {bit_us:.3g} us: {line.measured_baud:,.0f} baud, which was not listened at."
        return Verdict(
            LineState.OTHER_SPEED, 0.6, (reason, *hint), measured_baud=line.measured_baud, seconds=line.seconds,
            bytes_heard=total,
        )  # fmt: skip
    return _of_faulty(heard, line, total, hint)


def _of_clean(clean: Sequence[Heard], heard: Sequence[Heard], line: LineFacts) -> Verdict:
    best = max(clean, key=lambda one: (-round(one[1].faulty_share, 2), one[1].count, -one[0].framing.bits))
    score = best[1]
    rivals = [one for one in clean if not same_setting(one[0], best[0])]
    if rivals:
        clear = tuple(f"{setting_text(one[0])} gives bytes without faults." for one in (best, *rivals[:3]))
        return Verdict(
            LineState.NOT_SURE, 0.0, (*clear, *_hint(heard), "Listen longer: other bytes will tell them apart."),
            seconds=line.seconds, bytes_heard=score.count,
        )  # fmt: skip
    elsewhere = [one for one in heard if not same_setting(one[0], best[0]) and one[1].count >= _CLEAN_BYTES]
    worst = min((one[1].faulty_share for one in elsewhere), default=1.0)
    if elsewhere and worst < _FAULTS_ELSEWHERE and line.edges is None:
        why = (
            f"{score.count:,} bytes at {setting_text(best[0])}, hardly any of them faulty; but at another speed hardly "
            "any are either, so that proves nothing."
        )
        return Verdict(
            LineState.NOT_SURE, 0.0, (why, *_hint(heard)), seconds=line.seconds, bytes_heard=score.count
        )
    framings = {str(one[0].framing) for one in clean}
    framing = best[0].framing
    if best[0].framing == FRAMING_USUAL:
        evidence = framing_evidence(best[0])
        framing = evidence.framing if evidence.decades >= _FRAMING_SURE else framing
    reasons = (
        f"{score.count:,} bytes at {setting_text(best[0])}, {100 * score.faulty_share:.1f} % of them faulty"
        + (f"; at other speeds at least {100 * worst:.0f} %." if elsewhere else "."),
        "No known dialect: give one of your own with --dialect if you know it.",
        *_hint(heard),
    )
    by_count = 1.0 - 0.5 ** min(40.0, score.count / 8)
    sure = 0.95 if (elsewhere and worst >= _FAULTS_ELSEWHERE) or line.edges is not None else 0.7
    return of_heard(
        LineState.DATA, sure * by_count, reasons, best, line, framing=framing,
        others=tuple(f"{name} fits too" for name in sorted(framings - {str(framing)})),
    )  # fmt: skip


def _of_faulty(heard: Sequence[Heard], line: LineFacts, total: int, hint: tuple[str, ...]) -> Verdict:
    telling = all(received.tells_faults for received, _ in heard)
    if not _tried_widely(heard, line):
        reason = f"{total:,} bytes that make no sense at the speeds tried so far."
        open_yet = (reason, *hint, "Listen longer.")
        return Verdict(LineState.NOT_SURE, 0.0, open_yet, seconds=line.seconds, bytes_heard=total)
    listened = sum(received.seconds for received, _ in heard)
    breaks = sum(int(np.count_nonzero(received.faults & FAULT_BREAK)) for received, _ in heard)
    zeros = breaks if telling else sum(int(np.count_nonzero(received.values == 0)) for received, _ in heard)
    rate = total / max(listened, 1e-9)
    if rate < _STRAY_BYTES_A_SECOND or (rate < _FEW_BYTES_A_SECOND and zeros > total / 2):
        reason = f"{rate:.1f} bytes a second, {zeros} of {total} of them just a line held low: hum or a loose contact."
        return Verdict(LineState.FLOATING, 0.7, (reason, *hint), seconds=line.seconds, bytes_heard=total)
    least = min((score.faulty_share for _, score in heard if score.count >= _CLEAN_BYTES), default=0.0)
    if least > _FAULTS_OF_NOISE:
        reason = f"At every speed tried {100 * least:.0f} % of the bytes or more are faulty, and nothing makes sense."
        return Verdict(LineState.NOISE, 0.6, (reason, *hint), seconds=line.seconds, bytes_heard=total)
    reason = f"{total:,} bytes that begin no known message at any speed tried."
    why = "Listen longer." if telling else (
        "This port does not tell faulty bytes, so without a known dialect the speed stays open: try another adapter, or"
        " record the line's edges and give that file."
    )  # fmt: skip
    return Verdict(LineState.NOT_SURE, 0.0, (reason, *hint, why), seconds=line.seconds, bytes_heard=total)


def _hint(heard: Sequence[Heard]) -> tuple[str, ...]:
    best = max(heard, key=lambda one: one[1].surprise, default=None)
    if best is None or not _HINT <= best[1].surprise < SURPRISE_SURE:
        return ()
    one = best[1].dialects[0]
    return (f"At {setting_text(best[0])} something begins like {one.dialect}, but that may be accident.",)


def _is_clean(one: Heard) -> bool:
    received, score = one
    return (
        received.tells_faults
        and score.count >= _CLEAN_BYTES
        and score.faulty_share <= _CLEAN_FAULTS
        and score.entropy_bits >= _CLEAN_ENTROPY_BITS
        and _close_share(received) >= _CLOSE_SHARE
    )


def _close_share(received: Received) -> float:
    """Share of bytes that come right after another, 0 to 1; 1 where times are not known.

    A burst of something else that is shorter than a byte reads as a byte without fault, but as a lonely one.
    """
    gaps = np.diff(received.start_s) * received.baud / received.framing.bits
    gaps = gaps[np.isfinite(gaps)]
    return float(((gaps > _CLOSE[0]) & (gaps < _CLOSE[1])).mean()) if len(gaps) else 1.0


def _tried_widely(heard: Sequence[Heard], line: LineFacts) -> bool:
    if line.edges is not None:
        return True
    bauds = {received.baud for received, score in heard if score.count}
    return len(bauds) >= _SPEEDS_TRIED and min(bauds) <= _SLOW_BAUD < max(bauds)


def _near_heard(heard: Sequence[Heard], baud: float) -> bool:
    return any(abs(received.baud - baud) <= 0.03 * baud for received, _ in heard)


def _by_time(seconds: float) -> float:
    """How sure silence is: a receiver speaks once a second."""
    return min(0.99, seconds / (seconds + 0.5))
