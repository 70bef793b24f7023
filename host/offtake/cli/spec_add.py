"""The part of `offtake spec` that adds a message, by options or by questions."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from offtake.cli import show, spec_words
from offtake.cli.options import Verbs, add_verb
from offtake.errors import EXIT_CLEAN, UsageError

if TYPE_CHECKING:
    from offtake.jobs.spec_add import Added
    from offtake.spec.load import Loaded
    from offtake.spec.new_message import NewMessage

_MORE = """\
Without --field it asks, one thing at a time; ? explains a question. FIELD is
  NAME TYPE [UNIT] [LOW..HIGH] [scale=S] [fraction_bits=N] [count=N] [size=N]
  [enum=E] [flags=F]: WORDS
TYPE is u8, u16, u32, i8, i16, i32, bytes or text; the latter two without size
stand last and are of any length. S is a number such as 0.01, or 2^-N. LOW and
HIGH are in the unit, which is one word. CHOICES is
  NAME: choice = words; choice = words
"""
_EXAMPLE = (
    "offtake spec add soil --doc 'Soil moisture.' --at-most-hz 1 \\\n"
    "    --field 'moisture u16 % 0..100 scale=0.01: Water by volume.'"
)
_BESIDE = ("code", "doc", "at_most_hz", "interval", "enum", "flags")


def add(verbs: Verbs) -> argparse.ArgumentParser:
    """Adds the part."""
    parser = add_verb(verbs, "add", "add a message to the definitions", _EXAMPLE, run, _MORE)
    parser.add_argument("name", nargs="?", default="", metavar="NAME", help="the message's name")
    parser.add_argument("--code", metavar="N", help="its code, 64 to 127 (the first that is free)")
    parser.add_argument("--doc", metavar="WORDS", help="what it says")
    parser.add_argument("--at-most-hz", default="", metavar="HZ", help="most frames a second; 0: now and then (1)")
    parser.add_argument("--interval", default="", metavar="SETTING", help="the journal's setting that sets its rate")
    parser.add_argument(
        "--field", action="append", default=[], metavar="FIELD", help="a field; once for each, in order"
    )
    parser.add_argument("--enum", action="append", default=[], metavar="CHOICES", help="a new enum, values from 0 up")
    parser.add_argument(
        "--flags", action="append", default=[], metavar="CHOICES", help="a new flag set, bits from 0 up"
    )
    parser.add_argument("--dry-run", action="store_true", help="show what would be added, and write nothing")
    return parser


def run(options: argparse.Namespace) -> int:
    """Runs `spec add`."""
    from offtake.jobs.spec_add import add_message, open_spec

    spec_words.tell_checkout(options.root)
    loaded = open_spec(options.root)
    asked = not options.field
    message = _by_questions(options, loaded) if asked else _by_options(options, loaded)
    added = add_message(loaded, message, options.root, write=False)
    if asked and not options.dry_run:
        print(f"\n{added.text}", file=sys.stderr)
        if _ask("write it, yes or no", "yes").strip().lower() not in ("", "y", "yes"):
            raise UsageError("nothing was written")
    if not options.dry_run:
        added = add_message(loaded, message, options.root, write=True)
    if options.json:
        show.emit_json("spec_add", show.plain(added))
    else:
        _tell(added, shown=asked and added.written)
    return EXIT_CLEAN


def _by_options(options: argparse.Namespace, loaded: Loaded) -> NewMessage:
    from offtake.jobs.spec_add import free_code
    from offtake.spec.new_message import NewMessage, read_choices, read_field, read_name, read_number
    from offtake.spec.questions import read_code

    missing = [words for words, given in (("no NAME", options.name), ("no --doc", options.doc)) if not given]
    if missing:
        expected = "NAME --doc WORDS beside --field; or no --field, to be asked for everything"
        raise UsageError(" and ".join(missing), expected=expected)
    choices = [read_choices(text, is_flags=False) for text in options.enum]
    choices += [read_choices(text, is_flags=True) for text in options.flags]
    return NewMessage(
        name=read_name(options.name),
        code=read_code(options.code, loaded.spec) if options.code else free_code(loaded),
        doc=options.doc,
        at_most_hz=read_number(options.at_most_hz, "rate") if options.at_most_hz else "",
        interval=options.interval,
        fields=tuple(read_field(text) for text in options.field),
        choices=tuple(choices),
    )


def _by_questions(options: argparse.Namespace, loaded: Loaded) -> NewMessage:
    from offtake.jobs.spec_add import add_message, free_code
    from offtake.spec.questions import Asker, ask_message

    beside = [name for name in _BESIDE if getattr(options, name)]
    if beside:
        given = ", ".join(f"--{name.replace('_', '-')}" for name in beside)
        raise UsageError(f"{given} but no --field", expected="--field for each field; or NAME alone, to be asked")
    if options.json or not sys.stdin.isatty():
        raise UsageError("no --field", expected="--field for each field, or a terminal to be asked on")
    asker = Asker(_ask, lambda text: print(show.error_text(f"  {text}", True), file=sys.stderr))
    return ask_message(
        asker, loaded.spec, options.name, free_code(loaded),
        judge=lambda message: add_message(loaded, message, options.root, write=False),
    )  # fmt: skip


def _ask(question: str, default: str) -> str:
    print(f"{question} [{default}]: ", end="", file=sys.stderr, flush=True)
    line = sys.stdin.readline()
    if not line:
        raise UsageError("the answers ended", expected="an answer to each question; nothing was written")
    return line


def _tell(added: Added, shown: bool) -> None:
    show.paragraph(f"{'added to' if added.written else 'would go into'} {added.path}, line {added.line}")
    print("" if shown else f"\n{added.text}")
    spec_words.show_warnings(added.warnings)
    if added.written:
        print("next:")
        print("  offtake spec check      what it costs, and whether it fits")
        print("  offtake spec generate   C, Python, reference page")
        print(f"  in the firmware         {added.call}")
        print("  offtake spec publish    before the first log that is to be kept; then")
        print("  offtake spec generate   again, for the release's number")
