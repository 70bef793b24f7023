"""tests/limits.toml: what the figures may be, read strictly, and which of them are crossed."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, fields
from math import inf
from pathlib import Path
from typing import Any

from cost_measure import LONG_WAY_VECTOR, Costs
from cost_sizes import Sizes
from offtake.errors import InputOutputError, SpecError
from offtake.firmware_build import ENVIRONMENTS
from stall_search import BAUDS, StallRow

ROOT = Path(__file__).resolve().parents[2]
LIMITS_FILE = ROOT / "tests" / "limits.toml"
BOARD_FILE = ROOT / "shared_spec" / "boards" / "atmega328p.toml"


@dataclass(frozen=True)
class Targets:
    """What is aimed at; shown, not enforced."""

    stall_share_up_to_115200: float
    receive_worst_cycles: float
    irq_off_byte_share: float
    overhead: float


@dataclass(frozen=True)
class CostLimits:
    """The most that each may be: cycles of the chip, milliseconds from the first instruction."""

    receive_worst_cycles: float
    receive_mean_cycles_at_57600: float
    other_worst_cycles: float
    interruptible_worst_cycles: float
    irq_off_worst_cycles: float
    write_mean_cycles_at_250000: float
    work_share_at_250000: float
    first_kept_ms: float
    ready_1_mib_ms: float
    ready_32_mib_ms: float


@dataclass(frozen=True)
class BoardLimits:
    """One board variant: the fastest line that it sustains on a card busy for 1 to 5 ms, the least stall survived (ms)
    and the most overhead at each speed, and the rest.
    """

    sustained_bd: float
    stall_ms: dict[int, float]
    overhead: dict[int, float]
    cost: CostLimits


@dataclass(frozen=True)
class Memory:
    """The board's memory, from its definition in shared_spec."""

    ram_bytes: int
    stack_margin_bytes: int
    flash_limit_bytes: int


@dataclass(frozen=True)
class Limits:
    """The whole file."""

    targets: Targets
    boards: dict[str, BoardLimits]
    memory: Memory


def load_limits(path: Path = LIMITS_FILE) -> Limits:
    """Reads the file.

    :raises InputOutputError: it cannot be read.
    :raises SpecError: not TOML, a key that is missing or unknown, or a value that is not a number from 0 on.
    """
    try:
        top = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputOutputError(f"cannot read the limits: {error.strerror}", where=str(path)) from error
    except ValueError as error:
        raise SpecError(f"not TOML: {error}", where=str(path)) from error
    reader = _Reader(str(path))
    reader.keys(top, "", ("targets", "limits"))
    tables = reader.keys(top["limits"], "limits", ENVIRONMENTS)
    targets = Targets(**reader.numbers(top["targets"], "targets", _names(Targets)))
    boards = {name: reader.board(table, f"limits.{name}") for name, table in tables.items()}
    return Limits(targets, boards, load_memory())


def load_memory(path: Path = BOARD_FILE) -> Memory:
    """RAM, stack margin and flash limit of the board's definition."""
    board = tomllib.loads(path.read_text(encoding="utf-8"))["board"]
    return Memory(board["ram_bytes"], board["stack_margin_bytes"], board["flash_limit_bytes"])


def _names(record: type) -> tuple[str, ...]:
    return tuple(field.name for field in fields(record))


