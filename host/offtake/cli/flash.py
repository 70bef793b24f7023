"""`offtake flash`: the firmware onto a board."""

from __future__ import annotations

import argparse

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE

_MORE = """\
Builds the firmware with PlatformIO and the system's avr-gcc, writes it through
the board's serial boot loader with avrdude, which reads it back, and then asks
the board what it runs: its kind, version and spec must be this program's.
Whatever breaks off a write, the boot loader stays, and the board can be
flashed again. Keep the tap unplugged meanwhile: there is one receive pin."""
_WORDS = {"board": "is another board", "version": "runs another version", "spec_hash": "was built from another spec"}


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    parser = add_verb(verbs, "flash", "write the firmware to a board", "offtake flash /dev/ttyUSB0", run, _MORE)
    parser.add_argument("port", metavar="PORT", help="the board's serial port")
    parser.add_argument("--board", default="atmega328p_16mhz", help="atmega328p_16mhz or atmega328p_8mhz (the first)")
    parser.add_argument("--speed", type=int, metavar="BAUD", help="the boot loader's speed (the usual ones are tried)")
    parser.add_argument("--check", action="store_true", help="write nothing, only ask the board what it runs")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.jobs.flash import check, flash

    if options.check:
        done = check(options.port, options.board)
    else:
        done = flash(options.port, options.board, speed_bd=options.speed)
    code = EXIT_DAMAGE if done.differences else EXIT_CLEAN
    if options.json:
        show.emit_json("flash", {**show.plain(done), "differences": done.differences})
        return code
    written = [
        ("boot loader", f"answers at {done.loader_baud:,} baud"),
        ("written", f"{done.hex_bytes:,} bytes, read back equal"),
    ]
    show.facts(
        [
            ("port", done.port),
            *(written if done.hex_bytes else []),
            ("firmware", f"answers at {done.desk_baud:,} baud"),
            *(_compared(name, done.runs.__dict__[name], done.wanted.__dict__[name]) for name in _WORDS),
        ]
    )
    print()
    if done.differences:
        show.paragraph("This board " + " and ".join(_WORDS[name] for name in done.differences) + ".")
    else:
        print("The board runs this program's firmware.")
    return code


def _compared(name: str, runs: object, wanted: object) -> tuple[str, str]:
    said, here = (f"{value:08x}" if isinstance(value, int) else str(value) for value in (runs, wanted))
    return name.replace("_hash", ""), said if said == here else f"{said}, not {here}"
