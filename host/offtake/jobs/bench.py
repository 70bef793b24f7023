"""A scenario on the bench: recorded into a folder, or with the receiver's line or the board itself behind a port."""

from __future__ import annotations

import mmap
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from offtake.bench.board import Bench, Board
from offtake.bench.desk import Adapter, DeskServer
from offtake.bench.line_port import LinePort
from offtake.errors import InputOutputError, UsageError
from offtake.firmware_build import build
from offtake.scenario import Scenario, ScenarioRun, load_scenario, make_scenario_card, run_scenario
from offtake.scenario.run import scenario_card
from offtake.scenario.wire import scenario_wire

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


@contextmanager
def line_port(scenario_path: Path) -> Iterator[LinePort]:
    """The scenario's receiver behind a serial port, as an adapter on the tapped wire would hear it, again and again.

    :raises SpecError: the scenario is not as it should be. :raises InputOutputError: no pseudo-terminal.
    """
    with LinePort(scenario_wire(load_scenario(scenario_path))) as port:
        yield port


@contextmanager
def desk_port(scenario_path: Path, folder: Path, boot_loader: Path | None = None) -> Iterator[DeskServer]:
    """The scenario's board at the desk, behind a serial port; its card is the image that :func:`bench` left in
    ``folder``, and what the board writes goes into that file.

    :param boot_loader: an Intel HEX file: the chip is then empty but for this, and waits to be flashed.
    :raises SpecError: the scenario is not as it should be.
    :raises InputOutputError: no such image, no toolchain or emulator, no pseudo-terminal.
    """
    scenario = load_scenario(scenario_path)
    firmware = None if boot_loader is not None else build(scenario.variant)
    path = folder / CARD_NAME
    try:
        file = path.open("r+b")
    except OSError as error:
        expected = f"a card image from `offtake bench {scenario_path} -o {folder}`"
        raise InputOutputError(f"cannot open: {error.strerror}", where=str(path), expected=expected) from error
    with file, mmap.mmap(file.fileno(), 0) as image:
        board = Board(frequency_hz=scenario.frequency_hz)
        card = scenario_card(scenario)
        with (
            Bench(firmware, image=image, card=card, board=board, boot_loader=boot_loader, seed=scenario.seed) as bench,
            # A person and avrdude wait by the clock on the wall, so the board keeps to it as well.
            DeskServer(bench, Adapter(idle_pace=1.0)) as server,
        ):
            yield server
