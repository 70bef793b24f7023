"""What is measured: each row's two sides, what they go over, and which of it is compared."""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from bench_journal import MIB
from bench_run import Ran, run_command

OFFTAKE = Path(sys.executable).with_name("offtake")
_SIDE = Path(__file__).with_name("bench_side.py")
_CONSTRUCT_BYTES = MIB
_SENTENCES_BYTES = 16 * MIB
_LINE_BYTES = 256 * MIB
_LONG_S = 15.0


@dataclass(frozen=True)
class Took:
    """One measurement of one side: seconds, and over how many bytes."""

    wall_s: float
    cpu_s: float
    bytes: int

    @property
    def rate(self) -> float:
        """Bytes a second of wall clock."""
        return self.bytes / self.wall_s


FOLDER_KIND = "folder"
"""Four journals of sentences, of the size together."""
Side = Callable[[Path, Path], Took]
"""Does its work over a journal, with a folder of its own for what it writes."""


# The product's verbs, as a user calls them

_VERBS: dict[str, Callable[[Path, Path], list[str | Path]]] = {
    "verify": lambda journal, _: ["verify", journal],
    "salvage": lambda journal, out: ["salvage", journal, "-o", out / "recovered.bin"],
    "report": lambda journal, out: ["report", journal, "-o", out / "report.html"],
    "collect": lambda journal, out: ["collect", journal.parent, "-o", out / "dataset"],
    **{
        name: lambda journal, out, name=name: ["export", journal, "--to", name, "-o", out / "out"]
        for name in ("raw", "frames", "messages", "csv", "parquet")
    },
}


def verb_command(name: str, journal: Path, out: Path) -> list[str | Path]:
    """The verb's command line; it finds no index and nothing that an earlier call wrote."""
    for path in journals_beside(journal):
        Path(f"{path}.index").unlink(missing_ok=True)
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)
    # What is still on its way to the disk would be written at the next one's cost.
    os.sync()
    return [OFFTAKE, *_VERBS[name](journal, out)]


def journals_beside(journal: Path) -> list[Path]:
    """All journals of its folder: one, or several of the kind `folder`."""
    return sorted(journal.parent.glob("*.jnl"))


def size_of(journal: Path) -> int:
    """Bytes of all journals of its folder."""
    return sum(path.stat().st_size for path in journals_beside(journal))


def verb(name: str) -> Side:
    """A side that is a verb: a fresh process, start-up included."""

    def side(journal: Path, out: Path) -> Took:
        ran = run_command(verb_command(name, journal, out))
        return Took(ran.wall_s, ran.cpu_s, size_of(journal))

    return side


def verb_memory(name: str, journal: Path, out: Path) -> Ran:
    """The verb once more, its memory looked at; ``name`` as of a row."""
    return run_command(verb_command(name.partition("_")[0], journal, out), sampled=True)


# Everything else


def work(name: str, size: int | None = None) -> Side:
    """A side that is a piece of work of bench_side.py, without start-up; over the first ``size`` bytes only."""

    def side(journal: Path, _: Path) -> Took:
        command: list[str | Path] = [sys.executable, _SIDE, name, journal]
        told: dict[str, Any] = json.loads(run_command([*command, str(size)] if size else command).output)
        return Took(told["wall_s"], told["cpu_s"], told["bytes"])

    return side


def sha256sum(journal: Path, _: Path) -> Took:
    """The program of that name, as it is installed."""
    ran = run_command(["sha256sum", *journals_beside(journal)])
    return Took(ran.wall_s, ran.cpu_s, size_of(journal))


@dataclass(frozen=True)
class Row:
    """A ratio: ``product``'s throughput over ``reference``'s, both over a journal of ``kind``. ``how`` tells how the
    product is called: a verb of the program, or the library."""

    name: str
    words: str
    kind: str
    how: str
    product: Side
    against: str
    reference: Side


