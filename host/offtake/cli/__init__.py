"""The command line: one file per verb. Errors become one line on stderr and an exit code here, and only here."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from offtake.cli import (
    bench,
    budget,
    collect,
    compare,
    export,
    flash,
    prepare,
    probe,
    pull,
    report,
    salvage,
    show,
    spec,
    verify,
)
from offtake.errors import EXIT_INTERRUPTED, EXIT_IO, EXIT_USAGE, OfftakeError
from offtake.memory import keep_freed_memory

VERBS = (probe, budget, flash, prepare, pull, verify, salvage, export, report, compare, collect, bench, spec)

_ABOUT = "Logs a navigation receiver's serial line to a card, and reads the log back."
_ORDER = """\
in the order of the job:
  offtake budget --baud 57600                     will board and card do?
  offtake probe /dev/ttyUSB0                      which pad, which speed?
  offtake flash /dev/ttyUSB0                      the firmware onto the board
  offtake prepare /media/card --baud 57600        a journal onto the card
  offtake pull /media/card -o day1.jnl            the journal off the card
  offtake verify day1.jnl                         is it whole?
  offtake export day1.jnl --to gpx,csv -o day1    the track
  offtake report day1.jnl -o day1.html            how it went, in pictures
  offtake compare before.bin day1.jnl             did the tap do any harm?
  offtake collect journals -o season              many journals, one dataset

exit codes: 0 clean, 1 damage or a failed check, 2 usage, 3 input/output,
130 interrupted. `offtake VERB --help` tells more, with an example each.
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command line; returns the exit code. argparse itself exits with 2, or with 0 after --help."""
    try:
        options = _parser().parse_args(arguments)
        keep_freed_memory()
        code: int = options.run(options)
        sys.stdout.flush()
        return code
    except OfftakeError as error:
        sys.stderr.write(show.error_text(f"offtake: {error}", sys.stderr.isatty()) + "\n")
        return error.exit_code
    except KeyboardInterrupt:
        sys.stderr.write("offtake: interrupted\n")
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of our output, a pager say, has seen enough. Python must not complain again when it ends; and what
        # was not said must not count as clean.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_IO


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one line, like every other error."""

    def error(self, message: str) -> NoReturn:
        self.exit(EXIT_USAGE, f"offtake: {message} (`{self.prog} --help` tells more)\n")


def _parser() -> argparse.ArgumentParser:
    layout = argparse.RawDescriptionHelpFormatter
    parser = _Parser(prog="offtake", description=_ABOUT, epilog=_ORDER, formatter_class=layout)
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True, parser_class=_Parser)
    for verb in VERBS:
        verb.add(verbs)
    return parser
