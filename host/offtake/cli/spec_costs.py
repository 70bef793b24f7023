"""The part of `offtake spec check` that shows what each message costs."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from offtake.cli import show

if TYPE_CHECKING:
    from offtake.spec.cost import MessageCost, SpecCosts, Use

_NAME = 20
_ROW = f"{{:<{_NAME}}} {{:>5}} {{:>5}} {{:>8}} {{:>8}} {{:>6}} {{:>7}} {{:>7}} {{:>6}}"
_BAUD_LEAST, _BAUD_MOST = 1_200, 1_000_000


def add_options(parser: argparse.ArgumentParser) -> None:
    """--baud, --board and --at."""
    parser.add_argument(
        "--baud", type=_baud, default=115_200, metavar="BD", help="speed of the line beside the messages (115200)"
    )
    parser.add_argument(
        "--board", default="atmega328p_16mhz", metavar="VARIANT", help="the board that logs (atmega328p_16mhz)"
    )
    parser.add_argument(
        "--at", type=_setting, action="append", default=[], metavar="SETTING=VALUE",
        help="a setting of the journal, such as analogue_ms=100: costs at the rates it makes, too; what no setting"
        " turns on is off then; may be given more than once",
    )  # fmt: skip


def asked(options: argparse.Namespace) -> dict[str, Any]:
    """The options as :func:`offtake.spec.cost.work_out` takes them."""
    return {"variant": options.board, "baud": options.baud, "settings": dict(options.at) if options.at else None}


def costs_json(costs: SpecCosts) -> dict[str, Any]:
    """All figures, for programs."""
    values: dict[str, Any] = show.plain(costs)
    for each, message in zip(values["messages"], costs.messages, strict=True):
        each["flash"]["total"] = message.flash.total
    return {**values, "fits": costs.fits}


def show_costs(costs: SpecCosts) -> None:
    """Prints a row for each message, the dearest first, what all take beside the line, and whether that fits."""
    print(_ROW.format("what it costs", "frame", "bytes", "at most", "bytes", "of a", "of the", "of the", "flash"))
    print(_ROW.format("at its highest rate", "least", "most", "Hz", "/s", "block", "card", "chip", "bytes"))
    for each in costs.messages:
        _message(each, each.highest, (f"{each.block_share:.1%}", f"{each.flash.total:,}"))
    _use(f"line, {costs.baud:,} Bd", costs.line, flash=f"{costs.line_flash.total:,}")
    _use("all at once", costs.together, flash=f"{costs.flash.total:,}")
    if costs.together_as_set is not None:
        _as_set(costs, costs.together_as_set)
    print()
    show.paragraph(_verdict(costs))
    for line in _notes(costs):
        show.paragraph(line)


def _as_set(costs: SpecCosts, together: Use) -> None:
    print()
    show.paragraph("as set: " + ", ".join(f"{name} = {value}" for name, value in (costs.settings or {}).items()))
    off = []
    for each in costs.messages:
        if each.as_set is not None and each.as_set.rate_hz > 0.0:
            _message(each, each.as_set, ("", ""))
        elif each.highest.rate_hz > 0.0:
            off.append(each.name)
    _use(f"line, {costs.baud:,} Bd", costs.line)
    _use("all at once", together)
    if off:
        show.paragraph(f"off: {', '.join(off)}")


def _message(each: MessageCost, use: Use, ends: tuple[str, str]) -> None:
    block, flash = ends
    rate = f"{use.rate_hz:g}" if use.rate_hz else "rare"
    _line(each.name, f"{each.least_bytes}", f"{each.worst_bytes}", rate, use, block, flash)


def _use(name: str, use: Use, flash: str = "") -> None:
    _line(name, "", "", "", use, "", flash)


def _line(name: str, least: str, most: str, rate: str, use: Use, block: str, flash: str) -> None:
    if len(name) > _NAME:
        print(name)
        name = ""
    bytes_per_s = f"{use.bytes_per_s:,.0f}" if use.rate_hz else "-"
    card, chip = (f"{share:.2%}" if use.rate_hz else "-" for share in (use.card_share, use.cpu_share))
    print(_ROW.format(name, least, most, rate, bytes_per_s, block, card, chip, flash).rstrip())


def _verdict(costs: SpecCosts) -> str:
    use = costs.together
    if not costs.fits:
        return f"too much: {use.card_share:.0%} of the card's and {use.cpu_share:.0%} of the chip's time"
    return (
        f"fits: all at once leave {1.0 - use.card_share:.0%} of the card's and {1.0 - use.cpu_share:.0%} of the chip's"
        f" time ({costs.variant})"
    )


def _notes(costs: SpecCosts) -> list[str]:
    kinds = costs.flash
    shelf = f"RAM: none. Frames of sensors wait on one shelf of {costs.shelf_bytes} bytes"
    if costs.shelf_ms is not None:
        shelf += f"; at these rates a card busy for over {costs.shelf_ms:,.0f} ms can cost some (counted in the log)"
    long = [each.name for each in costs.messages if not each.waits_alone]
    if long:
        shelf += f". While no sensor is on, {costs.shelf_alone_bytes} bytes: too few for {', '.join(long)}"
    return [
        "Most bytes: with the longest tick offset and tail. Card: a block keeps it while it is sent and 5 ms more;"
        " sensors' frames may send blocks that are not full.",
        f"{shelf}.",
        f"Flash: {kinds.tables:,} for tables, {kinds.description:,} for descriptions, {kinds.call:,} for a call of each"
        f" sensor's. The descriptions take {costs.description_bytes:,} bytes of the card at each run's start.",
    ]


def _baud(text: str) -> int:
    try:
        baud = int(text)
    except ValueError:
        baud = 0
    if not _BAUD_LEAST <= baud <= _BAUD_MOST:
        raise argparse.ArgumentTypeError(f"{text!r} is no speed (expected {_BAUD_LEAST} to {_BAUD_MOST} Bd)")
    return baud


def _setting(text: str) -> tuple[str, int]:
    name, found, value = text.partition("=")
    if not found or not name or not value.isascii() or not value.isdigit() or len(value) > 10:
        raise argparse.ArgumentTypeError(f"{text!r} is no setting (expected NAME=NUMBER, such as analogue_ms=100)")
    return name, int(value)
