"""The command tests/benchmarks: prints what reading journals costs, held against something public."""

from __future__ import annotations

import argparse
import os
import platform
import re
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from bench_journal import MIB, make_journal
from bench_limits import BenchLimits, crossed, is_at_most, load_bench_limits, reached
from bench_rows import (
    FOLDER_KIND,
    GROWTH,
    NAMES,
    PEAKS,
    ROWS,
    Measured,
    Took,
    best,
    journals_beside,
    measure,
    sha256sum,
    verb_memory,
)
from bench_run import warm
from offtake.errors import DamageError, InputOutputError, UsageError
from offtake.generated.records import BLOCK_SIZE

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "figures"))

from table_cli import run, verdict, write_json

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / ".build" / "benchmarks"
GIB = 2**30
QUICK_BYTES, MAIN_BYTES, SMALLEST_BYTES = 64 * MIB, GIB, 64 * MIB
ROUNDS, QUICK_ROUNDS = 3, 2
TINY_BYTES = MIB
_FOLDER_JOURNALS = 4
_ROOM_FACTOR = 3
_SIZE = re.compile(r"(\d{1,6})(MiB|GiB)\Z")
WHAT = f"""\
What reading whole journals costs. It makes journals of {SMALLEST_BYTES // MIB} MiB and more in
.build/benchmarks, measures each figure as a ratio to something public in the
same minute, both sides in turn with the file in the computer's memory, and
removes the journals again. Verbs run as you run them, a fresh process each,
start-up included; "library" is a call within a process. Growth is the time a
byte at each size over that at {SMALLEST_BYTES // MIB} MiB, each held against sha256sum at its
size, start-up taken off. Memory is that of all its processes together. With
--quick, journals of {QUICK_BYTES // MIB} MiB and no growth: start-up weighs more then, so only
what is called as a library is judged. The whole takes half an hour."""


def size_of(text: str) -> int:
    """Bytes of ``4GiB`` or ``512MiB``."""
    match = _SIZE.match(text)
    size = int(match[1]) * (GIB if match[2] == "GiB" else MIB) if match else 0
    if size < SMALLEST_BYTES:
        raise argparse.ArgumentTypeError(f"{text}: a size such as 512MiB or 4GiB, at least {SMALLEST_BYTES // MIB}MiB")
    return size


@dataclass
class Bench:
    """What was asked for, and what has been measured so far."""

    quick: bool
    largest: int
    only: str
    limits: BenchLimits
    figures: dict[str, float] = field(default_factory=dict)
    judged: dict[str, float] = field(default_factory=dict)
    failed: list[str] = field(default_factory=list)
    told: dict[str, list[Any]] = field(default_factory=lambda: {"rows": [], "growth": [], "peaks": []})

    @property
    def rounds(self) -> int:
        """How often each side is measured."""
        return QUICK_ROUNDS if self.quick else ROUNDS

    @property
    def main_bytes(self) -> int:
        """Size of the journals that ratios are measured on."""
        return QUICK_BYTES if self.quick else min(MAIN_BYTES, self.largest)

    def fail(self, name: str, error: DamageError) -> None:
        """A command of a figure failed; the others are measured all the same."""
        self.failed.append(f"{name}: {error}")
        print(self.failed[-1], flush=True)

    def wants(self, name: str) -> bool:
        """Whether the row was asked for."""
        return name.startswith(self.only)

    def take(self, name: str, value: float, *, judged: bool = True) -> None:
        """Note a figure."""
        self.figures[name] = value
        if judged:
            self.judged[name] = value


