"""Power-loss campaigns, read strictly from TOML: what is recorded, on what card, what goes wrong and when, what holds.

Every mistake is a :class:`offtake.errors.SpecError` that names file, key path and what was expected.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from offtake.errors import SpecError
from offtake.spec.table import Table, load_table
from table_values import block_numbers, flag, number, pair

LEVELS = ("host", "bench")
SCHEDULES = ("every write", "every byte of every write", "every operation", "every read", "random", "pairs", "explicit")
POWER_FAULTS = ("between", "whole", "torn", "garbage", "neighbour", "lost tail", "reordered")
"""What a power cut does to the card."""
REFUSALS = ("write error", "crc error", "no answer")
READ_FAULTS = ("read error", "read crc")
CHIP_FAULTS = ("card pulled", "chip reset", *REFUSALS, *READ_FAULTS)
"""What happens while the power stays on."""
CAUSES = {"external": 2, "brown-out": 4, "watchdog": 8}
"""Bits of the chip's reset register."""
MOMENTS = ("idle", "busy", "block under way")
"""What the card is at when it is pulled, or the chip is reset."""
SECTOR = 512


@dataclass(frozen=True)
class Workload:
    """The line, and how long it is quiet after its last byte; bursts of 0 bytes: a saturated line."""

    baud: int
    start_ms: float
    bytes: int
    burst_bytes: int
    period_ms: float
    quiet_ms: float


@dataclass(frozen=True)
class JournalPlan:
    """The journal before the first power-on: ``held`` blocks in ``runs`` runs, over what ``older`` blocks left; of the
    held ones those with the numbers ``blank`` are missing, and ``damaged`` ones hold noise. ``sensors``: all are on."""

    blocks: int
    when_full: str
    held: int
    runs: int
    older: int
    close_ms: int
    blank: tuple[int, ...] = ()
    damaged: tuple[int, ...] = ()
    sensors: bool = False


@dataclass(frozen=True)
class CardPlan:
    """The card: file system, pieces of the journal file, kind, manners and busy times."""

    fat: int
    mib: int
    pieces: int
    address: str
    manners: str
    busy_low_ms: float
    busy_high_ms: float
    stall_ms: float
    stall_every: int


@dataclass(frozen=True)
class Fault:
    """One thing that goes wrong. ``at_byte`` -1 means drawn; ``lost`` is a range of acknowledged blocks."""

    kind: str
    at_byte: int = -1
    lost: tuple[int, int] = (0, 0)
    offset: int = -1
    when: str = "busy"
    back_ms: float = 0.0
    block: str = "between"
    cause: str = "brown-out"
    count: int = 1
    for_good: bool = False

    @property
    def is_power_cut(self) -> bool:
        """Whether the power goes; otherwise the chip, or all but the card, stays on."""
        return self.kind in POWER_FAULTS


@dataclass(frozen=True)
class Schedule:
    """When it goes wrong. ``count`` cuts for random and pairs; ``step`` bytes; ``points`` for explicit."""

    at: str
    count: int
    step: int
    points: tuple[str, ...]


@dataclass(frozen=True)
class Campaign:
    """One file. ``quick`` and ``long`` are how many of its cuts each set takes, spread evenly; 0 is none, -1 all."""

    name: str
    about: str
    level: str
    seed: int
    quick: int
    long: int
    workload: Workload
    journal: JournalPlan
    card: CardPlan
    faults: tuple[Fault, ...]
    schedule: Schedule
    invariants: tuple[str, ...]


def load_campaign(path: Path, known_invariants: tuple[str, ...]) -> Campaign:
    """Reads the campaign at ``path``.

    :raises SpecError: anything in it is not as it should be. :raises InputOutputError: it cannot be read.
    """
    file = load_table(path, path.name)
    campaign = Campaign(
        name=file.text("name"),
        about=file.text("about"),
        level=file.word("level", LEVELS),
        seed=file.integer("seed", 0, 2**31 - 1),
        quick=file.integer("quick", -1, 1_000_000),
        long=file.integer("long", -1, 1_000_000),
        workload=_workload(file.table("workload")),
        journal=_journal(file.table("journal")),
        card=_card(file.table("card")),
        faults=tuple(_fault(table) for table in file.tables("fault")),
        schedule=_schedule(file.table("cuts")),
        invariants=_invariants(file, known_invariants, f"{path.name}: invariants"),
    )
    file.end("name, about, level, seed, quick, long, workload, journal, card, fault, cuts or invariants")
    _agrees(campaign, path)
    return campaign


