"""The main job from end to end on the bench: generate, build, prepare, record, pull, verify, salvage, export, report.

Run it as ``host/demo``, which sets up what it needs first.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import fill

from offtake.bench.board import Bench, Board
from offtake.bench.desk import DeskServer
from offtake.bench.figures import Reset
from offtake.card import fsck, open_journal
from offtake.cli.show import WIDTH, facts, id_text, paragraph
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE, OfftakeError, UsageError
from offtake.export.values import iso_utc
from offtake.firmware_build import NO_AVR_VARIABLE, ROOT, build
from offtake.generated.records import BLOCK_SPACE, FRAME_CHECK_SIZE, FRAME_HEAD_SIZE, DescriptionPacket
from offtake.jobs.export import FORMATS, ExportResult, export
from offtake.jobs.measured import measured_batches
from offtake.jobs.report import report as make_report
from offtake.jobs.spec import generate
from offtake.journal.measured import gather
from offtake.journal.salvage import salvage
from offtake.journal.verify import verify
from offtake.link import PullResult, list_runs, open_desk, pull_from_desk, pull_from_path
from offtake.scenario import Scenario, ScenarioRun, load_scenario, make_scenario_card, run_scenario
from offtake.scenario.truth import Check, check_sensors
from offtake.spec.load import load_spec

SCENARIO = ROOT / "demo_data" / "kayak_survey.toml"
FOLDER = ROOT / ".build" / "demo"
CARD, SENT, PULLED, STEM, PAGE = "card.img", "sent.bin", "kayak.jnl", "kayak", "kayak.html"
# A block's frame space less one frame's head, shortest tick offset and check.
LINE_BYTES_IN_BLOCK = BLOCK_SPACE - FRAME_HEAD_SIZE - 1 - FRAME_CHECK_SIZE
_STEPS = 9


@dataclass(frozen=True)
class Outcome:
    """The figures of the closing table; all in bytes but frames and fixes."""

    sent: int
    reached: int
    logged: int
    counted_lost: int
    frames: int
    fixes: int
    accounted: bool
    exact: bool
    card_clean: bool
    passive: bool | None
    only_inputs: bool | None
    ring_bytes: int
    sensors: tuple[Check, ...]

    @property
    def lost_at_cut(self) -> int:
        """Bytes that had reached the chip, but were not durable when the power went."""
        return self.reached - self.logged - self.counted_lost

    @property
    def checks(self) -> tuple[tuple[str, bool], ...]:
        """What has to hold, in words, and whether it does."""
        # The block in flight is out of the ring, yet not durable.
        bound = self.ring_bytes + LINE_BYTES_IN_BLOCK
        left_alone = (
            ("the tapped line was never touched", self.passive),
            ("no sensor's pin was ever driven, and their bus only pulled low", self.only_inputs),
        )
        return (
            *((text, holds) for text, holds in left_alone if holds is not None),
            ("what was logged is what was sent, byte for byte", self.exact),
            (f"lost at the cut: at most the ring and a block's bytes ({bound:,})", 0 <= self.lost_at_cut <= bound),
            ("every byte of the pulled file is accounted for", self.accounted),
            ("the card's file system is clean", self.card_clean),
            *self.sensors,
        )


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the demo; returns the exit code: 0 when everything held."""
    parser = argparse.ArgumentParser(prog="host/demo", description="Runs the whole chain once, on the simulated board.")
    about = "folder for the files (.build/demo; another must be new or empty)"
    parser.add_argument("-o", "--output", type=Path, metavar="DIR", help=about)
    options = parser.parse_args(arguments)
    try:
        return _run(_folder(options.output))
    except OfftakeError as error:
        sys.stderr.write(f"demo: {error}\n")
        return error.exit_code