@contextmanager
def journal_of(kind: str, size: int) -> Iterator[Path]:
    """A fresh journal in a folder of its own, in the computer's memory; removed afterwards.

    :raises InputOutputError: too little room on the disk.
    """
    folder = FOLDER / f"{kind}_{size // MIB}_mib"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    try:
        free = shutil.disk_usage(folder).free
        if free < _ROOM_FACTOR * size:
            expected = (
                f"{_ROOM_FACTOR * size / GIB:.1f} GiB, for a journal and what is made of it; or a smaller --largest"
            )
            raise InputOutputError(f"{free / GIB:.1f} GiB free", where=str(folder), expected=expected)
        count = _FOLDER_JOURNALS if kind == FOLDER_KIND else 1
        for index in range(count):
            share = size // count // BLOCK_SIZE * BLOCK_SIZE
            path = folder / f"made_{index}.jnl"
            make_journal(path, "text" if kind == FOLDER_KIND else kind, share, seed=1 + index)
        os.sync()
        for made in journals_beside(path):
            warm(made)
        yield path
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def main(arguments: list[str]) -> int:
    """Runs the command."""
    options = _parser().parse_args(arguments)
    if not any(name.startswith(options.only) for name in NAMES):
        raise UsageError(f"no figure {options.only!r}", expected="the beginning of one of: " + ", ".join(NAMES))
    bench = Bench(options.quick, options.largest, options.only, load_bench_limits(NAMES))
    out = FOLDER / "out"
    print(f"{'work':<24}{'as':<8}{'journal':<16}{'against':<10}{'MB/s':>6}{'ratio':>7}{'aimed at':>9}")
    try:
        for kind in dict.fromkeys(row.kind for row in ROWS):
            _rows(bench, kind, out)
        if not bench.quick:
            _growth(bench, out)
        _peaks(bench, out)
    finally:
        shutil.rmtree(out, ignore_errors=True)
    write_json(options.json, {"computer": _computer(), "quick": bench.quick} | bench.told | {"figures": bench.figures})
    return _verdict(bench)


def _verdict(bench: Bench) -> int:
    """The last lines, and the exit code."""
    good, of = reached(bench.judged, bench.limits)
    if of:
        print(f"what is aimed at: {good} of {of} reached")
    if not set(bench.judged) & set(bench.limits.limits) and not bench.failed:
        why = " (with --quick only what is called as a library is)" if bench.figures != bench.judged else ""
        print(f"benchmarks: nothing judged{why}")
        return 0
    return verdict("benchmarks", bench.failed + crossed(bench.judged, bench.limits), "all committed limits held")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="tests/benchmarks",
        description=WHAT,
        epilog="example: tests/benchmarks --only verify --json benchmarks.json",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--quick", action="store_true", help="small journals, a minute or two")
    parser.add_argument("--largest", type=size_of, default=4 * GIB, metavar="SIZE", help="default 4GiB")
    parser.add_argument("--only", default="", metavar="NAME", help="figures whose name begins so, e.g. peak_mib")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures to FILE too")
    return parser


def _rows(bench: Bench, kind: str, out: Path) -> None:
    """The ratios over journals of one kind."""
    rows = [row for row in ROWS if row.kind == kind and bench.wants(row.name)]
    if not rows:
        return
    with journal_of(kind, bench.main_bytes) as journal:
        for row in rows:
            try:
                measured = measure(row, journal, out, bench.rounds)
            except DamageError as error:
                bench.fail(row.name, error)
                continue
            bench.take(row.name, measured.ratio, judged=not bench.quick or row.how == "library")
            bench.told["rows"].append(measured.plain())
            _print_row(bench, measured)


def _print_row(bench: Bench, one: Measured) -> None:
    aim = bench.limits.targets.get(one.row.name)
    aimed = f">={aim:g}" if aim else "-"
    journal = f"{one.row.kind} {_size_text(one.size)}"
    ratio = f"{one.ratio:.3f}" if one.ratio < 1 else f"{one.ratio:.4g}"
    line = f"{one.row.words:<24}{one.row.how:<8}{journal:<16}{one.row.against:<10}"
    print(f"{line}{one.product.rate / 1e6:>6.0f}{ratio:>7}{aimed:>9}", flush=True)


