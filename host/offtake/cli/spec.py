"""`offtake spec`: check the definitions, and generate what comes from them."""

from __future__ import annotations

import argparse
from pathlib import Path

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE


def add(verbs: Verbs) -> None:
    """Adds the verb and its two halves."""
    layout = argparse.RawDescriptionHelpFormatter
    parser = verbs.add_parser(
        "spec",
        help="check the definitions, or generate from them",
        description="Checks shared_spec, or generates the C, the Python and the reference page from it.",
        epilog="example:\n  offtake spec generate --check",
        formatter_class=layout,
    )
    halves = parser.add_subparsers(dest="half", metavar="check|generate", required=True, parser_class=type(parser))
    check = add_verb(halves, "check", "read every definition strictly", "offtake spec check", run_check)
    generate = add_verb(halves, "generate", "write the generated files", "offtake spec generate", run_generate)
    generate.add_argument("--check", action="store_true", help="write nothing; exit code 1 when a file is not current")
    for half in (check, generate):
        half.add_argument("--root", type=Path, metavar="DIR", help="the checkout (the one this program is from)")


def run_check(options: argparse.Namespace) -> int:
    """Runs `spec check`."""
    from offtake.jobs.spec import check

    found = check(options.root)
    if options.json:
        show.emit_json("spec_check", {**show.plain(found), "layout_hash": f"{found.layout_hash:08x}"})
        return EXIT_CLEAN
    show.facts(
        [
            ("definitions", found.folder),
            ("layout hash", f"{found.layout_hash:08x}"),
            ("messages", ", ".join(found.messages)),
            ("packets", f"{found.packets}"),
            ("boards", ", ".join(found.boards)),
            ("dialects", ", ".join(found.dialects)),
        ]
    )
    return EXIT_CLEAN


def run_generate(options: argparse.Namespace) -> int:
    """Runs `spec generate`."""
    from offtake.jobs.spec import generate

    done = generate(options.root, write=not options.check)
    code = EXIT_DAMAGE if options.check and done.stale else EXIT_CLEAN
    if options.json:
        show.emit_json("spec_generate", show.plain(done))
        return code
    for path in done.stale:
        print(f"{'not current' if options.check else 'written'}: {path}")
    if not done.stale:
        print("every generated file is current")
    return code
