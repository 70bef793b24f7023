"""What both tables' commands share: arguments, the JSON file, exit codes."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from offtake.errors import EXIT_DAMAGE, EXIT_INTERRUPTED, EXIT_IO, OfftakeError
from offtake.firmware_build import ENVIRONMENTS

WIDTH = 80
SCHEMA = 1


def parser(name: str, what: str, example: str) -> argparse.ArgumentParser:
    """A parser with the options that both commands have."""
    made = argparse.ArgumentParser(
        prog=f"tests/{name}",
        description=what,
        epilog=f"example: {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    made.add_argument("--board", choices=ENVIRONMENTS, help="one board variant only (default: see above)")
    made.add_argument("--json", type=Path, metavar="FILE", help="write the figures to FILE too")
    return made


def write_json(path: Path | None, content: dict[str, Any]) -> None:
    """Writes ``content`` with the schema's number; nothing without a path."""
    if path is not None:
        path.write_text(json.dumps({"schema": SCHEMA} | content, indent=1) + "\n", encoding="utf-8")


def verdict(name: str, crossed: list[str], good: str) -> int:
    """Prints what is crossed and the last line; returns the exit code."""
    for sentence in crossed:
        print(f"crossed: {sentence}")
    print(f"{name}: {good}" if not crossed else f"{name}: {len(crossed)} of the committed limits crossed")
    return EXIT_DAMAGE if crossed else 0


def run(main: Callable[[list[str]], int]) -> int:
    """Runs a command; errors become one line and an exit code."""
    try:
        return main(sys.argv[1:])
    except OfftakeError as error:
        print(f"error: {error}", file=sys.stderr)
        return error.exit_code
    except OSError as error:
        print(f"error: {error}", file=sys.stderr)
        return EXIT_IO
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
