"""`offtake spec`: check the definitions, generate what comes from them, add a message, make a release."""

from __future__ import annotations

import argparse
from pathlib import Path

from offtake.cli import show, spec_add, spec_costs, spec_words
from offtake.cli.options import Verbs, add_verb
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE


def add(verbs: Verbs) -> None:
    """Adds the verb and its parts."""
    layout = argparse.RawDescriptionHelpFormatter
    parser = verbs.add_parser(
        "spec",
        help="check the definitions, generate from them, add a message",
        description="Checks shared_spec, generates the C, the Python and the reference page from\n"
        "it, adds a message to it, or makes it a release, after which it only grows.",
        epilog="example:\n  offtake spec generate --check",
        formatter_class=layout,
    )
    parts = parser.add_subparsers(
        dest="part", metavar="check|generate|add|publish", required=True, parser_class=type(parser)
    )
    check = add_verb(
        parts, "check", "read every definition strictly, and say what each message costs",
        "offtake spec check --at analogue_ms=100", run_check,
    )  # fmt: skip
    spec_costs.add_options(check)
    generate = add_verb(parts, "generate", "write the generated files", "offtake spec generate", run_generate)
    generate.add_argument("--check", action="store_true", help="write nothing; exit code 1 when a file is not current")
    adds = spec_add.add(parts)
    publish = add_verb(
        parts, "publish", "make the definitions a release: from then on they only grow", "offtake spec publish",
        run_publish, "Writes shared_spec/published.lock, which is committed with the definitions.",
    )  # fmt: skip
    publish.add_argument("--check", action="store_true", help="write nothing; exit code 1 when there is something to")
    for part in (check, generate, adds, publish):
        part.add_argument("--root", type=Path, metavar="DIR", help="the checkout (the one this program is from)")


def run_check(options: argparse.Namespace) -> int:
    """Runs `spec check`."""
    from offtake.jobs.spec import check

    spec_words.tell_checkout(options.root)
    found = check(options.root, spec_costs.asked(options))
    code = EXIT_DAMAGE if found.broken else EXIT_CLEAN
    if options.json:
        costs = spec_costs.costs_json(found.costs) if found.costs else None
        facts = {**show.plain(found), "layout_hash": f"{found.layout_hash:08x}", "costs": costs}
        show.emit_json("spec_check", facts)
        return code
    if found.broken:
        spec_words.show_findings(found.broken)
        print()
        show.paragraph(f"refused: {len(found.broken)} mistake{'s' if len(found.broken) > 1 else ''}")
        return code
    show.facts(
        [
            ("definitions", found.folder),
            ("layout hash", f"{found.layout_hash:08x}"),
            ("release", _release(found.release, found.unpublished)),
            ("messages", ", ".join(found.messages)),
            ("packets", f"{found.packets}"),
            ("boards", ", ".join(found.boards)),
            ("dialects", ", ".join(found.dialects)),
            ("generated", _generated(found.stale)),
        ]
    )
    if found.costs:
        print()
        spec_costs.show_costs(found.costs)
        for name, size in found.tails.items():
            show.paragraph(f"The field of any length in {name} may have at most {size} bytes.")
    if found.warnings:
        print()
        spec_words.show_findings(found.warnings, "warning: ")
    return code


def _release(number: int | None, unpublished: tuple[str, ...]) -> str:
    if number is None:
        return "none yet (offtake spec publish)"
    additions = f"{len(unpublished)} addition{'s' if len(unpublished) > 1 else ''}"
    return f"{number} and {additions} (offtake spec publish)" if unpublished else f"{number}"


def _generated(stale: tuple[Path, ...]) -> str:
    if not stale:
        return "current"
    return f"{len(stale)} file{' is' if len(stale) == 1 else 's are'} not current (offtake spec generate)"


def run_generate(options: argparse.Namespace) -> int:
    """Runs `spec generate`."""
    from offtake.jobs.spec import generate

    spec_words.tell_checkout(options.root)
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


def run_publish(options: argparse.Namespace) -> int:
    """Runs `spec publish`."""
    from offtake.jobs.spec import publish

    spec_words.tell_checkout(options.root)
    done = publish(options.root, write=not options.check)
    code = EXIT_DAMAGE if options.check and done.is_new else EXIT_CLEAN
    if options.json:
        show.emit_json("spec_publish", {**show.plain(done), "layout_hash": f"{done.layout_hash:08x}"})
        return code
    if not done.is_new:
        show.paragraph(f"nothing new since release {done.number} (layout {done.layout_hash:08x})")
        return code
    show.paragraph(f"release {done.number} (layout {done.layout_hash:08x}) {'adds' if done.written else 'would add'}")
    for line in done.added:
        show.paragraph(f"  {line}", indent=4)
    if done.warnings:
        print()
        spec_words.show_warnings(done.warnings)
    if done.written:
        show.paragraph(f"written: {done.path}")
        show.paragraph("next: offtake spec generate, then commit both with the definitions")
    return code
