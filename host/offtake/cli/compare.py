"""`offtake compare`: did the tap disturb the receiver?"""

from __future__ import annotations

import argparse
from pathlib import Path

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE

_MORE = """\
BEFORE was recorded without the tap, AFTER with it: journals, card images,
mounted cards, or plain files of the receiver's bytes. At least ten minutes
each, at rest, with the antenna at the same place; best at the same hour, when
GPS satellites stand nearly where they stood the day before. GSV and GSA must be
on, or nothing is known of the satellites.

Each measure says one of: no harm seen (its 95 % interval excludes a change of
the smallest size that matters), worse (beyond chance, all measures together),
better, too short to tell, not comparable. The exit code is 0 where no harm was
seen, and 1 otherwise: worse, or too short to tell, since then nothing was
shown."""


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    about = "say whether the tap disturbed the receiver"
    parser = add_verb(verbs, "compare", about, "offtake compare before.jnl after.jnl -o tap.html", run, _MORE)
    parser.add_argument("before", type=Path, metavar="BEFORE", help="a recording without the tap")
    parser.add_argument("after", type=Path, metavar="AFTER", help="a recording with it")
    parser.add_argument("-o", "--output", type=Path, metavar="PAGE.html", help="make a page with pictures too")
    parser.add_argument("--png", type=Path, metavar="DIR", help="write the pictures as PNG files into DIR too")
    parser.add_argument("--run-before", type=int, metavar="N", help="which run of BEFORE (most bytes)")
    parser.add_argument("--run-after", type=int, metavar="N", help="which run of AFTER (most bytes)")
    parser.add_argument(
        "--dialect", type=Path, action="append", default=[], metavar="FILE.toml", help="a dialect of your own, beside"
        " the built-in ones; may be given more than once",
    )  # fmt: skip
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="of the bootstrap's random numbers (1)")
    parser.add_argument("--replace", action="store_true", help="overwrite existing files")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.compare.terminal import lines
    from offtake.jobs.compare import Output, compare
    from offtake.jobs.runs import hearing

    done = compare(
        options.before,
        options.after,
        runs=(options.run_before, options.run_after),
        how=hearing(options.dialect),
        seed=options.seed,
        output=Output(options.output, options.png, options.replace),
    )
    if options.json:
        show.emit_json("compare", show.plain(done))
    else:
        print("\n".join(lines(done.comparison)))
        if done.page is not None:
            print(f"\n{done.page_bytes:,} bytes, {done.page}")
        if done.pictures:
            print(f"{len(done.pictures)} pictures, {options.png}")
    return EXIT_CLEAN if done.comparison.passed else EXIT_DAMAGE
