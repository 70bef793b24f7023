"""The command tests/stalls: prints the table of the longest card busy time survived without loss."""

from __future__ import annotations

import sys
from dataclasses import asdict

from figure_limits import crossed_stalls, load_limits
from rig import rig_for
from stall_search import BAUDS, PHASES, RAM_BYTES, Outcome, StallRow, endurance, longest_stall
from table_cli import parser, run, verdict, write_json

WHAT = f"""\
The longest time a card may be busy before the logger loses a byte, against the
speed of a saturated line. The real firmware runs on the bench against a card
that is busy for 1 ms after each block, but once for longer; found to 0.1 ms,
the worst of {len(PHASES)} phases. The limit is what the chip's whole RAM could hold: {RAM_BYTES:,}
bytes at the line's byte rate. Then the fastest line that the board sustains
(tests/limits.toml), saturated for 60 s on a card with busy times of 1 to 5 ms.
Without --board: the 16 MHz board. Takes a minute or two."""
ENDURANCE_S = 60.0
SUSTAINED_BAUD = 115_200


def main(arguments: list[str]) -> int:
    """Runs the command."""
    options = parser("stalls", WHAT, "tests/stalls --board atmega328p_8mhz --json stalls.json").parse_args(arguments)
    board = options.board or "atmega328p_16mhz"
    limits = load_limits()
    with rig_for(board) as rig:
        print(f"Longest card busy time without loss, saturated line, {board}")
        print("   baud   survived   of limit   limit   committed  lost 0.1 ms later")
        rows = []
        for baud in BAUDS:
            rows.append(longest_stall(rig, baud))
            print_row(rows[-1], limits.boards[board].stall_ms[baud])
        print_notes(rows)
        fastest = int(limits.boards[board].sustained_bd)
        held = endurance(rig, fastest, ENDURANCE_S)
    print(f"{fastest:,} baud saturated for {ENDURANCE_S:g} s on a card busy for 1 to 5 ms:")
    print(f"  {lost_of(held):,} of {held.sent:,} bytes lost")
    content = {"board": board, "rows": [asdict(row) | {"share": row.share} for row in rows], "endurance": asdict(held)}
    write_json(options.json, content)
    crossed = crossed_stalls(rows, limits.boards[board])
    if not held.survived:
        crossed.append(f"{fastest:,} baud for {ENDURANCE_S:g} s: {lost_of(held):,} bytes lost, none may be")
    wanted = limits.targets.stall_share_up_to_115200
    slow = [row for row in rows if row.baud <= SUSTAINED_BAUD]
    reached = sum(row.share >= wanted for row in slow)
    print(f"target of {wanted:.2f} up to {SUSTAINED_BAUD:,} baud: reached at {reached} of {len(slow)} speeds")
    return verdict("stalls", crossed, "all committed limits held")


def print_row(row: StallRow, floor: float) -> None:
    """One line of the table."""
    mark = "*" if row.misread else " "
    lost = row.lost_at_next_ms
    how = f"{lost.counted_lost:,} dropped by the ring" if lost.counted_lost else f"{lost.overrun_lost:,} by overrun"
    if row.survived_ms == 0:
        how += ": not sustained"
    figures = f"{row.survived_ms:>6.1f} ms {row.share:>10.3f} {row.limit_ms:>7.0f} {floor:>8g} ms"
    print(f"{row.baud:>7,}{mark} {figures}  {how}", flush=True)


def print_notes(rows: list[StallRow]) -> None:
    """What the marks mean."""
    for row in rows:
        if row.misread:
            cause, _, reached = row.misread.partition(" (")
            print(f"* {row.baud:,} baud: {cause}:")
            print(f"  {reached.rstrip(')')};")
            print(f"  measured with a line at the chip's own rate, {row.line_bd:,.0f} baud")


def lost_of(outcome: Outcome) -> int:
    """Bytes lost in any way that is counted."""
    return outcome.counted_lost + outcome.sent - outcome.read


if __name__ == "__main__":
    sys.exit(run(main))
