"""`offtake bench`: a scenario on the simulated board."""

from __future__ import annotations

import argparse
import signal
import sys
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE, UsageError

_MORE = """\
The real firmware image runs in an emulator against the scenario's receiver,
card and power cut. DIR gets card.img, the card as the cut left it, and
sent.bin, the bytes the receiver sent.

With --line the receiver's line is put on a serial port instead, for `offtake
probe`; with --desk the board stands at the desk on a port, with DIR's card, for
`offtake pull`, or, empty but for a boot loader, for `offtake flash`. Both go on
until Ctrl-C."""


_PINS = {True: "never driven, their bus only pulled low", False: "DRIVEN BY THE FIRMWARE", None: "no sensors"}


class _Port(Protocol):
    port: str


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    about = "run a scenario on the simulated board"
    example = "offtake bench demo_data/kayak_survey.toml -o /tmp/kayak"
    parser = add_verb(verbs, "bench", about, example, run, _MORE)
    parser.add_argument("scenario", type=Path, metavar="SCENARIO.toml", help="the scenario")
    parser.add_argument("-o", "--output", type=Path, metavar="DIR", help="the folder for what comes out")
    stands = parser.add_mutually_exclusive_group()
    stands.add_argument("--line", action="store_true", help="put the receiver's line on a port")
    stands.add_argument("--desk", action="store_true", help="put the board on a port, with the card in DIR")
    only = "with --desk: a chip that holds nothing but this boot loader"
    parser.add_argument("--boot-loader", type=Path, metavar="FILE.hex", help=only)


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.jobs.bench import bench, desk_port, line_port

    if options.boot_loader is not None and not options.desk:
        raise UsageError("--boot-loader without --desk", expected="both, or neither")
    if options.line:
        return _stand(line_port(options.scenario), "the receiver's line", options)
    if options.output is None:
        raise UsageError("no folder", expected="-o DIR")
    if options.desk:
        return _stand(desk_port(options.scenario, options.output, options.boot_loader), "the board", options)
    done = bench(options.scenario, options.output)
    ran = done.run
    code = EXIT_DAMAGE if ran.passive is False or ran.only_inputs is False else EXIT_CLEAN
    if options.json:
        values = {key: value for key, value in show.plain(ran).items() if key not in ("sent", "eeprom")}
        more = {"scenario": done.scenario.name, "sent_bytes": len(ran.sent), "card": done.card, "sent": done.sent}
        show.emit_json("bench", {**values, **more})
        return code
    show.facts(
        [
            ("scenario", done.scenario.name),
            ("recorder", ran.recorder),
            ("power for", f"{ran.power_s:.3f} s"),
            ("receiver sent", f"{len(ran.sent):,} bytes"),
            ("reached the chip", f"{ran.reached:,} bytes"),
            ("lost by overrun", f"{ran.overrun_lost:,} bytes"),
            ("framing errors", f"{ran.framing_errors:,}"),
            ("blocks", f"{ran.blocks_accepted:,} accepted, {ran.blocks_durable:,} durable"),
            ("in flight at the cut", "nothing" if ran.in_flight is None else f"sector {ran.in_flight:,}"),
            ("tapped line", "DRIVEN BY THE FIRMWARE" if ran.passive is False else "never touched"),
            ("sensors' pins", _PINS[ran.only_inputs]),
            ("card", done.card),
            ("bytes sent", done.sent),
        ]
    )
    return code


def _stand(standing: AbstractContextManager[_Port], what: str, options: argparse.Namespace) -> int:
    """Keeps a port open until Ctrl-C, which is how this one ends when all is well."""
    with standing as port:
        if options.json:
            show.emit_json("bench", {"scenario": options.scenario, "stands": what, "port": port.port})
        else:
            show.facts([(what, f"simulated, on {port.port}"), ("to end it", "Ctrl-C")])
        sys.stdout.flush()
        try:
            signal.pause()
        except KeyboardInterrupt:
            return EXIT_CLEAN
    return EXIT_CLEAN
