"""Options that several verbs share, and how their values are read."""

from __future__ import annotations

import argparse
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

Verbs = Any
"""What argparse's add_subparsers returns; it has no public name."""

_SIZE = re.compile(r"(\d{1,12})(B|KiB|MiB|GiB)?\Z")
_UNITS = {None: 1, "B": 1, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30}


def add_verb(
    verbs: Verbs, name: str, about: str, example: str, run: Callable[[argparse.Namespace], int], more: str = ""
) -> argparse.ArgumentParser:
    """A verb with its help, an example and --json."""
    parser: argparse.ArgumentParser = verbs.add_parser(
        name,
        help=about,
        description=about[0].upper() + about[1:] + "." + (f"\n\n{more}" if more else ""),
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(run=run)
    add_json(parser)
    return parser


def add_json(parser: argparse.ArgumentParser) -> None:
    """--json, for programs."""
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout, for programs")


def add_hearing(parser: argparse.ArgumentParser) -> None:
    """--dialect and --latency-ms, for verbs that decode the receiver's stream."""
    parser.add_argument(
        "--dialect", type=Path, action="append", default=[], metavar="FILE.toml", help="a dialect of your own, beside"
        " the built-in ones; may be given more than once",
    )  # fmt: skip
    parser.add_argument(
        "--latency-ms", type=float, default=0.0, metavar="MS", help="how long after its epoch the receiver's first byte"
        " comes at the earliest, if you know it (0)",
    )  # fmt: skip


def size(text: str) -> int:
    """A size in bytes: 256MiB, 4GiB, 1048576."""
    found = _SIZE.match(text)
    if not found:
        raise argparse.ArgumentTypeError(f"{text!r} is not a size (expected 256MiB, 4GiB or a number of bytes)")
    return int(found[1]) * _UNITS[found[2]]


def stem(text: str) -> Path:
    """The beginning of files' names; a path forgets that it ended in a slash."""
    if os.path.basename(text) in ("", ".", ".."):
        example = os.path.join(text.rstrip("/") or "/", "day")
        raise argparse.ArgumentTypeError(
            f"{text!r} gives no name for the files (expected a folder and the beginning of a name, as {example})"
        )
    return Path(text)


def names(text: str) -> list[str]:
    """Names with commas between."""
    return [name.strip() for name in text.split(",") if name.strip()]


def journal_id(text: str) -> int:
    """A journal id: 8 hex digits."""
    if not re.fullmatch(r"[0-9a-fA-F]{8}", text) or int(text, 16) == 0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a journal id (expected 8 hex digits, not all zero)")
    return int(text, 16)
