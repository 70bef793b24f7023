"""`offtake prepare`: a new journal on a card."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from pathlib import Path

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb, journal_id, size
from offtake.errors import EXIT_CLEAN

_MORE = """\
TARGET is the folder a FAT16 or FAT32 card is mounted at, the file of a card
image, or the serial port of a logger with a prepared card in it (the journal
keeps its size then).

Sensors are off unless their option is given. An analogue input reads up to the
supply voltage; with a divider of two resistors before it, up to its full scale:
supply x (upper + lower) / lower, so 5000 mV x (30 + 10) / 10 = 20000 mV with
30 kOhm above 10 kOhm. Resistors and supply are a few per cent off: put a known
voltage at the input, see what is logged, and correct the full scale by the
ratio of what a meter shows to what is logged."""


_WHOLE = re.compile(r"\d{1,9}\Z", re.ASCII)


def _whole(unit: str, example: str) -> Callable[[str], int]:
    """Reads a whole number of ``unit``."""

    def read(text: str) -> int:
        if not _WHOLE.match(text):
            raise argparse.ArgumentTypeError(f"{text!r} is no whole number of {unit} (expected {example}, say)")
        return int(text)

    return read


def _debounce(text: str) -> int:
    """The value of --event, which may go without one: then what follows it is taken for it."""
    if _WHOLE.match(text):
        return int(text)
    if text[:1].isdecimal() and "/" not in text and not Path(text).exists():
        raise argparse.ArgumentTypeError(
            f"{text!r} is no whole number of ms (expected --event 20, say, or --event alone)"
        )
    raise argparse.ArgumentTypeError(
        f"{text!r} is no whole number of ms; if it is the TARGET, put it before --event (expected TARGET --event, or"
        " --event 20 TARGET)"
    )


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    example = 'offtake prepare /media/card --size 1GiB --baud 57600 --label "first day"'
    parser = add_verb(verbs, "prepare", "put a new journal on a card", example, run, _MORE)
    parser.add_argument("target", type=Path, metavar="TARGET", help="card folder, card image or serial port")
    parser.add_argument("--size", type=size, default=256 * 2**20, help="the journal's size (256MiB)")
    parser.add_argument("--baud", type=_whole("Bd", "57600"), default=57_600, help="the receiver's speed (57600)")
    parser.add_argument("--label", default="", help="your name for this journal, up to 32 bytes")
    parser.add_argument(
        "--when-full", choices=("stop", "wrap"), default="stop", help="stop, or go on over the oldest blocks (stop)"
    )
    parser.add_argument(
        "--gap-bytes", type=_whole("bytes", "4"), default=4, help="a pause this long, in bytes, ends a burst (4)"
    )
    parser.add_argument("--close-ms", type=_whole("ms", "700"), default=700, help="a block is closed at this age (700)")
    parser.add_argument("--supply-s", type=_whole("s", "10"), default=10, help="seconds between supply readings (10)")
    sensors = parser.add_argument_group("sensors")
    sensors.add_argument(
        "--analogue-ms", type=_whole("ms", "1000"), metavar="MS", help="read the analogue inputs this often, from 20 on"
    )
    for number in (1, 2):
        sensors.add_argument(
            f"--full-scale-{number}", type=_whole("mV", "20000 for 20 V"), metavar="MV", help=f"voltage at input"
            f" {number} that puts the chip's pin at its supply; without it the input is off",
        )  # fmt: skip
    sensors.add_argument(
        "--event", type=_debounce, nargs="?", const=True, metavar="MS", help="log changes at the event input that last"
        " so long, 1 to 250 (20)",
    )  # fmt: skip
    sensors.add_argument(
        "--pulse-ms", type=_whole("ms", "1000"), metavar="MS", help="log the pulse counter this often, from 100 on"
    )
    sensors.add_argument(
        "--pressure-ms",
        type=_whole("ms", "1000"),
        metavar="MS",
        help="read the pressure sensor this often, from 100 on",
    )
    parser.add_argument("--journal-id", type=journal_id, help="8 hex digits, in place of a random id")
    parser.add_argument("--replace", action="store_true", help="give up the journal that is on the card")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.cli.settings import sensor_facts
    from offtake.jobs.header import DEBOUNCE_MS, SensorSettings, Settings
    from offtake.jobs.prepare import prepare

    settings = Settings(
        baud=options.baud,
        when_full=options.when_full,
        label=options.label,
        gap_bytes=options.gap_bytes,
        close_ms=options.close_ms,
        supply_s=options.supply_s,
        journal_id=options.journal_id,
        sensors=SensorSettings(
            analogue_ms=options.analogue_ms,
            full_scale_1_mv=options.full_scale_1,
            full_scale_2_mv=options.full_scale_2,
            event_debounce_ms=DEBOUNCE_MS if options.event is True else options.event,
            pulse_ms=options.pulse_ms,
            pressure_ms=options.pressure_ms,
        ),
    )
    with show.progress("writing") as progress:
        done = prepare(options.target, settings, options.size, replace=options.replace, progress=progress)
    if options.json:
        values = show.plain(done)
        values["header"]["sensors"] = [str(one.name).lower() for one in done.header.sensors]
        values["header"]["journal_id"] = show.id_text(done.header.journal_id)
        values["replaced_id"] = None if done.replaced_id is None else show.id_text(done.replaced_id)
        show.emit_json("prepare", values)
        return EXIT_CLEAN
    pairs: list[tuple[str, object]] = [
        ("journal", show.id_text(done.header.journal_id)),
        ("where", done.where),
        ("size", f"{done.size_bytes:,} bytes, {done.header.blocks:,} blocks"),
        ("baud", f"{done.header.baud:,}"),
        ("when full", done.header.when_full.name.lower()),
        ("label", show.label_text(done.header.label)),
    ]
    pairs += sensor_facts(done.header)
    if done.pieces is not None:
        pairs.append(("pieces", done.pieces))
    if done.replaced:
        pairs.append(("replaced", f"journal {show.id_text(done.replaced_id)}"))
    show.facts(pairs)
    return EXIT_CLEAN
