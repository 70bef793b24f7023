"""`offtake salvage`: what a damaged journal still proves, and where every byte went."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE

_SHOWN = 40
_MORE = """\
Only frames whose checks pass are taken, and every byte of the file is
accounted for: recovered and skipped bytes add up to its size. `offtake export`
exports what is recovered."""


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    about = "recover what a damaged journal still holds"
    parser = add_verb(verbs, "salvage", about, "offtake salvage cut.jnl -o recovered.bin", run, _MORE)
    parser.add_argument("file", type=Path, metavar="FILE", help="journal file, card image or mounted card")
    parser.add_argument(
        "-o", "--output", type=Path, metavar="RECOVERED.bin", help="write the receiver's bytes of all runs, in order"
    )
    parser.add_argument("--replace", action="store_true", help="overwrite RECOVERED.bin")
    parser.add_argument("--frames", action="store_true", help="list every frame")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.card import open_journal
    from offtake.jobs.runs import damaged_bytes
    from offtake.jobs.salvage import write_recovered
    from offtake.journal.described import description_notes, message_name
    from offtake.journal.salvage import salvage

    with show.watching("salvage") as watch, open_journal(options.file) as opened:
        watch.over(opened, "reading")
        found = salvage(opened, str(options.file))
        surveyed = found.survey()
        runs, notes = surveyed.runs, description_notes(surveyed)
        written = None
        if options.output is not None:
            written = write_recovered(found, options.output, options.file, replace=options.replace, watch=watch)
        frames: list[dict[str, Any]] = []
        for frame in found.frames() if options.frames else ():
            name = message_name(surveyed, frame)
            row = {"position": frame.position, "offset": frame.offset, "block_number": frame.block_number}
            sizes = {"run": frame.likely_run, "tick": frame.likely_tick, "message": name, "bytes": len(frame.payload)}
            frames.append({**row, **sizes, "block_intact": frame.block_intact})
    account = found.account
    damaged = damaged_bytes(account)
    code = EXIT_DAMAGE if damaged else EXIT_CLEAN
    if options.json:
        values: dict[str, Any] = {
            "journal_id": None if found.journal_id is None else show.id_text(found.journal_id),
            "journal_id_from": found.id_from,
            "header_status": found.header_status,
            "account": {**show.plain(account), "recovered": account.recovered, "skipped_bytes": account.skipped_bytes},
            "damaged_bytes": damaged,
            "runs": runs,
            "notes": notes,
            "written": None if written is None else {"path": options.output, "bytes": written},
        }
        show.emit_json("salvage", {**values, **({"frames": frames} if options.frames else {})})
        return code
    show.facts(
        [
            ("journal", show.id_text(found.journal_id)),
            ("size", f"{account.size:,} bytes"),
            ("recovered", f"{account.recovered:,} bytes ({account.frames:,} frames and the blocks around them)"),
            ("skipped", f"{account.skipped_bytes:,} bytes"),
            *((f"  {reason}", f"{count:,}") for reason, count in sorted(account.skipped.items())),
        ]
    )
    print()
    rows = [(r.run, r.first_block, r.last_block, r.frames, r.raw_bytes, r.lost_bytes) for r in runs]
    show.table(("run", "first block", "last block", "frames", "bytes", "lost"), rows)
    show.frames_by_run(runs, notes)
    told = [extent for extent in account.extents if extent.reason not in ("fill", "foreign_journal")]
    if told:
        print()
        show.table(("at byte", "bytes", "skipped for"), [(e.offset, e.length, e.reason) for e in told[:_SHOWN]])
        if len(told) > _SHOWN or account.extents_left_out:
            print(f"and {len(told) - min(len(told), _SHOWN) + account.extents_left_out:,} more (--json lists them)")
    if frames:
        print()
        heads = ("block", "at byte", "number", "run", "tick", "message", "bytes")
        keys = ("position", "offset", "block_number", "run", "tick", "message", "bytes")
        show.table(heads, [["-" if row[key] is None else row[key] for key in keys] for row in frames])
    if written is not None:
        print(f"\n{written:,} bytes of the receiver in {options.output}")
    return code
