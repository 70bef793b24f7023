"""Names of cases: walk/text/9600/8N1/0.01/500, with /inverted after the framing where it is."""

from __future__ import annotations

from offtake.errors import UsageError
from offtake.probe.model import Framing
from probe_lines import KINDS, Case
from probe_ways import WAYS


def name_of(way: str, case: Case) -> str:
    """The name under which a case can be played again."""
    turned = "/inverted" if case.inverted else ""
    return f"{way}/{case.kind}/{case.baud}/{case.framing}{turned}/{case.errors:g}/{case.seed}"


def parse_name(name: str) -> tuple[str, Case]:
    """The way and the case of a name. UsageError for anything else."""
    parts = name.split("/")
    inverted = len(parts) == 7 and parts[4] == "inverted"
    if inverted:
        del parts[4]
    try:
        way, kind, baud, framing, errors, seed = parts
        case = Case(kind, int(baud), Framing.parse(framing), inverted, float(errors), int(seed))
        known = way in WAYS and kind in KINDS and case.baud > 0 and 0.0 <= case.errors < 1.0 and case.seed >= 0
    except ValueError:
        known = False
    if not known:
        raise UsageError(f"{name!r} is no case", expected="a name such as walk/text/9600/8E1/0.001/500")
    return way, case
