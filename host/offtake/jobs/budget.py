"""Makes a plan of what was asked and the spec's board, and works it out."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from offtake.budget.divisor import BITS
from offtake.budget.model import BoardFacts, Budget, Plan
from offtake.budget.parts import load_parts
from offtake.budget.stalls import Output
from offtake.budget.work import usual_volts, work_out
from offtake.errors import UsageError
from offtake.spec.load import find_spec_folder, load_spec

_OUTPUT = re.compile(r"(?P<name>\w{1,40}):(?P<rate>\d{1,6}(\.\d{1,6})?)(:(?P<size>\d{1,6}))?\Z", re.ASCII)


@dataclass(frozen=True)
class LineLoad:
    """What the receiver says, in one of three ways, or in none: then the line never pauses."""

    messages: Sequence[str] = ()
    bytes_per_s: float | None = None
    share_percent: float | None = None


def budget(board: str, baud: int, load: LineLoad, settings: dict[str, Any]) -> Budget:
    """The budget of a board of the spec. ``settings`` are fields of :class:`~offtake.budget.model.Plan` that are given.

    :raises UsageError: an unknown board or message, or a figure that makes no sense.
    :raises InputOutputError: no spec here.
    """
    facts = _board(board)
    volts = settings.get("board_v", usual_volts(facts.name))
    given = {"adapter_v": volts, **settings, "board_v": volts}
    return work_out(Plan(board=facts, baud=baud, outputs=_outputs(load, baud), **given))


def _board(name: str) -> BoardFacts:
    spec = load_spec(find_spec_folder())
    known = {variant.name: (board, variant) for board in spec.boards for variant in board.variants}
    if name not in known:
        raise UsageError(f"no board is named {name!r}", expected=", ".join(known))
    board, variant = known[name]
    return BoardFacts(name, variant.clock_hz, variant.desk_baud, board.ring_bytes)


def _outputs(load: LineLoad, baud: int) -> tuple[Output, ...]:
    given = [bool(load.messages), load.bytes_per_s is not None, load.share_percent is not None]
    if sum(given) > 1:
        raise UsageError(
            "the line's load is given twice", expected="one of --messages, --bytes-per-second and --line-share"
        )
    if load.messages:
        return tuple(_output(text) for text in load.messages)
    if load.bytes_per_s is not None:
        _checked("--bytes-per-second", load.bytes_per_s, 1.0, 65_535.0, "bytes")
        return (Output("bytes", 1.0, round(load.bytes_per_s)),)
    if load.share_percent is not None:
        _checked("--line-share", load.share_percent, 0.1, 100.0, "%")
        return (Output("bytes", 1.0, max(1, round(load.share_percent / 100.0 * baud / BITS))),)
    return ()


def _output(text: str) -> Output:
    """NAME:RATE or NAME:RATE:BYTES."""
    known = load_parts().message_bytes
    found = _OUTPUT.match(text)
    if not found:
        raise UsageError(f"--messages: {text!r}", expected="NAME:RATE or NAME:RATE:BYTES, such as RMC:5 or DEPTH:2:40")
    name, size = found["name"], found["size"]
    if size is None and name not in known:
        raise UsageError(
            f"--messages: no length is known of {name!r}", expected=f"NAME:RATE:BYTES, or one of {', '.join(known)}"
        )
    return Output(name, float(found["rate"]), int(size) if size is not None else known[name])


def _checked(name: str, value: float, least: float, most: float, unit: str) -> None:
    if not least <= value <= most:  # nan neither
        raise UsageError(f"{name}: {value:g} makes no sense", expected=f"{least:g} to {most:,.0f} {unit}")
