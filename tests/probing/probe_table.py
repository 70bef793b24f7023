"""The command tests/probes: what the probe makes of lines whose truth is known, as a confusion table."""

from __future__ import annotations

import argparse
import math
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "figures"))

import probe_campaign as campaign
from probe_case_names import name_of, parse_name
from probe_explain import explain
from probe_lines import Case
from probe_streams import KNOWN
from probe_verdicts import WRONG, Outcome
from probe_ways import BIT_TIME_WITHIN, WAYS, Judged, bit_time_errors, judge_case
from table_cli import run, verdict, write_json

WHAT = """\
Invented lines whose truth is known: receivers at 12 speeds, in 3 dialects and a
mix of them, at 5 levels of noise, in other framings, upside down; bytes nobody
knows; silence, loose tips, noise, clocks, other buses. Each is probed in two
ways: by walking over speeds with a simulated adapter (at most 20 s of the line),
and from a recording of 2 to 4 s of its edges. Receivers' clocks are up to 1.5 %
off, edges jitter by up to 5 % of a bit. Noise is the chance that a bit's whole
interval is turned over, on the idle line too.
Held to be right: receivers with at most 1 % of their bits wrong, and not upside
down where an adapter walks. Elsewhere "not sure" is as good as right.
With one seed it takes about fourteen minutes of both of two processors."""
REPORTED_SEED = 500
RIGHT_LEAST = 0.99
WRONG_MOST = 0.005
BIT_TIME_RIGHT_LEAST = 0.99
BIT_TIMES = 600
_GROUPS = {
    "silent": ("silent_high", "silent_low"),
    "floating": ("hum", "loose"),
    "noise": ("white", "clock", "other_bus"),
}


@dataclass
class Table:
    """All figures of one call. Counters are of outcomes; keys of the dictionaries are rows."""

    held: dict[str, Counter[Outcome]] = field(default_factory=dict)
    """By way."""
    rest: dict[str, Counter[Outcome]] = field(default_factory=dict)
    rows: dict[tuple[str, str], Counter[Outcome]] = field(default_factory=dict)
    """By way and what the line is."""
    bauds: dict[tuple[str, int], Counter[Outcome]] = field(default_factory=dict)
    """Held cases by way and speed."""
    seconds: list[float] = field(default_factory=list)
    """How long the walks over held cases took."""
    mixed: dict[str, Counter[bool]] = field(default_factory=dict)
    """By way, of held lines in three dialects: whether all three were named. None of them is rare on the line."""
    misses: list[Judged] = field(default_factory=list)
    """Wrong ones, and held ones that are not right."""
    bit_time_right: int = 0
    bit_times: int = 0

    def add(self, judged: Judged) -> None:
        """Counts one verdict."""
        case, way, found = judged.case, judged.way, judged.outcome
        is_held = campaign.is_held(way, case)
        part = self.held if is_held else self.rest
        for counters, key in ((part, way), (self.rows, (way, row_of(case)))):
            counters.setdefault(key, Counter())[found] += 1  # type: ignore[index]
        if is_held:
            self.bauds.setdefault((way, case.baud), Counter())[found] += 1
            if case.kind == "mixed":
                self.mixed.setdefault(way, Counter())[set(judged.verdict.dialects) == set(KNOWN["mixed"])] += 1
            if way == "walk":
                self.seconds.append(judged.seconds)
        if found in WRONG or (is_held and found is not Outcome.RIGHT):
            self.misses.append(judged)


def row_of(case: Case) -> str:
    """The row of the table that a case belongs to."""
    for name, kinds in _GROUPS.items():
        if case.kind in kinds:
            return name
    if case.kind.startswith("own"):
        return "unknown bytes"
    noise = f"{case.errors:.0e}".replace("e-0", "e-") if case.errors else "0"
    return f"{'inverted' if case.inverted else 'framings' if str(case.framing) != '8N1' else case.kind} {noise}"


