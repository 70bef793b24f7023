"""`offtake collect`: a folder of journals into one dataset."""

from __future__ import annotations

import argparse
from pathlib import Path

from offtake.cli import show
from offtake.cli.options import Verbs, add_hearing, add_verb
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE

_SHOWN = 20
_MORE = """\
All journals in DIR and the folders in it, which are files called *.jnl or that
begin as one, become one dataset of Parquet files:
DATASET/logger=LABEL/run=N/message=NAME/part-JOURNAL.parquet, where NAME is
fixes, satellites, events, supply, loss, or a sensor's message. Nothing in DIR
is changed. Given again, only what is new or has changed is read. Of several
copies of a journal the one that reaches furthest is taken. What cannot be taken
is set aside (DATASET/_offtake/set_aside.json says why) and tried again when it
has changed; a damaged journal is taken as far as it can be salvaged. The exit
code is 1 while there are such. It may be interrupted at any moment."""


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    about = "bring a folder of journals into one Parquet dataset"
    parser = add_verb(verbs, "collect", about, "offtake collect journals -o season", run, _MORE)
    parser.add_argument("folder", type=Path, metavar="DIR", help="the folder with the journals")
    parser.add_argument(
        "-o", "--output", type=Path, required=True, metavar="DATASET", help="the dataset's folder, new or of before"
    )
    parser.add_argument(
        "--workers", type=int, default=0, metavar="N", help="processes to work with, of some 250 MiB each (1: this one)"
    )
    parser.add_argument(
        "--scheduler", default="", metavar="ADDRESS", help="work on the Dask cluster whose scheduler is at ADDRESS"
        " (tcp://HOST:8786); its workers must see DIR and DATASET under the same paths",
    )  # fmt: skip
    add_hearing(parser)
    parser.add_argument("--again", action="store_true", help="take everything anew")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.jobs.collect import Settings, collect

    settings = Settings(
        tuple(options.dialect), options.latency_ms, options.workers, options.scheduler, options.again
    )  # fmt: skip
    with show.watching("collecting") as watch:
        done = collect(options.folder, options.output, settings, watch)
    code = EXIT_DAMAGE if done.set_aside or done.damaged else EXIT_CLEAN
    if options.json:
        show.emit_json("collect", show.plain(done))
        return code
    show.facts(
        [
            ("dataset", done.dataset),
            ("journals", f"{done.journals:,} in {done.parts:,} files, {done.size_bytes:,} bytes"),
            ("files seen", f"{done.files:,}, of which {done.unchanged:,} are as they were"),
            ("taken now", f"{done.taken:,}"),
            ("known already", f"{done.same:,}"),
            ("copies", f"{done.copies:,}"),
        ]
    )
    if done.rows:
        print()
        show.table(("rows", "message"), [(count, message) for message, count in done.rows.items()])
    for head, told in (("set aside", done.set_aside), ("damaged", done.damaged), ("notes", done.notes)):
        if told:
            print(f"\n{head}")
        for one in told[:_SHOWN]:
            show.paragraph(f"{show.label_text(one.path)}: {show.label_text(one.text)}")
        if len(told) > _SHOWN:
            print(f"and {len(told) - _SHOWN:,} more (--json lists them)")
    return code
