"""Reads a scenario strictly: an unknown key, a missing one or a number out of range is a SpecError."""

from __future__ import annotations

from pathlib import Path

from offtake.bench.cuts import Cut, Damage
from offtake.errors import SpecError
from offtake.scenario.load_sensors import load_sensors
from offtake.scenario.model import CardPlan, CutPlan, JournalPlan, ReceiverPlan, Scenario, VehiclePlan
from offtake.scenario.values import flag, moment, number
from offtake.spec.load import find_spec_folder, load_spec
from offtake.spec.model import Variant
from offtake.spec.table import Table, load_table

_BUSY_MAX_MS = 10_000.0
_DURATION_MAX_S = 3_600.0


def load_scenario(path: Path) -> Scenario:
    """Reads the scenario at ``path``.

    :raises SpecError: anything in it is not as it should be; the message names file, line and key path.
    :raises InputOutputError: it cannot be read.
    """
    file = load_table(path, str(path))
    about = file.table("scenario")
    variant = _variant(file.table("board"))
    scenario = Scenario(
        name=about.text("name"),
        doc=about.text("doc"),
        invented=flag(about, "invented"),
        seed=about.integer("seed", 0, 2**31 - 1),
        variant=variant.name,
        frequency_hz=variant.clock_hz,
        journal=_journal(file.table("journal")),
        receiver=_receiver(file.table("receiver")),
        vehicle=_vehicle(file.table("vehicle")),
        card=_card(file.table("card")),
        cut=_cut(file.table("cut")) if file.has("cut") else None,
        sensors=load_sensors(file.table("sensors")) if file.has("sensors") else None,
    )
    about.end()
    file.end("scenario, board, journal, receiver, vehicle, card, cut or sensors")
    return scenario


def _variant(table: Table) -> Variant:
    known = {v.name: v for board in load_spec(find_spec_folder()).boards for v in board.variants}
    name = table.word("variant", tuple(known))
    table.end("variant")
    return known[name]


def _journal(table: Table) -> JournalPlan:
    plan = JournalPlan(
        card_mib=table.integer("card_mib", 16, 2_048),
        fat_bits=table.integer("fat_bits", 16, 32),
        journal_kib=table.integer("journal_kib", 1, 1024 * 1024),
        label=table.text("label"),
        when_full=table.word("when_full", ("stop", "wrap")),
        journal_id=table.integer("journal_id", 1, 2**32 - 1),
    )
    if plan.fat_bits not in (16, 32):
        raise SpecError(f"FAT{plan.fat_bits} is not used", where=table.at("fat_bits"), expected="16 or 32")
    table.end()
    return plan


def _receiver(table: Table) -> ReceiverPlan:
    plan = ReceiverPlan(
        baud=table.integer("baud", 1_200, 1_000_000),
        rate_hz=table.integer("rate_hz", 1, 50),
        start_s=number(table, "start_s", 0.0, 60.0),
        duration_s=number(table, "duration_s", 0.1, _DURATION_MAX_S),
        jitter_ms=number(table, "jitter_ms", 0.0, 1_000.0),
        first_utc=moment(table, "first_utc"),
        talker=table.text("talker"),
    )
    if len(plan.talker) != 2 or not (plan.talker.isascii() and plan.talker.isupper()):
        raise SpecError(f"{plan.talker!r} is no talker", where=table.at("talker"), expected="two capital letters")
    table.end()
    return plan


def _vehicle(table: Table) -> VehiclePlan:
    # Short of the poles, where a step to the east has no length in degrees.
    plan = VehiclePlan(
        latitude_deg=number(table, "latitude_deg", -89.0, 89.0),
        longitude_deg=number(table, "longitude_deg", -180.0, 180.0),
        altitude_m=number(table, "altitude_m", -1_000.0, 99_000.0),
        geoid_separation_m=number(table, "geoid_separation_m", -200.0, 200.0),
        course_deg=number(table, "course_deg", 0.0, 360.0),
        speed_m_s=number(table, "speed_m_s", 0.0, 1_000.0),
        leg_s=number(table, "leg_s", 0.1, _DURATION_MAX_S),
        turn_s=number(table, "turn_s", 0.1, _DURATION_MAX_S),
        sway_m=number(table, "sway_m", 0.0, 100.0),
    )
    table.end()
    return plan


def _card(table: Table) -> CardPlan:
    plan = CardPlan(
        busy_low_ms=number(table, "busy_low_ms", 0.0, _BUSY_MAX_MS),
        busy_high_ms=number(table, "busy_high_ms", 0.0, _BUSY_MAX_MS),
        stall_low_ms=number(table, "stall_low_ms", 0.0, _BUSY_MAX_MS),
        stall_high_ms=number(table, "stall_high_ms", 0.0, _BUSY_MAX_MS),
        stall_every=table.integer("stall_every", 1, 1_000_000),
        acmd41_ms=number(table, "acmd41_ms", 0.0, 1_000.0),
        cmd0_ignored=table.integer("cmd0_ignored", 0, 100),
        garbage_bytes=table.integer("garbage_bytes", 0, 8),
        miso_low_before_init=flag(table, "miso_low_before_init"),
        read_latency_ms=number(table, "read_latency_ms", 0.0, 1_000.0),
    )
    if plan.busy_low_ms > plan.busy_high_ms or plan.stall_low_ms > plan.stall_high_ms:
        raise SpecError("a lowest time above the highest", where=table.where, expected="low <= high")
    table.end()
    return plan


def _cut(table: Table) -> CutPlan:
    damage = Damage(table.word("damage", tuple(kind.value for kind in Damage)))
    at_s = number(table, "at_s", 0.1, _DURATION_MAX_S)
    cut = Cut(
        damage=damage,
        torn_at=table.integer("torn_at", 0, 512, 256),
        lost=table.integer("lost", 0, 63, 0),
        neighbour=table.integer("neighbour", -64, 64, -1),
        seed=table.integer("seed", 0, 2**31 - 1, 1),
    )
    table.end()
    return CutPlan(at_s, cut)