def measure(cases: Iterable[Case], bit_times: int, seed: int, processes: int = 1, ways: Iterable[str] = WAYS) -> Table:
    """Judges every case in every way."""
    table = Table()
    work = [(way, case) for case in cases for way in ways]
    for judged in _judged(work, processes):
        table.add(judged)
    errors = bit_time_errors(seed, bit_times)
    table.bit_times = len(errors)
    table.bit_time_right = sum(error is not None and abs(error) <= BIT_TIME_WITHIN for error in errors)
    return table


def _judged(work: list[tuple[str, Case]], processes: int) -> Iterator[Judged]:
    if processes == 1:
        yield from (judge_case(*one) for one in work)
        return
    with ProcessPoolExecutor(processes) as pool:
        yield from pool.map(judge_case, *zip(*work, strict=True), chunksize=4)


def wilson(found: int, of: int) -> tuple[float, float]:
    """The interval of a share at 95 %, after Wilson; 0 to 1 where nothing was counted."""
    if of == 0:
        return 0.0, 1.0
    z2 = 1.959964**2
    share = found / of
    middle = (share + z2 / (2 * of)) / (1 + z2 / of)
    half = math.sqrt(z2 * (share * (1 - share) / of + z2 / (4 * of * of))) / (1 + z2 / of)
    return max(0.0, middle - half), min(1.0, middle + half)


def wrong_of(counts: Counter[Outcome]) -> int:
    """How many verdicts claim what is not so."""
    return sum(counts[one] for one in WRONG)


def crossed(table: Table) -> list[str]:
    """What breaks the limits, in sentences."""
    sentences = []
    for way, counts in table.held.items():
        if counts[Outcome.RIGHT] < RIGHT_LEAST * counts.total():
            share = counts[Outcome.RIGHT] / counts.total()
            sentences.append(f"{way}: {share:.4f} right up to 1 % bit errors, limit {RIGHT_LEAST}")
    for way, counts in table.rest.items():
        if wrong_of(counts) > WRONG_MOST * counts.total():
            share = wrong_of(counts) / counts.total()
            sentences.append(f"{way}: {share:.4f} wrong elsewhere, limit {WRONG_MOST}")
    if table.bit_time_right < BIT_TIME_RIGHT_LEAST * table.bit_times:
        share = table.bit_time_right / table.bit_times
        sentences.append(f"bit time: {share:.4f} within 1 %, limit {BIT_TIME_RIGHT_LEAST}")
    return sentences


def print_table(table: Table) -> None:
    """The figures, within 80 columns."""
    for way in dict.fromkeys(way for way, _ in table.rows):
        print(f"{way:<16} lines right unsure |" + "".join(f"{one.value:>{_width(one)}}" for one in WRONG))
        for name in sorted((name for of, name in table.rows if of == way), key=_order):
            print(f"  {name:<14}{_figures(table.rows[way, name])}")
        for name, part in (("held", table.held), ("elsewhere", table.rest)):
            if way in part:
                print(f"  {name:<14}{_figures(part[way])}")
        for name, counts, found in _shares(table, way):
            low, high = wilson(found, counts.total())
            share = f"{found / counts.total():.4f} (95 %: {low:.4f} to {high:.4f})"
            print(f"  {name}: {found} of {counts.total()}, {share}")
        if way in table.mixed:
            print(f"  held lines in three dialects, all named: {table.mixed[way][True]} of {table.mixed[way].total()}")
    bauds = sorted({baud for _, baud in table.bauds})
    for start in range(0, len(bauds), 6):
        some = bauds[start : start + 6]
        print("held, by speed  " + "".join(f"{baud:>10,}" for baud in some))
        for way in dict.fromkeys(way for way, _ in table.bauds):
            cells = (table.bauds.get((way, baud), Counter()) for baud in some)
            print(f"  {way + ' right':<14}" + "".join(f"{f'{one[Outcome.RIGHT]}/{one.total()}':>10}" for one in cells))
    if table.seconds:
        ordered = sorted(table.seconds)
        print("walks where held, 2 s for the tip to stay included:")
        print(f"  half at most {ordered[len(ordered) // 2]:.1f} s, 95 in 100 at most "
              f"{ordered[len(ordered) * 95 // 100]:.1f} s, the longest {ordered[-1]:.1f} s")  # fmt: skip
    if table.bit_times:
        low, high = wilson(table.bit_time_right, table.bit_times)
        print("bit time from 200 edges with 2 % jitter:")
        print(f"  within 1 % in {table.bit_time_right} of {table.bit_times} (95 %: {low:.4f} to {high:.4f})")


