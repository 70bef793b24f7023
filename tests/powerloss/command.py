"""The command ``tests/cuts``: power-loss campaigns, a table of what they found, and the replay of a single cut."""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

from campaign import Campaign
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE, EXIT_INTERRUPTED, OfftakeError, UsageError
from runner import Outcome, Stage, campaigns, chosen, make_level, run_all, stage_of

SCHEMA = 1
SHOWN = 10
HELP = """examples:
  tests/cuts                                  the quick set, about a minute and a half
  tests/cuts --long --share 1/2               half of the long set; the other half on another core
  tests/cuts --campaign wrap_torn --long      one campaign, all of it
  tests/cuts --replay wrap_torn:host:w7.b203  one cut again, with the hashes of the card's image
"""


def parse(arguments: list[str]) -> argparse.Namespace:
    """The command's options."""
    parser = argparse.ArgumentParser(
        prog="tests/cuts",
        description="Cuts the power, resets the chip, pulls the card, and checks what the promises say.",
        epilog=HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--long", action="store_true", help="at least 10,000 cuts")
    parser.add_argument("--share", default="1/1", metavar="K/N", help="only part K of N, to split over cores")
    parser.add_argument("--campaign", action="append", default=[], metavar="NAME", help="only this one (repeatable)")
    parser.add_argument("--list", action="store_true", help="the campaigns; with --campaign its cuts")
    parser.add_argument("--replay", metavar="ID", help="play one cut again, by the name that a failure gives")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the result there too")
    return parser.parse_args(arguments)


def main(arguments: list[str]) -> int:
    """Runs the command; the exit code: 0 clean, 1 a promise broken, 2 usage, 3 input or output."""
    options = parse(arguments)
    try:
        if options.replay:
            return replay(options.replay, options.json)
        part, parts = read_share(options.share)
        selected = select(options.campaign)
        if options.list:
            return show_list(selected, options, part, parts)
        return run(selected, options, part, parts)
    except OfftakeError as error:
        print(f"tests/cuts: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print("tests/cuts: interrupted", file=sys.stderr)
        return EXIT_INTERRUPTED


def read_share(text: str) -> tuple[int, int]:
    """``K/N`` as numbers. UsageError for anything else."""
    part, slash, parts = text.partition("/")
    if not (slash and part.isdecimal() and parts.isdecimal() and 1 <= int(part) <= int(parts)):
        raise UsageError(f"--share {text}", expected="such as 1/2")
    return int(part), int(parts)


def select(names: list[str]) -> list[Campaign]:
    """The campaigns of these names, or all. UsageError: there is none of a name."""
    known = campaigns()
    unknown = [name for name in names if name not in known]
    if unknown:
        raise UsageError(f"no campaign {unknown[0]!r}", expected=f"one of {', '.join(known)}")
    return [known[name] for name in names] if names else list(known.values())


def show_list(selected: list[Campaign], options: argparse.Namespace, part: int, parts: int) -> int:
    """Prints the campaigns, or with names given their cuts."""
    for campaign in selected:
        stage = Stage(campaign, make_level(campaign.level))
        if options.campaign:
            print("\n".join(chosen(stage, long=options.long, part=part, parts=parts)))
        else:
            quick, long = (len(chosen(stage, long=which)) for which in (False, True))
            print(f"{campaign.name}: {campaign.level}, {quick} cuts quick, {long} long\n    {campaign.about}")
    return EXIT_CLEAN


def run(selected: list[Campaign], options: argparse.Namespace, part: int, parts: int) -> int:
    """Runs the campaigns and prints a row for each as it ends."""
    print(f"{'campaign':<20} {'level':<6} {'cuts':>6} {'failures':>9} {'cpu s':>8}", flush=True)
    rows: list[dict[str, Any]] = []
    lines: list[str] = []
    for campaign in selected:
        began = time.process_time()
        stage = Stage(campaign, make_level(campaign.level))
        names = chosen(stage, long=options.long, part=part, parts=parts)
        outcomes = list(run_all(stage, names))
        failed = [failure for outcome in outcomes for failure in outcome.failures]
        took = time.process_time() - began
        bad = sum(1 for outcome in outcomes if outcome.failures)
        print(f"{campaign.name:<20} {campaign.level:<6} {len(names):>6} {bad:>9} {took:>8.1f}", flush=True)
        rows.append({"campaign": campaign.name, "level": campaign.level, "cuts": len(names), "failures": bad})
        rows[-1]["failed"] = [vars(failure) for failure in failed]
        lines += [str(failure) for failure in failed[:SHOWN]]
        if len(failed) > SHOWN:
            lines.append(f"{campaign.name}: {len(failed) - SHOWN} more broken promises")
    cuts, bad = (sum(row[key] for row in rows) for key in ("cuts", "failures"))
    print(f"{'in all':<20} {'':<6} {cuts:>6} {bad:>9}")
    for line in lines:
        print(line)
    which = "long" if options.long else "quick"
    write_json(options.json, {"set": which, "share": options.share, "cuts": cuts, "failures": bad, "campaigns": rows})
    verdict = f"{bad} broke a promise" if bad else "no promise broken"
    print(f"{which} set, share {options.share}: {cuts} cuts, {verdict}")
    return EXIT_DAMAGE if bad else EXIT_CLEAN


def replay(name: str, to: Path | None) -> int:
    """Plays one cut again and prints the image's hash after every power-on."""
    stage = stage_of(name)
    trial = stage.trial(name)
    outcome: Outcome = stage.run(name, hashes=True)
    print(f"{name}: {trial.fault.kind}")
    steps = [f"after cut {number}" for number in range(1, len(trial.moments) + 1)]
    for step, digest in zip([*steps, "after a start alone", "after recovery"], outcome.hashes, strict=True):
        print(f"  {step:<20} {digest}")
    for failure in outcome.failures:
        print(failure)
    failed = [vars(failure) for failure in outcome.failures]
    write_json(to, {"cut": name, "hashes": list(outcome.hashes), "failed": failed})
    print("a promise was broken" if failed else "no promise broken")
    return EXIT_DAMAGE if failed else EXIT_CLEAN


def write_json(to: Path | None, result: dict[str, Any]) -> None:
    """Writes the result with its schema version, where a file was named."""
    if to is not None:
        to.write_text(json.dumps({"schema": SCHEMA, **result}, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