def load_campaigns(folder: Path, known_invariants: tuple[str, ...]) -> dict[str, Campaign]:
    """Every campaign of a folder by name, in the order of their names."""
    found = [load_campaign(path, known_invariants) for path in sorted(folder.glob("*.toml"))]
    return {campaign.name: campaign for campaign in found}


def _workload(table: Table) -> Workload:
    kind = table.word("line", ("saturated", "bursts"))
    plan = Workload(
        baud=table.integer("baud", 1_200, 1_000_000),
        start_ms=number(table, "start_ms", 0, 10_000),
        bytes=table.integer("bytes", 0, 1_000_000),
        burst_bytes=table.integer("burst_bytes", 1, 10_000) if kind == "bursts" else 0,
        period_ms=number(table, "period_ms", 1, 60_000) if kind == "bursts" else 0.0,
        quiet_ms=number(table, "quiet_ms", 0, 60_000),
    )
    table.end()
    return plan


def _journal(table: Table) -> JournalPlan:
    plan = JournalPlan(
        blocks=table.integer("blocks", 4, 65_536),
        when_full=table.word("when_full", ("stop", "wrap")),
        held=table.integer("held", 0, 1_000_000, 0),
        runs=table.integer("runs", 0, 60_000, 0),
        older=table.integer("older", 0, 65_535, 0),
        close_ms=table.integer("close_ms", 100, 1_000, 300),
        blank=block_numbers(table, "blank"),
        damaged=block_numbers(table, "damaged"),
        sensors=table.word("sensors", ("on", "off"), "off") == "on",
    )
    lap = plan.blocks - 1
    if plan.older > lap:
        raise SpecError(f"{plan.older} older blocks", where=table.at("older"), expected=f"at most {lap}")
    if plan.when_full == "stop" and plan.held > lap:
        raise SpecError(f"{plan.held} blocks held", where=table.at("held"), expected=f"at most {lap}, or wrap")
    if (plan.runs == 0) != (plan.held == 0) or plan.runs > plan.held:
        raise SpecError(
            f"{plan.held} blocks in {plan.runs} runs", where=table.at("runs"), expected="1 to held, or both 0"
        )
    oldest = max(1, plan.held - lap + 1)
    for key, listed in (("blank", plan.blank), ("damaged", plan.damaged)):
        wrong = [at for at in listed if not oldest <= at <= plan.held]
        if wrong:
            where, expected = table.at(key), f"blocks {oldest} to {plan.held}, which it holds"
            raise SpecError(f"block {wrong[0]}", where=where, expected=expected)
    table.end()
    return plan


def _card(table: Table) -> CardPlan:
    busy = pair(table, "busy_ms", 0, 10_000)
    plan = CardPlan(
        fat=table.integer("fat", 16, 32),
        mib=table.integer("mib", 4, 512),
        pieces=table.integer("pieces", 1, 4, 1),
        address=table.word("address", ("by block", "by byte"), "by block"),
        manners=table.word("manners", ("plain", "awkward"), "plain"),
        busy_low_ms=busy[0],
        busy_high_ms=busy[1],
        stall_ms=number(table, "stall_ms", 0, 10_000, 0.0),
        stall_every=table.integer("stall_every", 0, 1_000_000, 0),
    )
    if plan.fat not in (16, 32):
        raise SpecError(f"FAT{plan.fat} is not used", where=table.at("fat"), expected="16 or 32")
    if (plan.stall_ms > 0) != (plan.stall_every > 0):
        raise SpecError("one without the other", where=table.at("stall_ms"), expected="stall_ms and stall_every")
    table.end()
    return plan


