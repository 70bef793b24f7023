"""The command `tests/fuzz`: runs fuzz targets and the desk on the board, shows what came of it, replays findings."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from fuzz_bench import DeskReport, fuzz_desk
from fuzz_plant import planted_core
from fuzz_targets import PLANTED, TARGETS, WORK, Result, replay, run, unavailable
from offtake.errors import OfftakeError

SCHEMA = 1
EXIT_FOUND, EXIT_USAGE, EXIT_MISSING = 1, 2, 3
EPILOG = """\
Example: tests/fuzz --seconds 60                     every target for a minute
         tests/fuzz --target fat --seconds 600       one of them for longer
         tests/fuzz --target none --desk-seconds 180 the firmware's desk alone
         tests/fuzz --replay fat .build/fuzz/findings/fat/crash-...
         tests/fuzz --planted                        shows that a mistake is found
New inputs are kept in .build/fuzz/corpus and used again, findings in .build/fuzz/findings.
Exit code: 0 nothing found, 1 something found, 2 wrong call, 3 a tool is missing.
"""


def main(arguments: list[str] | None = None) -> int:
    """Runs the command; returns its exit code."""
    options = _parser().parse_args(arguments)
    try:
        if options.replay:
            return _replay(*options.replay)
        if options.planted:
            return _planted(options.seed)
        return _fuzz(options)
    except OfftakeError as error:
        print(f"fuzz: {error}", file=sys.stderr)
        return error.exit_code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="tests/fuzz",
        description="Fuzzes the decoders in C and Python, and the real firmware's desk on the bench.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    names = [*TARGETS, "all", "none"]
    parser.add_argument("--target", choices=names, default="all", metavar="NAME", help=f"one of {', '.join(names)}")
    parser.add_argument("--seconds", type=int, default=20, metavar="N", help="how long to fuzz each target (20)")
    parser.add_argument("--runs", type=int, metavar="N", help="executions of each target, instead of --seconds")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="where the random numbers begin (1)")
    parser.add_argument(
        "--desk-seconds", type=float, metavar="N", help="simulated seconds of the desk on the board (20; 0: not at all)"
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there")
    parser.add_argument("--replay", nargs=2, metavar=("TARGET", "FILE"), help="run one saved input")
    parser.add_argument("--planted", action="store_true", help="fuzz code with a mistake planted in it")
    return parser


def _fuzz(options: argparse.Namespace) -> int:
    chosen = [one for name, one in TARGETS.items() if options.target in (name, "all")]
    results, missing = [], []
    print(f"{'target':<12}{'engine':<11}{'executions':>11}{'branches':>16}{'inputs':>8}{'findings':>10}")
    for target in chosen:
        if reason := unavailable(target):
            missing.append(target.name)
            print(f"{target.name:<12}not run: {reason}")
            continue
        result = run(target, WORK, seed=options.seed, runs=options.runs, seconds=options.seconds)
        results.append(result)
        _show(result)
    wanted = options.desk_seconds
    seconds = wanted if wanted is not None else 20.0 if options.target == "all" else 0.0
    desk = fuzz_desk(options.seed, seconds) if seconds > 0 else None
    if desk:
        _show_desk(desk)
    if options.json:
        options.json.write_text(json.dumps(_figures(results, desk, options.seed), indent=1) + "\n", encoding="utf-8")
    found = sum(bool(one.reason) for one in results) + bool(desk and desk.failure)
    executions = sum(one.executions for one in results)
    verdict = f"{found} FOUND" if found else "nothing found"
    print(f"verdict: {verdict} in {executions:,} executions of {len(results)} targets" + _desk_words(desk))
    return EXIT_FOUND if found else EXIT_MISSING if missing else 0


def _show(result: Result) -> None:
    branches = f"{result.coverage_seeds} -> {result.coverage}"
    print(
        f"{result.target:<12}{result.engine:<11}{result.executions:>11,}{branches:>16}{result.corpus:>8}"
        f"{len(result.findings):>10}",
        flush=True,
    )
    if result.reason:
        print(f"  {result.reason[:76]}")
        for path in result.findings:
            print(f"  replay: tests/fuzz --replay {result.target} {path}")


def _show_desk(desk: DeskReport) -> None:
    print(
        f"{'desk, board':<12}{'bench':<11}{desk.actions:>11,}{f'{desk.seconds:.0f} s':>16}{desk.answers:>8}"
        f"{int(bool(desk.failure)):>10}"
    )
    if desk.failure:
        print(f"  {desk.failure}")
        print(f"  replay: tests/fuzz --target none --seed {desk.seed} --desk-seconds {desk.seconds:.1f}")


def _desk_words(desk: DeskReport | None) -> str:
    return f", {desk.seconds:.0f} s at the desk" if desk else ""


def _figures(results: list[Result], desk: DeskReport | None, seed: int) -> dict[str, Any]:
    rows = [
        {
            "target": one.target,
            "engine": one.engine,
            "executions": one.executions,
            "branches_of_the_seeds": one.coverage_seeds,
            "branches": one.coverage,
            "inputs": one.corpus,
            "findings": [str(path) for path in one.findings],
            "reason": one.reason,
        }
        for one in results
    ]
    return {"schema": SCHEMA, "seed": seed, "targets": rows, "desk": desk.figures() if desk else None}


def _replay(name: str, file: str) -> int:
    target = TARGETS.get(name) or (PLANTED if name == PLANTED.name else None)
    if target is None or not Path(file).is_file():
        print(f"fuzz: no such target or file: {name} {file}", file=sys.stderr)
        return EXIT_USAGE
    passed, output = replay(target, Path(file))
    print(output if not passed else f"{name}: {file} passes")
    print(f"verdict: {'passes' if passed else 'FAILS'}")
    return 0 if passed else EXIT_FOUND


def _planted(seed: int) -> int:
    """Fuzzes a copy of the core, and a Python target, that hold a mistake: both must be found."""
    lost = 0
    with TemporaryDirectory(prefix="offtake-fuzz-") as folder:
        core = planted_core(Path(folder) / "core")
        for target, where in ((TARGETS["frame"], core), (PLANTED, None)):
            result = run(target, Path(folder), seed=seed, runs=target.runs, core=where)
            lost += not result.findings
            words = f"found after {result.executions:,} executions: {result.reason}" if result.findings else "NOT FOUND"
            print(f"{target.name} ({result.engine}), with a mistake planted: {words}"[:160])
    print(f"verdict: {'both mistakes found' if not lost else f'{lost} mistakes NOT FOUND'}")
    return EXIT_FOUND if lost else 0


if __name__ == "__main__":
    sys.exit(main())
