"""Counts damaged frames that would be taken for true ones, over millions of random corruptions: ``tests/corruptions``.

Frames of small made journals are spoiled one at a time. The core's own frame reader, driven exactly as salvage drives
its own, then searches the damaged block at every offset, and everything it takes is held against what was written. A
share of the same damaged blocks goes through salvage in Python, whole journal and all; both must take the same.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "host"))

from corrupt_places import Spot, spots
from offtake.generated.records import BLOCK_SIZE
from offtake.hostcore.corrupt import KINDS, Corruptions, Found, Tally
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource

COUNT = 10_000_000
SEED = 20_261_125
PYTHON_SHARE = 2_000
CHUNK = 50_000
JOURNALS = 5
_CHECK_VALUES = 2**32
_FOLDED_VALUES = 2**16
_ABOUT = """\
Spoils frames at random and counts the damaged ones that salvage would take
for true: none may be. Corruption number I of a seed is always the same one
while shared_spec stays as it is, so --first I --count 1 shows it again."""
_EXAMPLE = """\
examples:
  tests/corruptions                        10 million, as published
  tests/corruptions --share 1/2            the first of two halves
  tests/corruptions --count 200000 --weak  with a 16-bit check: it must fail

exit codes: 0 none accepted, 1 some accepted or the two readers differ,
2 wrong options"""


@dataclass
class Outcome:
    """What a count came to: a tally for each of KINDS, and how many corruptions salvage in Python saw."""

    tallies: list[Tally] = field(default_factory=lambda: [Tally() for _ in KINDS])
    python_seen: int = 0
    python_differs: list[int] = field(default_factory=list)

    @property
    def total(self) -> Tally:
        """All kinds together."""
        total = Tally()
        for tally in self.tallies:
            total.add(tally)
        return total

    @property
    def passed(self) -> bool:
        """Whether no damaged frame was accepted, no whole one lost, and both readers agreed."""
        return not (self.total.accepted or self.total.lost or self.python_differs)


def chunks(first: int, count: int, share: tuple[int, int]) -> Iterator[tuple[int, int]]:
    """(first index, count) of every chunk of corruptions that belongs to ``share`` (K of N)."""
    k, n = share
    at = first
    while at < first + count:
        number = at // CHUNK
        stop = min((number + 1) * CHUNK, first + count)
        if number % n == k - 1:
            yield at, stop - at
        at = stop


def run(
    first: int,
    count: int,
    seed: int,
    *,
    share: tuple[int, int] = (1, 1),
    python_share: int = 0,
    weak: bool = False,
    sanitize: bool = False,
    progress: Callable[[int], None] | None = None,
) -> Outcome:
    """Make and judge ``count`` corruptions from index ``first`` on; ``python_share`` of them go through salvage too."""
    outcome = Outcome()
    parts = list(chunks(first, count, share))
    for done, (at, size) in enumerate(parts):
        # Each chunk spoils journals of its own.
        places = spots(seed * 1_000_003 + at // CHUNK, JOURNALS)
        corruptions = Corruptions([spot.place for spot in places], seed, sanitize=sanitize)
        for tally, more in zip(outcome.tallies, corruptions.count(at, size, weak=weak), strict=True):
            tally.add(more)
        wanted = python_share * (done + 1) // len(parts) - python_share * done // len(parts)
        for step in range(min(wanted, size)):
            index = at + step * size // wanted
            outcome.python_seen += 1
            if not agrees(corruptions, places, index):
                outcome.python_differs.append(index)
        if progress:
            progress(sum(part for _, part in parts[: done + 1]))
    return outcome


def agrees(corruptions: Corruptions, places: list[Spot], index: int) -> bool:
    """Whether salvage of the whole journal with corruption ``index`` in it takes from the damaged block what the C
    side takes."""
    _, place_index, damaged = corruptions.make(index)
    spot = places[place_index]
    at = spot.position * BLOCK_SIZE
    found = salvage(BytesSource(spot.data[:at] + damaged + spot.data[at + BLOCK_SIZE :]))
    here = (frame for frame in found.frames() if frame.position == spot.position)
    python = [Found(frame.block_number, frame.offset - at, frame.size, frame.code) for frame in here]
    return sorted(python) == sorted(corruptions.search(damaged, spot.place.journal_id, spot.place.numbers))


def table(outcome: Outcome, *, weak: bool = False) -> list[str]:
    """The result for people, within 80 columns."""
    rows = [f"{'damage to a frame':<31}{'frames':>12}{'checks tried':>15}{'accepted':>10}{'lost':>8}"]
    total = outcome.total
    for name, tally in [*zip(KINDS, outcome.tallies, strict=True), ("all", total)]:
        rows.append(f"{name:<31}{tally.made:>12,}{tally.compared:>15,}{tally.accepted:>10,}{tally.lost:>8,}")
    values = _FOLDED_VALUES if weak else _CHECK_VALUES
    rows += [
        "",
        "frames: damaged frames, each in a block of its own. checks tried: at how many",
        "places in these blocks a wrong frame's check was compared. accepted: wrong",
        "frames taken for true. lost: whole frames in the same blocks not found again.",
        "",
        f"whole frames found in the same blocks {total.found:>24,}",
        f"accepted by chance to be expected of a {16 if weak else 32}-bit check:",
        f"  of the damaged frames alone {total.made / values:>33.4f}",
        f"  of all checks tried {total.compared / values:>41.4f}",
    ]
    if outcome.python_seen:
        differ = len(outcome.python_differs)
        rows.append(f"also through salvage in Python {outcome.python_seen:>31,}  ({differ} differ)")
    return rows


def verdict(outcome: Outcome, seed: int) -> list[str]:
    """Last lines: where to look, and whether the promise held."""
    total = outcome.total
    rows = []
    first = min([i for i in (total.first_miss, *outcome.python_differs[:1]) if i is not None], default=None)
    if first is not None:
        rows.append(f"again: tests/corruptions --seed {seed} --first {first} --count 1 --python 1")
    if outcome.passed:
        return [f"held: {total.made:,} damaged frames, none accepted"]
    return [*rows, f"BROKEN: {total.accepted:,} accepted, {total.lost:,} lost, {len(outcome.python_differs)} differ"]


def values(outcome: Outcome, options: argparse.Namespace) -> dict[str, object]:
    """The result for programs."""
    total = outcome.total
    return {
        "seed": options.seed,
        "first": options.first,
        "count": options.count,
        "share": "/".join(map(str, options.share)),
        "check_bits": 16 if options.weak else 32,
        "kinds": {name: asdict(tally) for name, tally in zip(KINDS, outcome.tallies, strict=True)},
        "all": asdict(total),
        "expected_by_chance": total.compared / (_FOLDED_VALUES if options.weak else _CHECK_VALUES),
        "python_seen": outcome.python_seen,
        "python_differs": outcome.python_differs,
        "held": outcome.passed,
    }


def whole_number(text: str) -> int:
    """A number from 0 on, with or without underscores."""
    number = int(text)
    if number < 0:
        raise argparse.ArgumentTypeError(f"{text} (expected 0 or more)")
    return number


def a_share(text: str) -> tuple[int, int]:
    """K/N with K from 1 to N."""
    k, _, n = text.partition("/")
    if not (k.isdecimal() and n.isdecimal() and 1 <= int(k) <= int(n)):
        raise argparse.ArgumentTypeError(f"{text!r} (expected K/N, such as 1/2)")
    return int(k), int(n)


def options_of(arguments: list[str]) -> argparse.Namespace:
    """The command line, read."""
    style = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser("tests/corruptions", description=_ABOUT, epilog=_EXAMPLE, formatter_class=style)
    add = parser.add_argument
    add("--count", type=whole_number, default=COUNT, metavar="N", help="corruptions (10,000,000)")
    add("--first", type=whole_number, default=0, metavar="I", help="number of the first one (0)")
    add("--seed", type=whole_number, default=SEED, metavar="N", help=f"seed ({SEED})")
    add("--share", type=a_share, default=(1, 1), metavar="K/N", help="only the K-th of N shares")
    add("--python", type=whole_number, default=PYTHON_SHARE, metavar="N", help="also through salvage in Python (2,000)")
    add("--weak", action="store_true", help="fold the check to 16 bits, to see the count fail")
    add("--json", type=Path, metavar="FILE", help="also write the result to FILE")
    options = parser.parse_args(arguments)
    if options.count == 0:
        parser.error("argument --count: 0 (expected 1 or more)")
    return options


def main(arguments: list[str]) -> int:
    """The command; returns its exit code."""
    options = options_of(arguments)

    def tell(done: int) -> None:
        if sys.stderr.isatty():
            print(f"\r{done:,}", end="\r", file=sys.stderr, flush=True)

    outcome = run(
        options.first, options.count, options.seed, share=options.share, python_share=options.python, weak=options.weak,
        progress=tell,
    )  # fmt: skip
    if options.json:
        options.json.write_text(json.dumps(values(outcome, options), indent=1) + "\n", encoding="utf-8")
    print("\n".join([*table(outcome, weak=options.weak), *verdict(outcome, options.seed)]))
    return 0 if outcome.passed else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