def _order(name: str) -> tuple[int, float]:
    """Rows by what the line is, then by noise."""
    first, _, noise = name.partition(" ")
    names = (*KNOWN, "framings", "inverted", "unknown", *_GROUPS)
    return names.index(first), float(noise) if noise and noise != "bytes" else 0.0


def _figures(counts: Counter[Outcome]) -> str:
    right, unsure = counts[Outcome.RIGHT], counts[Outcome.NOT_SURE]
    wrong = "".join(f"{counts[one] or '.':>{_width(one)}}" for one in WRONG)
    return f"{counts.total():>6,}{right:>6,}{unsure:>7,} |{wrong}"


def _width(one: Outcome) -> int:
    """Of its column, at least one blank included."""
    return max(6, len(one.value) + 1)


def _shares(table: Table, way: str) -> list[tuple[str, Counter[Outcome], int]]:
    shares = []
    if way in table.held:
        shares.append(("right where held", table.held[way], table.held[way][Outcome.RIGHT]))
    if way in table.rest:
        shares.append(("wrong elsewhere", table.rest[way], wrong_of(table.rest[way])))
    return shares


def content(table: Table) -> dict[str, Any]:
    """The figures for the JSON file."""
    return {
        "held": {way: dict(counts) for way, counts in table.held.items()},
        "elsewhere": {way: dict(counts) for way, counts in table.rest.items()},
        "rows": [{"way": way, "line": name, **counts} for (way, name), counts in table.rows.items()],
        "bauds": [{"way": way, "baud": baud, **counts} for (way, baud), counts in table.bauds.items()],
        "walk_seconds": sorted(round(one, 1) for one in table.seconds),
        "mixed_all_named": {way: {"all": counts[True], "of": counts.total()} for way, counts in table.mixed.items()},
        "bit_time": {"right": table.bit_time_right, "of": table.bit_times},
        "misses": [{"case": name_of(one.way, one.case), "outcome": one.outcome} for one in table.misses],
    }


def main(arguments: list[str]) -> int:
    """Runs the command."""
    parser = argparse.ArgumentParser(
        prog="tests/probes",
        description=WHAT,
        epilog="examples: tests/probes --quick --json probes.json\n"
        "          tests/probes --replay walk/text/9600/8E1/0.001/500",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--seeds", type=int, default=1, metavar="N", help="seeds of each line (default: 1)")
    parser.add_argument(
        "--seed", type=int, default=REPORTED_SEED, metavar="N", help=f"the first seed ({REPORTED_SEED})"
    )
    parser.add_argument("--quick", action="store_true", help="a few of everything, in about a minute")
    parser.add_argument("--way", choices=WAYS, help="one way only")
    parser.add_argument("--processes", type=int, default=2, metavar="N", help="so many at once (default: 2)")
    parser.add_argument("--misses", action="store_true", help="name what was wrong, to be replayed")
    parser.add_argument("--replay", metavar="CASE", help="play one case, as --misses names it, and explain it")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures to FILE too")
    options = parser.parse_args(arguments)
    if options.seeds < 1 or options.seed < 0 or options.processes < 1:
        parser.error("--seeds and --processes must be 1 or more, --seed 0 or more")
    if options.replay:
        judged = judge_case(*parse_name(options.replay))
        print("\n".join(explain(judged)))
        return 0
    cases = campaign.quick(options.seed) if options.quick else campaign.full(options.seed, options.seeds)
    ways = (options.way,) if options.way else WAYS
    table = measure(cases, BIT_TIMES, options.seed, options.processes, ways)
    print_table(table)
    if options.misses:
        for one in table.misses:
            print(f"  {name_of(one.way, one.case)}: {one.outcome}")
    write_json(options.json, content(table))
    return verdict("probes", crossed(table), f"right {RIGHT_LEAST} where held, wrong {WRONG_MOST} elsewhere: held")


if __name__ == "__main__":
    raise SystemExit(run(main))
