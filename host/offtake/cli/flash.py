"""`offtake flash`: the firmware onto a board."""

from __future__ import annotations

import argparse

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb
from offtake.errors import EXIT_CLEAN

_MORE = """\
Builds the firmware with PlatformIO and the system's avr-gcc, and writes it
through the board's serial boot loader with avrdude."""


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    parser = add_verb(verbs, "flash", "write the firmware to a board", "offtake flash /dev/ttyUSB0", run, _MORE)
    parser.add_argument("port", metavar="PORT", help="the board's serial port")
    parser.add_argument("--board", default="atmega328p_16mhz", help="atmega328p_16mhz or atmega328p_8mhz (the first)")
    parser.add_argument("--speed", type=int, metavar="BAUD", help="the boot loader's speed, where it is unusual")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.firmware_build import upload

    output = upload(options.board, options.port, speed_bd=options.speed)
    if options.json:
        show.emit_json("flash", {"board": options.board, "port": options.port, "output": output.splitlines()})
    else:
        show.facts([("board", options.board), ("port", options.port), ("firmware", "written and read back equal")])
    return EXIT_CLEAN
