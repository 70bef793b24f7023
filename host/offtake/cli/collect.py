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
copies of a journal the one that reaches furthest is taken; another recording
that has a journal's id, as a cloned card makes it, is set aside. What cannot be
taken is set aside (DATASET/_offtake/set_aside.json says why) and tried again when it
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
    from offtake.jobs.collect_result import Told

    settings = Settings(
        tuple(options.dialect), options.latency_ms, options.workers, options.scheduler, options.again
    )  # fmt: skip
    with show.watching("") as watch:
        done = collect(options.folder, options.output, settings, watch)
    code = EXIT_DAMAGE if done.set_aside or done.damaged else EXIT_CLEAN
    if options.json:
        show.emit_json("collect", show.plain(done))
        return code
    show.facts(
        [
            ("dataset", done.dataset),
            ("journals", f"{done.journals:,} in {done.parts:,} files, {done.size_bytes:,} bytes"),
            ("files", f"{done.files:,} in {options.folder}"),
            ("of these", f"taken {done.taken:,}, unchanged {done.unchanged:,}, moved {done.moved:,},"
             f" copies {len(done.copies):,}, set aside {len(done.set_aside):,}"),
            ("gone", f"{len(done.gone):,} of the journals are not in {options.folder} (they stay)"),
        ]
    )  # fmt: skip
    if not done.files:
        print(
            f"\nno journals in {options.folder} (files called *.jnl, or that begin as one)\nthe dataset stays as it is"
        )
    if done.rows:
        print()
        show.table(("rows", "message"), [(count, message) for message, count in done.rows.items()])
    copies = tuple(Told(one.path, f"copy; taken from {one.preferred}: {one.text}") for one in done.copies)
    for head, told in (
        ("set aside", done.set_aside), ("copies", copies), ("damaged", done.damaged), ("notes", done.notes)
    ):  # fmt: skip
        if told:
            print(f"\n{head}")
        for one in told[:_SHOWN]:
            show.paragraph(f"{show.label_text(one.path)}: {show.label_text(one.text)}")
        if len(told) > _SHOWN:
            print(f"and {len(told) - _SHOWN:,} more (--json lists them)")
    return code
