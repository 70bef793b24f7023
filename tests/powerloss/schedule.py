"""From a campaign to its trials: every one has a name that says where it cuts, and can be made again from it."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from campaign import CAUSES, READ_FAULTS, REFUSALS, SECTOR, Campaign, Fault
from offtake.bench.cards import Card
from offtake.bench.cuts import Cut, Damage
from offtake.errors import UsageError
from story import ChipReset, Event, PowerCut, Pull, Session, Stop

BUS_BYTES = SECTOR + 2
"""A block and its check."""
RECOVERY_NS = 1_300_000_000
"""From power-on to a while after the first block of the next run: where the second cut of a pair falls."""
_IDLE_AFTER_NS = 3_000_000
_DAMAGE = {
    "between": Damage.CLEAN,
    "whole": Damage.WHOLE,
    "torn": Damage.TORN,
    "garbage": Damage.GARBAGE,
    "neighbour": Damage.NEIGHBOUR,
    "lost tail": Damage.LOST_TAIL,
    "reordered": Damage.REORDERED,
}
_FAULT_LISTS = {
    "write error": "write_errors",
    "crc error": "crc_errors",
    "no answer": "silent_writes",
    "read error": "read_errors",
    "read crc": "read_crc_errors",
}
_POINT = re.compile(r"w(\d+)(?:\.b(\d+))?|o(\d+)|ms(\d+(?:\.\d+)?)|d(\d+)|[rp](\d+)")


@dataclass(frozen=True)
class Moment:
    """One thing going wrong: where, what, or (instead of both) a card that fails by itself."""

    stop: Stop | None
    event: Event | None
    card: Card


@dataclass(frozen=True)
class Trial:
    """One cut of a campaign: its name, ``moments`` of one or (in a pair) two power-ons, and what it is a case of."""

    name: str
    point: str
    fault: Fault
    moments: tuple[Moment, ...]


@dataclass(frozen=True)
class Extent:
    """How far a power-on without any fault goes: what points there are to cut at."""

    writes: int
    commands: int
    reads: int
    end_ns: int
    busy_ns: tuple[tuple[int, int], ...]
    """Of each accepted block: when busy began and ended."""


def extent_of(session: Session) -> Extent:
    """Measured on a rehearsal."""
    busy = tuple((block.accepted_ns, block.durable_ns) for block in session.blocks)
    return Extent(session.offered, session.commands, session.reads, session.end_ns, busy)


def trial_names(campaign: Campaign, extent: Extent) -> list[str]:
    """The names of all the campaign's trials, in order: ``campaign:level:point``, with ``.f1`` where there are more
    faults than one to a point."""
    at, count = campaign.schedule.at, campaign.schedule.count
    if at == "every write":
        points = [f"w{w}" for w in range(extent.writes)]
    elif at == "every byte of every write":
        step = campaign.schedule.step
        points = [f"w{w}.b{b}" for w in range(extent.writes) for b in range(0, SECTOR + 1, step)]
    elif at == "every operation":
        points = [f"o{o}" for o in range(1, extent.commands + 1)]
    elif at == "every read":
        points = [f"d{d}" for d in range(extent.reads)]
    elif at == "explicit":
        points = list(campaign.schedule.points)
    else:
        points = [f"{at[0]}{index}" for index in range(count)]
    drawn = at in ("random", "pairs")
    several = len(campaign.faults) > 1 and not drawn
    faults = range(len(campaign.faults)) if several else range(1)
    marks = [f".f{fault}" if several else "" for fault in faults]
    return [f"{campaign.name}:{campaign.level}:{point}{mark}" for point in points for mark in marks]


def make_trial(campaign: Campaign, name: str, extent: Extent, card: Card) -> Trial:
    """The trial of this name. UsageError: there is none."""
    parts = name.split(":")
    match = re.fullmatch(r"(.+?)(?:\.f(\d+))?", parts[-1])
    point = match.group(1) if match else ""
    found = _POINT.fullmatch(point)
    if len(parts) != 3 or parts[1] != campaign.level or found is None or match is None:
        raise UsageError(f"no cut {name!r}", expected=f"such as {trial_names(campaign, extent)[0]}")
    drawn = point[0] in "rp"
    number = int(found.group(6)) if drawn else int(match.group(2) or 0)
    if number >= len(campaign.faults) and not drawn:
        raise UsageError(f"no fault {number} in {campaign.name}", expected=f"at most {len(campaign.faults) - 1}")
    fault = campaign.faults[number % len(campaign.faults)]
    rng = np.random.default_rng([campaign.seed, sum(point.encode()), *(int(g) for g in re.findall(r"\d+", point))])
    moments = [_moment(fault, found, extent, card, rng)]
    if point[0] == "p":
        second = campaign.faults[int(rng.integers(0, len(campaign.faults)))]
        stop = Stop(at_ns=int(rng.uniform(0, RECOVERY_NS)))
        moments.append(Moment(stop, _event(second, rng, None), card))
    return Trial(name, point, fault, tuple(moments))


def _moment(fault: Fault, found: re.Match[str], extent: Extent, card: Card, rng: np.random.Generator) -> Moment:
    write, byte, operation, ms, read = (found.group(i) for i in range(1, 6))
    if fault.kind in REFUSALS or fault.kind in READ_FAULTS:
        first = int(write or read or 0)
        ordinals = tuple(range(first, 10_000 if fault.for_good else first + fault.count))
        failing: dict[str, Any] = {_FAULT_LISTS[fault.kind]: ordinals}
        return Moment(None, None, replace(card, **failing))
    at_byte = None if byte is None else int(byte)
    event = _event(fault, rng, at_byte)
    if operation is not None:
        return Moment(Stop(commands=int(operation)), event, card)
    if ms is not None:
        return Moment(Stop(at_ns=int(float(ms) * 1e6)), event, card)
    if write is None:
        return Moment(Stop(at_ns=int(rng.uniform(0, extent.end_ns))), event, card)
    return Moment(_at_write(fault, int(write), at_byte, extent, rng), event, card)


def _at_write(fault: Fault, write: int, at_byte: int | None, extent: Extent, rng: np.random.Generator) -> Stop:
    """For a power cut: just accepted. With a byte, and a fault that tears nothing: so far over the bus. What leaves
    the power on comes while the card is busy, so that the chip knows the block accepted, or soon after."""
    under_way = not fault.is_power_cut and fault.when == "block under way"
    if under_way or (at_byte is not None and fault.kind != "torn"):
        byte = int(rng.integers(1, BUS_BYTES)) if at_byte is None else at_byte
        return Stop(offered=write, in_block=byte)
    if fault.is_power_cut or write >= len(extent.busy_ns):
        return Stop(accepted=write + 1)
    began, ended = extent.busy_ns[write]
    if fault.when == "idle":
        return Stop(at_ns=ended + _IDLE_AFTER_NS)
    return Stop(at_ns=began + int(rng.uniform(0.1, 0.9) * (ended - began)))


def _event(fault: Fault, rng: np.random.Generator, at_byte: int | None) -> Event:
    if fault.kind == "chip reset":
        return ChipReset(CAUSES[fault.cause])
    pulled = fault.kind == "card pulled"
    kind = fault.block if pulled else fault.kind
    drawn = int(rng.integers(0, SECTOR + 1))
    cut = Cut(
        damage=_DAMAGE[kind],
        torn_at=drawn if at_byte is None and fault.at_byte < 0 else fault.at_byte if at_byte is None else at_byte,
        lost=int(rng.integers(fault.lost[0], fault.lost[1] + 1)),
        neighbour=fault.offset,
        seed=int(rng.integers(0, 2**31)),
    )
    return Pull(cut, int(fault.back_ms * 1e6)) if pulled else PowerCut(cut)


def spread(names: list[str], count: int) -> list[str]:
    """``count`` of the names, evenly spread; all for -1 or when there are no more."""
    if count < 0 or count >= len(names):
        return names
    return [names[index * len(names) // count] for index in range(count)]


def share_of(names: list[str], part: int, parts: int) -> list[str]:
    """Part ``part`` (from 1) of ``parts``: every name is in exactly one."""
    if not 1 <= part <= parts:
        raise UsageError(f"share {part}/{parts}", expected="1/2, 2/2 and the like")
    return names[part - 1 :: parts]