def _folder(chosen: Path | None) -> Path:
    """The folder to write to: our own is emptied, another must hold nothing."""
    folder = chosen or FOLDER
    if chosen is None:
        shutil.rmtree(folder, ignore_errors=True)
    elif folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError("is not an empty folder", where=str(folder), expected="a new or empty one")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _run(folder: Path) -> int:
    scenario = load_scenario(SCENARIO)
    without_avr = os.environ.get(NO_AVR_VARIABLE) == "1"
    print(f"{fill(scenario.doc, WIDTH)}\nAll of it is invented ({SCENARIO.relative_to(ROOT)}).\n")
    _step(1, "generate: C, Python and the reference page from shared_spec")
    print(f"   {len(generate(write=True).stale)} files had to be written; the others were current")
    firmware = _build(scenario, without_avr)
    _step(3, "prepare: a FAT card image with an empty journal")
    make_scenario_card(scenario, folder / CARD)
    print(f"   journal {id_text(scenario.journal.journal_id)}, {scenario.journal.blocks:,} blocks")
    image = bytearray((folder / CARD).read_bytes())
    run = _record(scenario, firmware, image)
    (folder / CARD).write_bytes(image)
    (folder / SENT).write_bytes(run.sent)
    pulled = _pull(scenario, firmware, run, image, folder)
    print(f"   journal {id_text(pulled.journal_id)}: {pulled.size_bytes:,} bytes in {pulled.blocks:,} blocks")
    outcome = _examine(folder, scenario, run)
    return _close(folder, outcome)


def _step(number: int, text: str) -> None:
    print(f"{number}/{_STEPS} {text}", flush=True)


def _build(scenario: Scenario, without_avr: bool) -> Path | None:
    if without_avr:
        _step(2, "build: there is no AVR toolchain here (OFFTAKE_NO_AVR=1)")
        print("   the logger's core, compiled for this computer, takes the chip's place")
        return None
    _step(2, f"build: the firmware for {scenario.variant}, with PlatformIO")
    firmware = build(scenario.variant)
    print(f"   {firmware}")
    return firmware


def _record(scenario: Scenario, firmware: Path | None, image: bytearray) -> ScenarioRun:
    seconds = scenario.receiver.duration_s
    _step(4, f"record: {seconds:g} s of a receiver at {scenario.receiver.baud:,} baud, four sensors, an ugly card")
    if firmware is None:
        from offtake.hostcore.record import record_with_host_core

        run = record_with_host_core(scenario, image)
    else:
        run = run_scenario(scenario, firmware, image)
    flying = "nothing" if run.in_flight is None else f"the card's sector {run.in_flight:,}"
    print(f"   recorded by {run.recorder}; power gone at {run.power_s:.3f} s")
    print(f"   {run.blocks_accepted:,} blocks accepted, {run.blocks_durable:,} durable, in flight: {flying}")
    return run


def _pull(scenario: Scenario, firmware: Path | None, run: ScenarioRun, image: bytearray, folder: Path) -> PullResult:
    if firmware is None:
        _step(5, "pull: from the card's image, since there is no board to ask")
        return pull_from_path(folder / CARD, folder / PULLED)
    _step(5, "pull: the same board at the desk, over a serial port of this computer")
    board = Board(frequency_hz=scenario.frequency_hz)
    with Bench(firmware, image=image, eeprom=run.eeprom, board=board, seed=scenario.seed) as bench:
        # The adapter resets the board as it is plugged in, and again when the port is opened.
        bench.reset(Reset.EXTERNAL)
        with DeskServer(bench) as server, open_desk(server.port) as desk:
            found = desk.describe()
            print(f"   {found.board.name.lower()}, firmware {_version(found)}, supply {found.supply_mv:,} mV")
            print(f"   {len(list_runs(desk))} run(s) on the card")
            pulled = pull_from_desk(desk, folder / PULLED)
            print(f"   pulled at {desk.baud:,} baud; {pulled.asked_again} requests had to be repeated")
    return pulled


def _version(found: DescriptionPacket) -> str:
    return f"{found.firmware_major}.{found.firmware_minor}.{found.firmware_patch}"