def _growth(bench: Bench, out: Path) -> None:
    """Time a byte, from size to size."""
    works = {name: side for name, side in GROWTH.items() if bench.wants(f"growth_{name}")}
    if not works:
        return
    print(f"\n{'time a byte, text':<26}" + "".join(f"{_size_text(size):>9}" for size in _sizes(bench.largest)))
    found: dict[str, list[dict[str, Any]]] = {name: [] for name in works}
    start: dict[str, float] = {}
    with journal_of("text", TINY_BYTES) as journal:
        for name, side in works.items():
            start[name] = best([side(journal, out) for _ in range(ROUNDS)]).wall_s
    for size in _sizes(bench.largest):
        with journal_of("text", size) as journal:
            for name, side in works.items():
                rounds = ROUNDS if size <= GIB else 2
                pairs = [(sha256sum(journal, out), side(journal, out)) for _ in range(rounds)]
                reference, ours = best([one for one, _ in pairs]), best([one for _, one in pairs])
                found[name].append(_a_byte(size, ours, reference, start[name]))
    for name, points in found.items():
        first = points[0]["of_sha256sum"]
        grown = [point["of_sha256sum"] / first for point in points]
        bench.take(f"growth_{name}", grown[-1])
        bench.told["growth"].append(
            {"name": f"growth_{name}", "growth": grown[-1], "start_s": start[name], "sizes": points}
        )
        print(f"growth of {name:<16}" + "".join(f"{value:>9.3f}" for value in grown) + _aimed(bench, f"growth_{name}"))


def _a_byte(size: int, ours: Took, reference: Took, start_s: float) -> dict[str, Any]:
    """Nanoseconds a byte of the product, its start-up taken off, and that over sha256sum's."""
    ns = (ours.wall_s - start_s) / (size - TINY_BYTES) * 1e9
    public_ns = reference.wall_s / size * 1e9
    both = {"product": asdict(ours), "reference": asdict(reference)}
    return {"bytes": size, "ns_a_byte": ns, "of_sha256sum": ns / public_ns} | both


def _peaks(bench: Bench, out: Path) -> None:
    """Memory, at the smallest size and the largest."""
    verbs = [name for name in PEAKS if bench.wants(f"peak_mib_{name}")]
    if not verbs:
        return
    sizes = [SMALLEST_BYTES] if bench.quick else sorted({SMALLEST_BYTES, bench.largest})
    print(f"\n{'most memory in MiB':<26}" + "".join(f"{_size_text(size):>9}" for size in sizes))
    found: dict[str, list[dict[str, Any]]] = {name: [] for name in verbs}
    for size, kind in product(sizes, sorted({PEAKS[name] for name in verbs})):
        with journal_of(kind, size) as journal:
            for name in (name for name in verbs if PEAKS[name] == kind):
                try:
                    ran = verb_memory(name, journal, out)
                except DamageError as error:
                    bench.fail(f"peak_mib_{name}", error)
                    continue
                found[name].append({"bytes": size, "peak_mib": ran.peak / MIB})
    for name, points in found.items():
        if len(points) < len(sizes):
            continue
        bench.take(f"peak_mib_{name}", points[-1]["peak_mib"])
        bench.told["peaks"].append({"name": f"peak_mib_{name}", "sizes": points})
        cells = "".join(f"{point['peak_mib']:>9.0f}" for point in points)
        print(f"{name:<26}{cells}{_aimed(bench, f'peak_mib_{name}')}", flush=True)


def _aimed(bench: Bench, name: str) -> str:
    aim = bench.limits.targets.get(name)
    return f"  at {'most' if is_at_most(name) else 'least'} {aim:g}" if aim else ""


def _sizes(largest: int) -> list[int]:
    """From the smallest to the largest, four times as much each."""
    sizes, size = [], SMALLEST_BYTES
    while size < largest:
        sizes.append(size)
        size *= 4
    return [*sizes, largest]


def _size_text(size: int) -> str:
    return f"{size / GIB:g} GiB" if size >= GIB else f"{size // MIB} MiB"


def _computer() -> dict[str, Any]:
    return {
        "processors": os.cpu_count(),
        "machine": platform.machine(),
        "python": platform.python_version(),
        "numpy": np.__version__,
    }


if __name__ == "__main__":
    sys.exit(run(main))