def _fault(table: Table) -> Fault:
    kind = table.word("kind", (*POWER_FAULTS, *CHIP_FAULTS))
    fields: dict[str, object] = {}
    if kind == "torn":
        fields["at_byte"] = table.integer("at_byte", -1, SECTOR, -1)
    if kind in ("lost tail", "reordered"):
        low, high = pair(table, "lost", 0, 60)
        fields["lost"] = (int(low), int(high))
    if kind == "neighbour":
        fields["offset"] = table.integer("offset", -64, 64)
    if kind == "card pulled":
        fields["when"] = table.word("when", MOMENTS)
        fields["back_ms"] = number(table, "back_ms", 1, 60_000)
        fields["block"] = table.word("block", POWER_FAULTS[:4], "between")
    if kind == "chip reset":
        fields["cause"] = table.word("cause", tuple(CAUSES))
        fields["when"] = table.word("when", MOMENTS, "busy")
    if kind in REFUSALS or kind in READ_FAULTS:
        fields["count"] = table.integer("count", 1, 10_000, 1)
        fields["for_good"] = flag(table, "for_good")
    table.end(f"a key that a fault of kind {kind!r} knows")
    return Fault(kind=kind, **fields)  # type: ignore[arg-type]


def _schedule(table: Table) -> Schedule:
    at = table.word("at", SCHEDULES)
    counted = at in ("random", "pairs")
    points = table.any_of("points") if at == "explicit" else []
    if not isinstance(points, list) or not all(isinstance(point, str) for point in points):
        raise SpecError(f"{points!r} is no list", where=table.at("points"), expected='such as ["w3", "ms812.5"]')
    plan = Schedule(
        at=at,
        count=table.integer("count", 1, 1_000_000) if counted else 0,
        step=table.integer("step", 1, SECTOR, 1) if at == "every byte of every write" else 1,
        points=tuple(points),
    )
    table.end(f"a key that a schedule at {at!r} knows")
    return plan


def _invariants(file: Table, known: tuple[str, ...], where: str) -> tuple[str, ...]:
    names = file.any_of("invariants")
    if not isinstance(names, list) or not names:
        raise SpecError(f"{names!r} is no list of names", where=where, expected=f"some of {', '.join(known)}")
    for index, name in enumerate(names):
        if name not in known:
            raise SpecError(f"{name!r} is not known", where=f"{where}[{index}]", expected=f"one of {', '.join(known)}")
    return tuple(names)


def _agrees(campaign: Campaign, path: Path) -> None:
    """What no key can tell by itself."""
    at, where = campaign.schedule.at, path.name
    if campaign.name != path.stem:
        raise SpecError(f"{campaign.name!r} is not the file's name", where=f"{where}: name", expected=path.stem)
    if not campaign.faults:
        raise SpecError("nothing goes wrong", where=f"{where}: fault", expected="at least one [[fault]]")
    if campaign.level == "bench" and at in ("every byte of every write", "every operation", "every read"):
        raise SpecError(f"{at!r} at level bench", where=f"{where}: cuts.at", expected="level host, or another schedule")
    for index, fault in enumerate(campaign.faults):
        key = f"{where}: fault[{index}].kind"
        if at == "pairs" and not fault.is_power_cut:
            raise SpecError(f"pairs of {fault.kind!r}", where=key, expected=f"one of {', '.join(POWER_FAULTS)}")
        if (fault.kind in READ_FAULTS) != (at == "every read"):
            raise SpecError(f"{fault.kind!r} at {at!r}", where=key, expected="read faults at every read, nothing else")
        if fault.kind in REFUSALS and at != "every write":
            raise SpecError(f"{fault.kind!r} at {at!r}", where=key, expected="refusals at every write")
        if at == "explicit" and not campaign.schedule.points:
            raise SpecError("no points", where=f"{where}: cuts.points", expected="at least one")
    if "taken_up_again" in campaign.invariants and not any(f.kind == "card pulled" for f in campaign.faults):
        raise SpecError("no card is pulled", where=f"{where}: invariants", expected="a fault of kind 'card pulled'")
