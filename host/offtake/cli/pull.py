"""`offtake pull`: a journal from a logger, a card or an image into a file."""

from __future__ import annotations

import argparse
from pathlib import Path

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE, UsageError

_MORE = """\
SOURCE is the serial port of a logger, the folder a card is mounted at, a card
image, a card's device or a journal file. Only the used part is pulled. Every
block is checked as it comes, and what fails is read again. A pull that was
broken off goes on when the same command is given again."""


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    example = "offtake pull /dev/ttyUSB0 -o day1.jnl --speed 1000000"
    parser = add_verb(verbs, "pull", "copy a journal from a logger or a card into a file", example, run, _MORE)
    parser.add_argument("source", type=Path, metavar="SOURCE", help="serial port, card, card image or journal file")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="the file to make; never overwritten")
    parser.add_argument(
        "--speed", type=int, default=0, metavar="BAUD", help="speed at the port (the fastest the logger takes)"
    )
    parser.add_argument("--list", action="store_true", help="only list the journal's runs")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    if options.list:
        return _list(options)
    if options.output is None:
        raise UsageError("no file to pull into", expected="-o FILE, or --list")
    from offtake.jobs.pull import pull_from

    with show.progress("pulling") as progress:
        done = pull_from(options.source, options.output, speed=options.speed, progress=progress)
    code = EXIT_DAMAGE if done.not_intact_count else EXIT_CLEAN
    if options.json:
        show.emit_json("pull", {**show.plain(done), "journal_id": show.id_text(done.journal_id)})
        return code
    show.facts(
        [
            ("journal", show.id_text(done.journal_id)),
            ("from", done.source),
            ("file", done.target),
            ("size", f"{done.size_bytes:,} bytes, {done.blocks:,} blocks"),
            ("pulled earlier", f"{done.resumed_bytes:,} bytes"),
            ("asked again", f"{done.asked_again:,} times"),
            ("unreadable", f"{done.unreadable_sectors:,} sectors"),
            ("not intact", f"{done.not_intact_count:,} blocks"),
        ]
    )
    if done.not_intact:
        print()
        show.table(("block", "what its check says"), [(found.position, found.status) for found in done.not_intact[:20]])
        print("They are in the file as they lie on the card; `offtake salvage` takes\nwhat is left in them.")
    return code


def _list(options: argparse.Namespace) -> int:
    from offtake.jobs.pull import runs_of

    found = runs_of(options.source)
    if options.json:
        show.emit_json("pull", {"journal_id": show.id_text(found.journal_id), "runs": found.runs})
        return EXIT_CLEAN
    print(f"journal {show.id_text(found.journal_id)}")
    show.table(("run", "first block", "last block"), [(r.run, r.first_block, r.last_block) for r in found.runs])
    return EXIT_CLEAN