def _verb_row(name: str, words: str, kind: str = "text") -> Row:
    return Row(name, words, kind, "verb", verb(name.partition("_")[0]), "sha256sum", sha256sum)


ROWS = (
    _verb_row("verify", "verify"),
    Row("columns", "every frame to columns", "sensors", "library", work("columns"), "sha256sum", sha256sum),
    Row(
        "columns_construct", "every frame to columns", "sensors", "library", work("columns"),
        "construct", work("construct", _CONSTRUCT_BYTES),
    ),
    _verb_row("raw", "receiver's stream out"),
    Row(
        "text_fixes", "sentences to fixes", "text", "library", work("line_fixes", _LINE_BYTES),
        "pynmea2", work("sentences", _SENTENCES_BYTES),
    ),
    Row("binary_fixes", "journal to fixes", "binary", "library", work("fixes"), "sha256sum", sha256sum),
    Row("journal_fixes", "journal to fixes", "text", "library", work("fixes"), "sha256sum", sha256sum),
    Row("blocks", "blocks checked", "text", "library", work("blocks"), "CRC-32", work("crc32")),
    Row("frames", "frames checked", "text", "library", work("frames"), "CRC-32", work("crc32")),
    Row("columns_text", "every frame to columns", "text", "library", work("columns"), "sha256sum", sha256sum),
    _verb_row("frames_sensors", "export: frames", "sensors"),
    _verb_row("salvage", "salvage"),
    _verb_row("messages", "export: messages"),
    _verb_row("parquet", "export: parquet"),
    _verb_row("csv", "export: csv"),
    _verb_row("parquet_sensors", "export: parquet", "sensors"),
    _verb_row("csv_sensors", "export: csv", "sensors"),
    _verb_row("report", "report"),
    _verb_row("collect", "collect", FOLDER_KIND),
)  # fmt: skip

GROWTH: dict[str, Side] = {
    "verify": verb("verify"),
    "raw": verb("raw"),
    "columns": work("columns"),
    "fixes": work("fixes"),
}
"""What is measured at each size, against sha256sum at that size."""
PEAKS = (
    dict.fromkeys(("verify", "raw", "frames", "messages", "csv", "parquet"), "text")
    | dict.fromkeys(("csv_binary", "parquet_binary"), "binary")
    | {"collect": FOLDER_KIND}
)
"""Verbs whose memory is looked at, and the kind of journal."""

NAMES = tuple(
    [row.name for row in ROWS] + [f"growth_{name}" for name in GROWTH] + [f"peak_mib_{name}" for name in PEAKS]
)


def best(sides: list[Took]) -> Took:
    """The shortest of several."""
    return min(sides, key=lambda one: one.wall_s)


@dataclass(frozen=True)
class Measured:
    """A row's figure, and what it comes from."""

    row: Row
    size: int
    product: Took
    reference: Took

    @property
    def ratio(self) -> float:
        """Throughput of the product over that of the reference."""
        return self.product.rate / self.reference.rate

    def plain(self) -> dict[str, Any]:
        """For the JSON file."""
        return {
            "name": self.row.name,
            "work": self.row.words,
            "called_as": self.row.how,
            "journal": {"kind": self.row.kind, "bytes": self.size},
            "against": self.row.against,
            "ratio": self.ratio,
            "product": asdict(self.product),
            "reference": asdict(self.reference),
        }


def measure(row: Row, journal: Path, out: Path, rounds: int) -> Measured:
    """Both sides in turn, ``rounds`` times, but long work only twice; the best of each counts."""
    products: list[Took] = []
    references: list[Took] = []
    while len(products) < (rounds if not products or products[0].wall_s < _LONG_S else min(rounds, 2)):
        references.append(row.reference(journal, out))
        products.append(row.product(journal, out))
    shutil.rmtree(out, ignore_errors=True)
    return Measured(row, size_of(journal), best(products), best(references))
