"""The command tests/costs: prints what the firmware costs on each board variant."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from cost_measure import FASTEST_BD, LONG_WAY_VECTOR, Costs, measure
from cost_sizes import UNATTRIBUTED, Sizes, sizes_by_module
from figure_limits import Limits, crossed_costs, load_limits, ram_taken
from offtake.firmware_build import ENVIRONMENTS
from rig import rig_for
from table_cli import parser, run, verdict, write_json

WHAT = """\
What the firmware costs, measured in the emulator after every instruction:
interrupts (entry and return included), time with interrupts off, the chip's
time at each speed of a saturated line, the deepest stack, flash and static RAM
by module, overhead on the card, and how soon after power-on recording starts.
Without --board: both board variants. Takes about half a minute."""
VECTORS = {9: "timer overflow", 18: "receive", 22: "long way"}


def main(arguments: list[str]) -> int:
    """Runs the command."""
    options = parser("costs", WHAT, "tests/costs --board atmega328p_16mhz --json costs.json").parse_args(arguments)
    limits = load_limits()
    crossed: list[str] = []
    content: dict[str, Any] = {}
    for board in (options.board,) if options.board else ENVIRONMENTS:
        with rig_for(board) as rig, TemporaryDirectory(prefix="offtake-sizes-") as folder:
            sizes = sizes_by_module(board, Path(folder))
            costs = measure(rig)
        print(f"== {board}, {costs.clock_hz // 1_000_000} MHz ==")
        print_interrupts(costs, limits)
        print_speeds(costs, limits)
        print_memory(costs, sizes, limits)
        print_starts(costs)
        print()
        content[board] = asdict(costs) | {"sizes": asdict(sizes)}
        crossed += [f"{board}: {one}" for one in crossed_costs(costs, sizes, limits.boards[board], limits.memory)]
    write_json(options.json, {"boards": content})
    return verdict("costs", crossed, "all committed limits held")


def print_interrupts(costs: Costs, limits: Limits) -> None:
    """Interrupts and the time without them."""
    print("interrupt          entries  worst cycles  mean cycles")
    for vector, figures in sorted({18: costs.receive, **costs.other}.items(), reverse=True):
        name = VECTORS.get(vector, f"vector {vector}")
        print(f"  {name:<15} {figures.count:>8,} {figures.worst:>13,} {figures.mean:>12.1f}")
    micros = costs.irq_off_worst * 1e6 / costs.clock_hz
    if LONG_WAY_VECTOR in costs.other:
        print("  long way: lets the others in, whose cycles are in its own")
    print(f"  target, receive: {limits.targets.receive_worst_cycles:g} cycles at worst")
    print(
        f"longest with interrupts off: {costs.irq_off_worst:,} cycles, {micros:.1f} us, "
        f"{costs.irq_off_share:.2f} of a byte"
    )
    print(f"  at {FASTEST_BD:,} baud (target {limits.targets.irq_off_byte_share:g})")


def print_speeds(costs: Costs, limits: Limits) -> None:
    """The chip's time on a saturated line."""
    print("                    receive, mean    share of time      ms to write    card")
    print("saturated line          cycles   interrupts   work     a block, worst  overhead")
    for speed in costs.speeds:
        mark = "*" if speed.line_bd != speed.baud else " "
        mean, worst = (cycles * 1e3 / costs.clock_hz for cycles in (speed.write_mean_cycles, speed.write_worst_cycles))
        print(
            f"  {speed.baud:>7,} baud{mark} {speed.receive_mean_cycles:>13.1f} {speed.interrupt_share:>11.1%} "
            f"{speed.work_share:>7.1%} {mean:>9.2f} {worst:>8.2f} {speed.overhead:>9.2%}"
        )
    for speed in costs.speeds:
        if speed.line_bd != speed.baud:
            print(f"  * line sent at the chip's own rate, {speed.line_bd:,.0f} baud: it misreads {speed.baud:,}")
    print("  work: interrupts, and writing blocks from data token to acceptance")
    print(f"  target, overhead: {limits.targets.overhead:.0%}")


def print_memory(costs: Costs, sizes: Sizes, limits: Limits) -> None:
    """Stack, RAM and flash."""
    memory = limits.memory
    print("deepest stack, bytes:")
    print("  " + ", ".join(f"{phase} {size}" for phase, size in costs.stack.items()))
    for phase, why in costs.not_measured.items():
        print(f"  {phase}: not measured, {why}")
    free = memory.ram_bytes - ram_taken(costs, sizes, memory) + memory.stack_margin_bytes
    print(
        f"RAM: {sizes.total_ram:,} static + {max(costs.stack.values())} stack of {memory.ram_bytes:,} bytes; "
        f"{free} left ({memory.stack_margin_bytes} wanted)"
    )
    print(f"flash: {sizes.total_flash:,} of {memory.flash_limit_bytes:,} bytes allowed")
    print("  module                       flash   static RAM")
    names = sorted(set(sizes.flash) | set(sizes.ram), key=lambda n: (n == UNATTRIBUTED, -sizes.flash.get(n, 0), n))
    for name in names:
        print(f"  {name:<26} {sizes.flash.get(name, 0):>7,} {sizes.ram.get(name, 0):>12,}")
    print(f"  {'sum, as avr-size says':<26} {sizes.total_flash:>7,} {sizes.total_ram:>12,}")


def print_starts(costs: Costs) -> None:
    """From the first instruction to recording."""
    print("start, 57,600 baud saturated from power-on, 8 KiB clusters (ms from the first")
    print("instruction):  fresh journal   first byte kept   ready to write   dropped before")
    for start in costs.starts:
        print(
            f"  {start.journal_mib:>22} MiB {start.first_kept_ms:>17.1f} {start.ready_ms:>16.1f}"
            f" {start.lost:>10,} bytes"
        )


if __name__ == "__main__":
    sys.exit(run(main))
