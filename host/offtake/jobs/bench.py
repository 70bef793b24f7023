"""Runs a scenario into a folder: the card's image afterwards, and the bytes the receiver sent."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from offtake.errors import InputOutputError, UsageError
from offtake.firmware_build import build
from offtake.scenario import Scenario, ScenarioRun, load_scenario, make_scenario_card, run_scenario

CARD_NAME = "card.img"
SENT_NAME = "sent.bin"


@dataclass(frozen=True)
class BenchResult:
    """A scenario that was run, and the two files it left."""

    scenario: Scenario
    run: ScenarioRun
    card: Path
    sent: Path


def bench(scenario_path: Path, folder: Path) -> BenchResult:
    """Builds the firmware, makes the card, records the scenario; ``folder`` is made where it is missing.

    :raises SpecError: the scenario is not as it should be.
    :raises UsageError: the folder holds such files already.
    :raises InputOutputError: no toolchain or emulator, or the disk fails.
    :raises DamageError: the firmware crashed.
    """
    scenario = load_scenario(scenario_path)
    card, sent = folder / CARD_NAME, folder / SENT_NAME
    for path in (card, sent):
        if os.path.lexists(path):
            raise UsageError("exists already", where=str(path), expected="another folder")
    firmware = build(scenario.variant)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        make_scenario_card(scenario, card)
        image = bytearray(card.read_bytes())
        run = run_scenario(scenario, firmware, image)
        card.write_bytes(image)
        sent.write_bytes(run.sent)
    except OSError as error:
        raise InputOutputError(f"cannot write: {error.strerror}", where=str(folder)) from error
    return BenchResult(scenario, run, card, sent)
