"""`offtake prepare`: a new journal on a card."""

from __future__ import annotations

import argparse
from pathlib import Path

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb, journal_id, size
from offtake.errors import EXIT_CLEAN

_MORE = """\
TARGET is the folder a FAT16 or FAT32 card is mounted at, the file of a card
image, or the serial port of a logger with a prepared card in it (the journal
keeps its size then)."""


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    example = 'offtake prepare /media/card --size 1GiB --baud 57600 --label "first day"'
    parser = add_verb(verbs, "prepare", "put a new journal on a card", example, run, _MORE)
    parser.add_argument("target", type=Path, metavar="TARGET", help="card folder, card image or serial port")
    parser.add_argument("--size", type=size, default=256 * 2**20, help="the journal's size (256MiB)")
    parser.add_argument("--baud", type=int, default=57_600, help="the receiver's speed (57600)")
    parser.add_argument("--label", default="", help="your name for this journal, up to 32 bytes")
    parser.add_argument(
        "--when-full", choices=("stop", "wrap"), default="stop", help="stop, or go on over the oldest blocks (stop)"
    )
    parser.add_argument("--gap-bytes", type=int, default=4, help="a pause this long, in bytes, ends a burst (4)")
    parser.add_argument("--close-ms", type=int, default=700, help="a block is closed at this age (700)")
    parser.add_argument("--supply-s", type=int, default=10, help="seconds between supply readings (10)")
    parser.add_argument("--journal-id", type=journal_id, help="8 hex digits, in place of a random id")
    parser.add_argument("--replace", action="store_true", help="give up the journal that is on the card")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.jobs.header import Settings
    from offtake.jobs.prepare import prepare

    settings = Settings(
        baud=options.baud,
        when_full=options.when_full,
        label=options.label,
        gap_bytes=options.gap_bytes,
        close_ms=options.close_ms,
        supply_s=options.supply_s,
        journal_id=options.journal_id,
    )
    with show.progress("writing") as progress:
        done = prepare(options.target, settings, options.size, replace=options.replace, progress=progress)
    if options.json:
        values = show.plain(done)
        values["header"]["journal_id"] = show.id_text(done.header.journal_id)
        values["replaced_id"] = None if done.replaced_id is None else show.id_text(done.replaced_id)
        show.emit_json("prepare", values)
        return EXIT_CLEAN
    pairs: list[tuple[str, object]] = [
        ("journal", show.id_text(done.header.journal_id)),
        ("where", done.where),
        ("size", f"{done.size_bytes:,} bytes, {done.header.blocks:,} blocks"),
        ("baud", f"{done.header.baud:,}"),
        ("when full", done.header.when_full.name.lower()),
        ("label", show.label_text(done.header.label)),
    ]
    if done.pieces is not None:
        pairs.append(("pieces", done.pieces))
    if done.replaced:
        pairs.append(("replaced", f"journal {show.id_text(done.replaced_id)}"))
    show.facts(pairs)
    return EXIT_CLEAN
