"""`offtake report`: one page that tells how a recording went."""

from __future__ import annotations

import argparse
from pathlib import Path

from offtake.cli import show
from offtake.cli.options import Verbs, add_hearing, add_verb
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE

_MORE = """\
A summary in words, then pictures, in one HTML file that opens offline. The
answers are printed here too. The exit code is 1 when the journal is damaged;
what can be salvaged of it is in the report all the same."""


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    about = "make a page that tells how a recording went"
    parser = add_verb(verbs, "report", about, "offtake report day1.jnl -o day1.html --png day1_pictures", run, _MORE)
    parser.add_argument("file", type=Path, metavar="FILE", help="journal file, card image or mounted card")
    parser.add_argument("-o", "--output", type=Path, metavar="PAGE.html", help="default: FILE's name with .html, here")
    parser.add_argument("--png", type=Path, metavar="DIR", help="write the pictures as PNG files into DIR too")
    parser.add_argument("--run", type=int, dest="run_number", metavar="N", help="only this run")
    add_hearing(parser)
    parser.add_argument("--replace", action="store_true", help="overwrite existing files")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.jobs.report import report
    from offtake.jobs.runs import hearing

    page = options.output or Path(options.file.with_suffix(".html").name)
    how = hearing(options.dialect, options.latency_ms)
    with show.watching("report") as watch:
        done = report(
            options.file, page, pictures=options.png, run=options.run_number, how=how, replace=options.replace,
            watch=watch,
        )  # fmt: skip
    if options.json:
        show.emit_json("report", show.plain(done))
    else:
        for answer in done.answers:
            show.paragraph(answer, indent=2)
        for note in done.notes:
            show.paragraph(f"note: {show.label_text(note)}")
        print(f"\n{done.page_bytes:,} bytes, {done.page}")
        if done.pictures:
            print(f"{len(done.pictures)} pictures, {options.png}")
    return EXIT_CLEAN if done.clean else EXIT_DAMAGE
