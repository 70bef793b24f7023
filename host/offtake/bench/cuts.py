"""What a power cut does to a card: the ways in which flash and its controller are known to fail.

Sources: Tseng, Grupp, Swanson, "Understanding the impact of power loss on flash memory", DAC 2011 (a cut can
corrupt what an earlier, successful operation wrote); the FAST 2013 study of drives under power faults (bit
corruption, shorn writes, unserialised writes, lost tails).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np

SECTOR = 512


class Damage(StrEnum):
    """Kinds of damage; each concerns the block in flight unless it says otherwise."""

    CLEAN = "clean"
    """The block in flight keeps its old content."""
    WHOLE = "whole"
    """The block in flight is written whole although busy had not ended."""
    TORN = "torn"
    """Its first ``torn_at`` bytes are new, the rest old."""
    GARBAGE = "garbage"
    """It holds noise."""
    LOST_TAIL = "lost_tail"
    """It and the ``lost`` blocks finished before it go back to their old content: acknowledged data is
    lost.
    """
    REORDERED = "reordered"
    """Of it and the ``lost`` blocks before it a seeded subset is written, the others keep their old
    content.
    """
    NEIGHBOUR = "neighbour"
    """It keeps its old content, and the sector ``neighbour`` places from it holds noise."""


@dataclass(frozen=True)
class Cut:
    """A power cut's damage. ``torn_at`` is 0 to 512, ``lost`` a count of finished blocks, ``neighbour`` an
    offset.

    ``LOST_TAIL`` and ``REORDERED`` touch finished blocks only when ``lost`` is above 0: by default nothing
    that had left busy is harmed. ``NEIGHBOUR`` harms whatever lies there, finished or not.
    """

    damage: Damage = Damage.CLEAN
    torn_at: int = 256
    lost: int = 0
    neighbour: int = -1
    seed: int = 1


@dataclass(frozen=True)
class Recent:
    """A block the card had accepted, newest first in a list; ``settled`` when busy had ended."""

    lba: int
    settled: bool
    before: bytes
    after: bytes


@dataclass(frozen=True)
class CutReport:
    """What a cut left: ``in_flight`` is the block not yet out of busy (None for none), ``changed`` the
    sectors whose content differs from what an ideal card would hold (the block in flight aside), ``eeprom``
    the chip's EEPROM with the cell being written turned to noise, ``flash`` its flash with the page being
    erased or written torn (``Firmware(report.flash)`` starts a bench from it).
    """

    cycle: int
    in_flight: int | None
    reverted: tuple[int, ...] = ()
    garbage: tuple[int, ...] = ()
    eeprom: bytes = field(default=b"", repr=False)
    flash: bytes = field(default=b"", repr=False)

    @property
    def changed(self) -> tuple[int, ...]:
        """Every finished or untouched sector that the cut harmed."""
        return tuple(lba for lba in (*self.reverted, *self.garbage) if lba != self.in_flight)


class _Medium:
    """The card's image, addressed by sector."""

    def __init__(self, image: Any) -> None:
        self.bytes = memoryview(image).cast("B")

    def put(self, lba: int, content: bytes) -> None:
        self.bytes[lba * SECTOR : (lba + 1) * SECTOR] = content

    def holds(self, lba: int) -> bool:
        return 0 <= lba < len(self.bytes) // SECTOR


def _noise(rng: np.random.Generator) -> bytes:
    return rng.integers(0, 256, SECTOR, dtype=np.uint8).tobytes()


def _unfinished(recent: list[Recent]) -> Recent | None:
    return recent[0] if recent and not recent[0].settled else None


def _group(recent: list[Recent], lost: int) -> list[Recent]:
    """The block in flight, if any, and ``lost`` finished ones before it, newest first."""
    extra = 1 if _unfinished(recent) else 0
    return recent[: lost + extra]


def _revert(medium: _Medium, group: list[Recent], keep: list[bool]) -> tuple[int, ...]:
    for block in group:   # newest first: a sector written twice ends with its oldest content
        medium.put(block.lba, block.before)
    for block, kept in reversed(list(zip(group, keep, strict=True))):
        if kept:
            medium.put(block.lba, block.after)
    return tuple(block.lba for block, kept in zip(group, keep, strict=True) if not kept and block.settled)


def _corrupt_eeprom(content: bytes, cell: int, rng: np.random.Generator) -> bytes:
    if cell < 0:
        return content
    return content[:cell] + rng.bytes(1) + content[cell + 1 :]


def apply_cut(
    cut: Cut, image: Any | None, recent: list[Recent], eeprom: bytes, eeprom_cell: int, cycle: int
) -> CutReport:
    """Does a cut's damage to the card's ``image`` (None for an empty socket).

    ``recent`` are the last accepted blocks, newest first; ``eeprom_cell`` is the cell being written or -1.
    """
    rng = np.random.default_rng(cut.seed)
    kept_eeprom = _corrupt_eeprom(eeprom, eeprom_cell, rng)
    flying = _unfinished(recent)
    where = flying.lba if flying else None
    if image is None:
        return CutReport(cycle, None, eeprom=kept_eeprom)
    medium = _Medium(image)
    reverted: tuple[int, ...] = ()
    garbage: tuple[int, ...] = ()
    if cut.damage is Damage.LOST_TAIL:
        group = _group(recent, cut.lost)
        reverted = _revert(medium, group, [False] * len(group))
    elif cut.damage is Damage.REORDERED:
        group = _group(recent, cut.lost)
        reverted = _revert(medium, group, [bool(rng.integers(0, 2)) for _ in group])
    elif cut.damage is Damage.NEIGHBOUR:
        at = recent[0].lba + cut.neighbour if recent else -1
        if medium.holds(at):
            medium.put(at, _noise(rng))
            garbage = (at,)
    elif flying is not None and cut.damage is Damage.WHOLE:
        medium.put(flying.lba, flying.after)
    elif flying is not None and cut.damage is Damage.TORN:
        medium.put(flying.lba, flying.after[: cut.torn_at] + flying.before[cut.torn_at :])
    elif flying is not None and cut.damage is Damage.GARBAGE:
        medium.put(flying.lba, _noise(rng))
        garbage = (flying.lba,)
    return CutReport(cycle, where, reverted, garbage, kept_eeprom)


def random_cut(rng: np.random.Generator, *, acknowledged: bool = False) -> Cut:
    """A seeded cut of any kind; with ``acknowledged`` it may also lose up to seven finished blocks."""
    damage = list(Damage)[int(rng.integers(0, len(Damage)))]
    return Cut(
        damage=damage,
        torn_at=int(rng.integers(0, SECTOR + 1)),
        lost=int(rng.integers(0, 8)) if acknowledged else 0,
        neighbour=int(rng.choice([-2, -1, 1, 2])),
        seed=int(rng.integers(0, 2**31)),
    )