class _Reader:
    """Takes tables apart and names the key path of whatever is wrong."""

    def __init__(self, where: str) -> None:
        self.where = where

    def keys(self, table: Any, path: str, names: Iterable[str]) -> dict[str, Any]:
        """``table``, which has exactly these keys."""
        at = f"{self.where}: {path}" if path else self.where
        wanted = set(names)
        if not isinstance(table, dict):
            raise SpecError("not a table", where=at, expected="the keys " + ", ".join(sorted(wanted)))
        for name in sorted(set(table) - wanted):
            raise SpecError(f"unknown key {name!r}", where=at, expected="one of " + ", ".join(sorted(wanted)))
        for name in sorted(wanted - set(table)):
            raise SpecError(f"key {name!r} is missing", where=at)
        return table

    def numbers(self, table: Any, path: str, names: Iterable[str]) -> dict[str, float]:
        """A table of numbers, none negative."""
        for name, value in self.keys(table, path, names).items():
            if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < inf:
                raise SpecError(f"{value!r}", where=f"{self.where}: {path}.{name}", expected="a number, 0 or above")
        return dict(table)

    def board(self, table: Any, path: str) -> BoardLimits:
        """One board variant's tables."""
        self.keys(table, path, _names(BoardLimits))
        speeds = [str(baud) for baud in BAUDS]
        sustained = self.numbers({"sustained_bd": table["sustained_bd"]}, path, ("sustained_bd",))
        return BoardLimits(
            sustained_bd=sustained["sustained_bd"],
            stall_ms={int(k): v for k, v in self.numbers(table["stall_ms"], f"{path}.stall_ms", speeds).items()},
            overhead={int(k): v for k, v in self.numbers(table["overhead"], f"{path}.overhead", speeds).items()},
            cost=CostLimits(**self.numbers(table["cost"], f"{path}.cost", _names(CostLimits))),
        )


def crossed_stalls(rows: Iterable[StallRow], limits: BoardLimits) -> list[str]:
    """One sentence for each speed at which too short a stall is survived."""
    return [
        f"{row.baud:,} baud: {row.survived_ms} ms survived, at least {limits.stall_ms[row.baud]:g} ms wanted"
        for row in rows
        if row.survived_ms < limits.stall_ms[row.baud]
    ]


def crossed_costs(costs: Costs, sizes: Sizes, limits: BoardLimits, memory: Memory) -> list[str]:
    """One sentence for each limit that is crossed; what was not measured is not judged."""
    most = limits.cost
    pairs: list[tuple[str, float, float]] = [
        ("receive interrupt, worst cycles", costs.receive.worst, most.receive_worst_cycles),
        ("cycles with interrupts off", costs.irq_off_worst, most.irq_off_worst_cycles),
        ("flash bytes", sizes.total_flash, memory.flash_limit_bytes),
        ("bytes of variables, stack and margin", ram_taken(costs, sizes, memory), memory.ram_bytes),
    ]
    pairs += [
        (
            f"interrupt of vector {vector}, worst cycles",
            figures.worst,
            most.interruptible_worst_cycles if vector == LONG_WAY_VECTOR else most.other_worst_cycles,
        )
        for vector, figures in sorted(costs.other.items())
    ]
    for speed in costs.speeds:
        pairs.append((f"overhead at {speed.baud:,} baud", speed.overhead, limits.overhead[speed.baud]))
        if speed.baud == 57_600:
            mean = speed.receive_mean_cycles
            pairs.append(("receive interrupt, mean cycles at 57,600 baud", mean, most.receive_mean_cycles_at_57600))
        if speed.baud == 250_000:
            pairs.append(("cycles to write a block", speed.write_mean_cycles, most.write_mean_cycles_at_250000))
            pairs.append(("share of work at 250,000 baud", speed.work_share, most.work_share_at_250000))
    ready = {1: most.ready_1_mib_ms, 32: most.ready_32_mib_ms}
    for start in costs.starts:
        pairs.append(
            (f"ms to the first byte kept, journal of {start.journal_mib} MiB", start.first_kept_ms, most.first_kept_ms)
        )
        pairs.append((f"ms to ready, journal of {start.journal_mib} MiB", start.ready_ms, ready[start.journal_mib]))
    return [f"{what}: {value:.6g}, at most {limit:g} wanted" for what, value, limit in pairs if value > limit]


def ram_taken(costs: Costs, sizes: Sizes, memory: Memory) -> int:
    """Static RAM, the deepest stack and the margin."""
    return sizes.total_ram + max(costs.stack.values()) + memory.stack_margin_bytes