def _examine(folder: Path, scenario: Scenario, run: ScenarioRun) -> Outcome:
    with open_journal(folder / PULLED) as opened:
        _step(6, "verify: every block and frame of the pulled file")
        report = verify(opened, PULLED)
        damaged = report.blocks.damaged + report.blocks.torn
        print(f"   {report.blocks.intact:,} blocks intact, {damaged:,} damaged by the cut")
        for finding in report.findings[:5]:
            print(f"   {finding.severity}: block {finding.position:,}: {finding.text}")
        _step(7, "salvage: what damaged blocks still prove, and where every byte went")
        found = salvage(opened, PULLED)
        account = found.account
        runs = found.runs()
        measured = gather(measured_batches(found, runs[0].run)) if runs else ()
        extra = account.frames - sum(report.frames_by_message.values())
        print(f"   {account.frames:,} frames, {extra:,} of them out of damaged blocks")
        print(f"   {account.recovered:,} bytes recovered, {account.skipped_bytes:,} skipped, {account.size:,} in all")
    _step(8, f"export: {', '.join(FORMATS)}")
    exported = export(folder / PULLED, FORMATS, folder / STEM)
    _print_track(exported)
    _step(9, "report: how it went, in words and pictures")
    for answer in make_report(folder / PULLED, folder / PAGE).answers:
        paragraph(f"   {answer}", indent=5)
    logged = b"".join(file.path.read_bytes() for file in exported.files if file.format == "raw")
    lost = sum(info.lost_bytes for info in runs)
    return Outcome(
        sent=len(run.sent),
        reached=run.reached - run.overrun_lost,
        logged=len(logged),
        counted_lost=lost,
        frames=account.frames,
        fixes=exported.summary.fixes if exported.summary else 0,
        accounted=account.recovered + account.skipped_bytes == account.size == (folder / PULLED).stat().st_size,
        exact=_is_part_of(logged, run.sent, lost),
        card_clean=not fsck(folder / CARD),
        passive=run.passive,
        only_inputs=run.only_inputs,
        ring_bytes=_ring_bytes(scenario),
        sensors=check_sensors(scenario, measured, run.power_s, chip=run.passive is not None),
    )


def _print_track(exported: ExportResult) -> None:
    summary = exported.summary
    if summary and summary.first_utc and summary.last_utc and summary.bounds:
        print(f"   {iso_utc(summary.first_utc)} to {iso_utc(summary.last_utc)}, {summary.distance_m:,.1f} m")
        box = summary.bounds
        print(f"   between {box.south_deg:.6f}, {box.west_deg:.6f} and {box.north_deg:.6f}, {box.east_deg:.6f}")


def _is_part_of(logged: bytes, sent: bytes, counted_lost: int) -> bool:
    """Whether ``logged`` is the beginning of ``sent``; where bytes were lost, whether it is in it in order."""
    if not counted_lost:
        return sent.startswith(logged)
    rest = iter(sent)
    return all(byte in rest for byte in logged)


def _ring_bytes(scenario: Scenario) -> int:
    """The ring's size; sensors take a part of it."""
    boards = load_spec(ROOT / "shared_spec").boards
    board = next(b for b in boards if any(v.name == scenario.variant for v in b.variants))
    return board.ring_bytes - (board.sensor_bytes + board.sensor_stack_bytes if scenario.sensors else 0)


def _close(folder: Path, outcome: Outcome) -> int:
    print()
    rows: list[tuple[str, object]] = [
        ("bytes the receiver sent", f"{outcome.sent:>9,}"),
        ("bytes that reached the chip", f"{outcome.reached:>9,}"),
        ("bytes logged and recovered", f"{outcome.logged:>9,}"),
        ("bytes counted lost", f"{outcome.counted_lost:>9,}"),
        ("bytes lost at the cut, not yet durable", f"{outcome.lost_at_cut:>9,}"),
        ("frames recovered", f"{outcome.frames:>9,}"),
        ("fixes", f"{outcome.fixes:>9,}"),
    ]
    facts(rows)
    print()
    for text, holds in outcome.checks:
        print(f"{'holds ' if holds else 'FAILED'}  {text}")
    print(f"\nThe files are in {folder}:")
    for path in sorted(folder.iterdir()):
        print(f"{path.stat().st_size:>12,}  {path.name}")
    return EXIT_CLEAN if all(holds for _, holds in outcome.checks) else EXIT_DAMAGE


if __name__ == "__main__":
    raise SystemExit(main())
