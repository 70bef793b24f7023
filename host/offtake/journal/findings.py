"""What a check has to tell, in order and bounded."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from offtake.generated.records import BLOCK_SIZE
from offtake.journal.bulk.arrays import Ints

FINDINGS_MAX = 1000


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to tell. ``severity`` is "damage", which makes a journal unclean, or "note". ``position`` and
    ``offset`` (bytes) say where in the file, ``blocks`` how far it reaches."""

    severity: str
    position: int
    blocks: int
    offset: int
    reason: str
    text: str


Told = tuple[int, str, str, int]
"""A finding's ``blocks``, ``reason`` and ``text``, and how many bytes within the block it begins."""
Teller = Callable[[int], Told]
"""From a row to what is to be told of it."""


@dataclass
class Findings:
    """The first :data:`FINDINGS_MAX` findings; the others are counted. ``damage`` counts all those of that severity."""

    found: list[Finding] = field(default_factory=list)
    left_out: int = 0
    damage: int = 0

    def add(self, severity: str, position: int, blocks: int, reason: str, text: str, within: int = 0) -> None:
        """Add a finding at block ``position``, ``within`` bytes into it."""
        self.damage += severity == "damage"
        if len(self.found) < FINDINGS_MAX:
            offset = position * BLOCK_SIZE + within
            self.found.append(Finding(severity, position, blocks, offset, reason, text))
        else:
            self.left_out += 1

    def add_damage(self, kinds: Sequence[tuple[Ints, Ints, Teller]]) -> None:
        """Add damage of several kinds in order of rows, and within a row in order of the kinds.

        Each kind has its rows, ascending; their positions, same shape; and what is to be told of a row, which is asked
        only while there is room.
        """
        kinds = [kind for kind in kinds if kind[0].size]
        if not kinds:
            return
        rows = np.concatenate([kind[0] for kind in kinds])
        of_kind = np.repeat(np.arange(len(kinds)), [kind[0].size for kind in kinds])
        places = np.concatenate([kind[1] for kind in kinds])
        order = np.lexsort((of_kind, rows))
        room = FINDINGS_MAX - len(self.found)
        for index in order[:room].tolist():
            blocks, reason, text, within = kinds[of_kind[index]][2](int(rows[index]))
            self.add("damage", int(places[index]), blocks, reason, text, within)
        left = max(0, len(order) - room)
        self.left_out += left
        self.damage += left

    def join(self, other: Findings) -> None:
        """Add what ``other`` has found after this."""
        room = FINDINGS_MAX - len(self.found)
        self.found += other.found[:room]
        self.left_out += other.left_out + max(0, len(other.found) - room)
        self.damage += other.damage
