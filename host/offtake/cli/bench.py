"""`offtake bench`: a scenario on the simulated board."""

from __future__ import annotations

import argparse
from pathlib import Path

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE

_MORE = """\
The real firmware image runs in an emulator against the scenario's receiver,
card and power cut. DIR gets card.img, the card as the cut left it, and
sent.bin, the bytes the receiver sent."""


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    about = "run a scenario on the simulated board"
    example = "offtake bench demo_data/kayak_survey.toml -o /tmp/kayak"
    parser = add_verb(verbs, "bench", about, example, run, _MORE)
    parser.add_argument("scenario", type=Path, metavar="SCENARIO.toml", help="the scenario")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="DIR", help="the folder for what comes out")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.jobs.bench import bench

    done = bench(options.scenario, options.output)
    ran = done.run
    code = EXIT_DAMAGE if ran.passive is False else EXIT_CLEAN
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
            ("card", done.card),
            ("bytes sent", done.sent),
        ]
    )
    return code
