"""Works a plan out: every section, from line speed to supply, then the sensors."""

from __future__ import annotations

from offtake.budget.analogue_lines import analogue_section
from offtake.budget.bus_lines import bus_section
from offtake.budget.card_lines import card_section
from offtake.budget.level_lines import level_section
from offtake.budget.model import Budget, Plan, check_plan
from offtake.budget.parts import Parts, load_parts
from offtake.budget.resistor_lines import resistor_section
from offtake.budget.sensor_lines import sensor_section
from offtake.budget.speed_lines import speed_section
from offtake.budget.stall_lines import stall_section
from offtake.budget.supply_lines import supply_section
from offtake.budget.switch_lines import switch_section
from offtake.errors import UsageError

_SECTIONS = (
    speed_section, level_section, resistor_section, stall_section, card_section, supply_section,
    analogue_section, switch_section, bus_section, sensor_section,
)  # fmt: skip
"""In order; those about sensors have no lines where none is connected, and are left out."""


def work_out(plan: Plan, parts: Parts | None = None) -> Budget:
    """The budget of ``plan``, with the figures of ``parts`` (or our own).

    :raises UsageError: a figure that makes no sense, or a board that parts.toml knows nothing of.
    """
    known = parts or load_parts()
    check_plan(plan)
    usual_volts(plan.board.name, known)
    worked = [section(plan, known) for section in _SECTIONS]
    return Budget(plan, tuple(section for section in worked if section.lines))


def usual_volts(board: str, parts: Parts | None = None) -> float:
    """The supply that ``board`` usually has. UsageError where parts.toml knows nothing of it."""
    boards = (parts or load_parts()).boards
    if board not in boards:
        raise UsageError(f"no figures of board {board!r}", expected=", ".join(boards))
    return boards[board].volts
