"""What happened, told the same way by both levels: power-ons, the chip's lives in them, every block the card took."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from ground import Ground, Speech
from numpy.typing import NDArray
from offtake.bench.cards import Card
from offtake.bench.cuts import Cut


@dataclass(frozen=True)
class Stop:
    """Where something happens: at the first of these that comes true. ``offered`` blocks answered and ``in_block``
    bytes of the next on the bus (with 0: any). Times are ns since power came."""

    at_ns: int | None = None
    accepted: int | None = None
    offered: int | None = None
    in_block: int = 0
    commands: int | None = None


@dataclass(frozen=True)
class PowerCut:
    """The power goes, with this damage."""

    cut: Cut


@dataclass(frozen=True)
class Pull:
    """The card is pulled, with this damage to the block it had in hand, and put back later."""

    cut: Cut
    back_ns: int


@dataclass(frozen=True)
class ChipReset:
    """The chip alone is reset; ``cause`` is the bit of its reset register."""

    cause: int


Event = PowerCut | Pull | ChipReset


@dataclass(frozen=True)
class PowerOn:
    """One power-on to play: the card, the line, what happens where, and when it ends (by a clean cut)."""

    card: Card
    speech: Speech
    until_ns: int
    stop: Stop | None = None
    event: Event | None = None
    remembered: Any = None
    seed: int = 1


@dataclass(frozen=True)
class Block:
    """A block the card accepted. ``durable_ns`` is when busy ended or would have. ``kept``: it had left busy before
    anything happened to the card; ``survived``: it had not, but the card was left with it whole."""

    sector: int
    accepted_ns: int
    durable_ns: int
    before: bytes = field(repr=False)
    after: bytes = field(repr=False)
    kept: bool = True
    survived: bool = False
    life: int = 0


@dataclass
class Life:
    """The chip from a start to its reset or the end of power. ``heard`` is every line byte its receiver handed over,
    ``heard_ns`` when."""

    cause: int
    start_ns: int
    end_ns: int
    heard: bytes = field(repr=False)
    heard_ns: NDArray[np.uint64] = field(repr=False)


@dataclass
class Session:
    """One power-on as it went. ``harmed`` are the sectors that declared damage touched, by cut or pull."""

    lives: list[Life]
    blocks: list[Block]
    end_ns: int
    harmed: set[int]
    pulled_ns: tuple[int, int] | None = None
    pull_hit: bool = False
    hung: str = ""
    remembered: Any = None
    commands: int = 0
    reads: int = 0
    offered: int = 0
    journal: bytes = field(default=b"", repr=False)
    outside: list[int] = field(default_factory=list)

    @property
    def durable(self) -> list[Block]:
        """Blocks that had left busy."""
        return [block for block in self.blocks if block.kept]


@dataclass
class Story:
    """A trial's whole course. ``mount`` is a start stopped at its first block, undone; ``last`` the full next run."""

    ground: Ground
    sessions: list[Session]
    mount: Session | None
    last: Session
    fault: str
    steady: bool
    """Nothing but power cuts: no stall, pull, reset or card error in the sessions before the last."""
    complaints: list[str] = field(default_factory=list)
    """What fsck.fat says of the card at the end, where it was asked."""


class Level(Protocol):
    """Plays one power-on on the card in ``image``, written in place."""

    name: str

    def play(self, image: bytearray, plan: PowerOn) -> Session:
        """Runs it to its end, damage included."""

