"""`offtake budget`: will the board, the wiring, the card and the supply do?"""

from __future__ import annotations

import argparse

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb, names, size
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE

_MORE = """\
Every figure has a sensible value of its own: give what you know. Each line has
what was worked out, its limit, the margin, a verdict and a source; a line that
is not good says what it means and what to change. Verdicts: good, tight (will
do, but little is left, or a slip would hurt), will not do, cannot tell.
Exits with 1 when any line will not do. Worked out, not measured."""

_LINE = (
    ("--board-volts", "board_v", "V", "the board's supply (5 at 16 MHz, 3.3 at 8 MHz)"),
    ("--receiver-volts", "receiver_v", "V", "the tapped line's high level (3.3)"),
    ("--adapter-volts", "adapter_v", "V", "the USB-serial adapter's level (the board's)"),
    ("--supply-off", "supply_off_percent", "PERCENT", "how far a supply may be off (5)"),
    ("--board-clock-off", "board_clock_off_percent", "PERCENT", "how far the board's clock may be off (0.5)"),
    ("--line-clock-off", "line_clock_off_percent", "PERCENT", "how far the receiver's may be (0.01)"),
)
_WIRING = (
    ("--resistor", "resistor_ohm", "OHM", "in series at the tapped pad (1000)"),
    ("--wire", "wire_m", "M", "length of the tap's wire in metres (0.3)"),
    ("--wrong-pad-volts", "wrong_pad_v", "V", "the highest supply that the tip may slip onto (5)"),
    ("--desk-resistor", "desk_ohm", "OHM", "in series with the adapter's wires (0)"),
)
_REST = (
    ("--stall-ms", "stall_ms", "MS", "a card stall that must cost no byte"),
    ("--hours-a-day", "hours_a_day", "H", "how long it records each day (8)"),
    ("--battery", "battery_mah", "MAH", "the battery's rating (1000)"),
    ("--battery-lowest-volts", "battery_lowest_v", "V", "the battery's voltage when it is nearly empty"),
    ("--regulator-drop", "regulator_drop_v", "V", "what the regulator between needs for itself (0)"),
)

_ANALOGUE = "the resistors above and below its pin, and the most volts before them: 30k,10k,12.6; 0 above: none"
_SENSORS = (
    ("--analogue-1", "analogue_1", str, "OHM,OHM,V", _ANALOGUE),
    ("--analogue-2", "analogue_2", str, "OHM,OHM,V", "the same of the other analogue input"),
    ("--analogue-ms", "analogue_ms", float, "MS", "from one reading of them to the next (1000)"),
    ("--event", "event", float, "HZ", "how often a second the event input is used, at the most"),
    ("--event-volts", "event_v", float, "V", "the level of an output that drives it (a contact to ground)"),
    ("--debounce-ms", "debounce_ms", float, "MS", "how long a level must last to count (20)"),
    ("--pulses", "pulses", float, "HZ", "the fastest pulses that are to be counted"),
    ("--pulse-volts", "pulse_v", float, "V", "the level of an output that drives them (open collector)"),
    ("--pulse-ms", "pulse_ms", float, "MS", "from one count to the next (1000)"),
    ("--pressure", "pressure", bool, "", "a pressure sensor is connected"),
    ("--pressure-ms", "pressure_ms", float, "MS", "from one reading of the pressure to the next (1000)"),
    ("--pull-up", "pull_up_ohm", float, "OHM", "the pull-up of each of that sensor's wires (4700)"),
    ("--pull-up-volts", "pull_up_v", float, "V", "what they pull up to (3.3)"),
    ("--sensor-wire", "sensor_wire_m", float, "M", "how long those wires are, in metres (0.2)"),
    ("--bus-shifter", "bus_shifter", bool, "", "it has level shifting of its own"),
)


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    about = "work out whether board, wiring, card and supply will do"
    example = "offtake budget --baud 57600 --messages GGA:5,RMC:5,GSV:1 --card 8GiB"
    parser = add_verb(verbs, "budget", about, example, run, _MORE)
    parser.add_argument("--board", default="atmega328p_16mhz", metavar="NAME", help="the board (atmega328p_16mhz)")
    parser.add_argument("--baud", type=int, default=57_600, help="the receiver's speed (57600)")
    line = parser.add_argument_group("what the line carries; a line that never pauses, if you do not say")
    line.add_argument(
        "--messages", type=names, default=[], metavar="NAME:RATE,...", help="messages and how often a second each"
        " comes: GGA:1,RMC:5; NAME:RATE:BYTES for one whose length is not known here",
    )  # fmt: skip
    line.add_argument("--bytes-per-second", type=float, metavar="N", help="or the bytes of each second")
    line.add_argument("--line-share", type=float, metavar="PERCENT", help="or the share of the line that is in use")
    _add_figures(parser.add_argument_group("levels and clocks"), _LINE)
    wiring = parser.add_argument_group("wiring")
    _add_figures(wiring, _WIRING)
    wiring.add_argument("--usb-chip", action="store_true", help="the board has a USB-serial chip on its receive pin")
    wiring.add_argument(
        "--card-shifter", choices=("yes", "no"), help="level shifting to the card (where the board needs it)"
    )
    rest = parser.add_argument_group("card and supply")
    rest.add_argument("--card", type=size, metavar="SIZE", help="the card, 4GiB say (8GiB)")
    _add_figures(rest, _REST)
    sensors = parser.add_argument_group("sensor inputs; none, if you do not say")
    for option, name, kind, unit, words in _SENSORS:
        if kind is bool:
            sensors.add_argument(option, dest=name, action="store_true", help=words)
        else:
            sensors.add_argument(option, dest=name, type=kind, metavar=unit, help=words)
    parser.add_argument("--brief", action="store_true", help="only the lines that are not good")
    parser.add_argument("--notes", action="store_true", help="explain every line, not only those that are not good")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.budget.model import Verdict
    from offtake.budget.page import page
    from offtake.jobs.budget import Inputs, LineLoad, budget

    given = {name: getattr(options, name) for _, name, _, _ in (*_LINE, *_WIRING, *_REST)}
    given["card_bytes"] = options.card
    given["card_shifter"] = None if options.card_shifter is None else options.card_shifter == "yes"
    settings = {name: value for name, value in given.items() if value is not None} | {"usb_chip": options.usb_chip}
    load = LineLoad(options.messages, options.bytes_per_second, options.line_share)
    inputs = Inputs(**{name: getattr(options, name) for _, name, _, _, _ in _SENSORS})
    done = budget(options.board, options.baud, load, settings, inputs)
    if options.json:
        show.emit_json("budget", {**show.plain(done), "verdict": done.verdict})
    else:
        print("\n".join(page(done, every_note=options.notes, brief=options.brief)))
    return EXIT_DAMAGE if done.verdict is Verdict.WILL_NOT_DO else EXIT_CLEAN


def _add_figures(group: argparse._ArgumentGroup, figures: tuple[tuple[str, str, str, str], ...]) -> None:
    for option, name, unit, words in figures:
        group.add_argument(option, dest=name, type=float, metavar=unit, help=words)
