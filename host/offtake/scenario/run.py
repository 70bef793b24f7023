"""Runs a scenario: the real firmware on the bench, with the scenario's receiver, card and power cut."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from offtake.bench.board import Bench, Board
from offtake.bench.cards import BusyTimes, Card, Milliseconds
from offtake.bench.cuts import Cut
from offtake.bench.figures import ACCEPTED, End
from offtake.bench.line import Line, steady
from offtake.card import make_card_image, prepare_in_image
from offtake.errors import DamageError
from offtake.jobs.header import SensorSettings, Settings, new_header
from offtake.journal.codec import encode_journal_header
from offtake.scenario.model import CardPlan, Scenario
from offtake.scenario.receiver import receiver_bursts
from offtake.scenario.world import scenario_world

QUIET_MS = 1_500.0
"""Time after the receiver's last byte in which the logger closes its last block."""
_SEEK_MS = 0.25
_SEEK_MAX_MS = 2_000.0


@dataclass(frozen=True)
class ScenarioRun:
    """What happened until the power went.

    ``sent`` are the bytes the receiver had begun to send; ``reached`` of them arrived whole in the chip's receiver,
    ``overrun_lost`` were lost there. ``blocks_accepted`` were taken by the card, ``blocks_durable`` had left busy.
    ``in_flight`` is the card's sector not yet durable at the cut, None for none. ``passive`` says that the firmware
    never touched the tapped line, None where there is no chip to tell by. ``recorder`` says what recorded.
    ``only_inputs`` says that no sensor's pin was ever driven and their bus only ever pulled low, None where there is no
    chip or no sensor.
    """

    recorder: str
    sent: bytes
    reached: int
    overrun_lost: int
    framing_errors: int
    blocks_accepted: int
    blocks_durable: int
    power_s: float
    in_flight: int | None
    passive: bool | None
    eeprom: bytes
    only_inputs: bool | None = None


def make_scenario_card(scenario: Scenario, path: Path) -> None:
    """Makes the scenario's card image at ``path``, with an empty journal on it; the same bytes every time.

    :raises UsageError: ``path`` exists. :raises InputOutputError: a tool is missing or the disk fails.
    """
    plan = scenario.journal
    make_card_image(path, plan.card_mib, fat=plan.fat_bits)
    settings = Settings(
        baud=scenario.receiver.baud,
        when_full=plan.when_full,
        label=plan.label,
        journal_id=plan.journal_id,
        created_utc_s=int(scenario.receiver.first_utc.timestamp()),
        sensors=scenario.sensors.settings if scenario.sensors else SensorSettings(),
    )
    prepare_in_image(path, encode_journal_header(new_header(settings, plan.blocks)), plan.blocks)


def scenario_card(scenario: Scenario) -> Card:
    """The scenario's card: its manners and seeded busy times."""
    plan = scenario.card
    return Card(
        busy=_busy(plan),
        acmd41_ms=plan.acmd41_ms,
        cmd0_ignored=plan.cmd0_ignored,
        garbage_bytes=plan.garbage_bytes,
        miso_low_before_init=plan.miso_low_before_init,
        read_latency_ms=plan.read_latency_ms,
        seed=scenario.seed,
    )


def _busy(plan: CardPlan) -> BusyTimes:
    def draw(rng: np.random.Generator, count: int) -> Milliseconds:
        times = rng.uniform(plan.busy_low_ms, plan.busy_high_ms, count)
        stalls = times[plan.stall_every - 1 :: plan.stall_every]
        stalls[:] = rng.uniform(plan.stall_low_ms, plan.stall_high_ms, len(stalls))
        return times

    return draw


def scenario_line(scenario: Scenario) -> Line:
    """What the receiver says, as a waveform on the tapped wire."""
    parts = [
        steady(b.data, baud=scenario.receiver.baud, frequency_hz=scenario.frequency_hz, start_ms=b.at_ms)
        for b in receiver_bursts(scenario)
    ]
    return Line(
        start=np.concatenate([part.start for part in parts]),
        pattern=np.concatenate([part.pattern for part in parts]),
        bit=np.concatenate([part.bit for part in parts]),
    )


def run_scenario(scenario: Scenario, firmware: Path, image: bytearray) -> ScenarioRun:
    """Records the scenario with the firmware image (ELF) on the card in ``image``, which is written in place.

    Where the scenario has no cut, the power goes a while after the receiver's last byte.

    :raises DamageError: the firmware crashed. :raises InputOutputError: the emulator is missing.
    """
    line = scenario_line(scenario)
    card, board = scenario_card(scenario), Board(frequency_hz=scenario.frequency_hz)
    world = scenario_world(scenario, board.vcc_mv)
    with Bench(
        firmware, image=image, card=card, line=line, board=board, seed=scenario.seed, sensors=world
    ) as bench:
        if scenario.cut is None:
            _require_alive(bench.run_line(then_ms=QUIET_MS))
        else:
            _require_alive(bench.run_until(bench.cycles(scenario.cut.at_s * 1000.0)))
            _run_into_a_write(bench)
        uart, writes = bench.uart, bench.writes
        accepted = writes[writes["response"] == ACCEPTED]
        cycle, passive, counts = bench.cycle, bench.passive.silent, bench.sensor_counts
        report = bench.cut(scenario.cut.cut if scenario.cut else Cut())
    return ScenarioRun(
        recorder=f"the {scenario.variant} image on the bench",
        sent=line.payload[: uart.sent],
        reached=uart.framed,
        overrun_lost=uart.overrun_lost,
        framing_errors=uart.framing_errors,
        blocks_accepted=len(accepted),
        blocks_durable=int((accepted["durable"] <= cycle).sum()),
        power_s=cycle / scenario.frequency_hz,
        in_flight=report.in_flight,
        passive=passive,
        eeprom=report.eeprom,
        only_inputs=None if world is None else counts.only_inputs,
    )


def _run_into_a_write(bench: Bench) -> None:
    """Goes on until the card has a block in flight, so that the cut has something to tear."""
    for _ in range(round(_SEEK_MAX_MS / _SEEK_MS)):
        if bench.card_counts.in_flight:
            return
        _require_alive(bench.run_ms(_SEEK_MS))


def _require_alive(end: End) -> None:
    if not end.ok:
        what = end.status.name.lower().replace("_", " ")
        raise DamageError(f"the firmware {what}: {end.message}".rstrip(": "), where=f"cycle {end.cycle}")
