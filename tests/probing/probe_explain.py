"""One case in words: the truth, the verdict, and how it came about."""

from __future__ import annotations

from textwrap import wrap

from probe_case_names import name_of
from probe_lines import settings_of
from probe_streams import KNOWN, UNKNOWN
from probe_ways import Judged


def explain(judged: Judged) -> list[str]:
    """Lines of at most 80 columns."""
    case, verdict = judged.case, judged.verdict
    lines = [f"{name_of(judged.way, case)}: {judged.outcome}"]
    if case.kind in KNOWN or case.kind in UNKNOWN:
        chosen = settings_of(case)
        lines.append(f"truth    {case.baud:,} baud {case.framing}{' inverted' if case.inverted else ''}, {case.kind}, "
                     f"{100 * case.errors:g} % of bits wrong")  # fmt: skip
        lines.append(f"         {chosen.rate_hz} epochs a second of up to {chosen.epoch_bytes} bytes, clock "
                     f"{100 * chosen.clock_off:+.2f} %, jitter {100 * chosen.jitter:.1f} %")  # fmt: skip
    else:
        lines.append(f"truth    {case.kind}")
    setting = "" if verdict.baud is None else f", {verdict.baud:,} baud {verdict.framing}"
    turned = " inverted" if verdict.inverted else ""
    named = " ".join(["", *verdict.dialects])
    lines.append(f"verdict  {verdict.state}{setting}{turned}{named}, certainty {verdict.certainty:.4f}")
    lines.append(f"         after {judged.seconds:.1f} s; {verdict.bytes_heard:,} bytes, "
                 f"{verdict.bytes_faulty:,} faulty, checks {verdict.checks_right} right "
                 f"{verdict.checks_wrong} wrong")  # fmt: skip
    for reason in verdict.reasons:
        lines += wrap(reason, 78, initial_indent="  because  ", subsequent_indent="           ")
    if judged.story:
        lines.append("the walk")
        lines += [f"  {one}" for one in judged.story]
    return lines
