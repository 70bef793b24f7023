"""Drawing for firmware/WIRING.md: what may hang on the four sensor inputs. Pins come from the board file."""

from __future__ import annotations

from offtake.codegen.sheet import SOFT, WARN, Sheet
from offtake.spec.model import Board

PINS = ("analogue_1", "analogue_2", "event", "pulses", "sensor_data", "sensor_clock")
"""The pins that a board must have to be drawn."""

_LEFT, _RIGHT = 400, 590


def render_sensors(board: Board, banner: str) -> str:
    """The drawing of divider, button, hall sensor and pressure sensor; the board must have all of :data:`PINS`."""
    pins = {pin.name: pin.pin for pin in board.pins}
    sheet = Sheet(980, 640, "The sensor inputs", "A divider, a button, a hall sensor and a pressure sensor.")
    sheet.box(_LEFT, 40, _RIGHT - _LEFT, 550, "logger", "tap, card and light", "as in the field")
    _divider(sheet, pins)
    _button(sheet, pins["event"])
    _hall(sheet, pins["pulses"])
    _pressure(sheet, pins)
    sheet.text(20, 624, "Each ground goes to the logger's own, by its own short wire. Leave out what you do not use.",
               size=12, colour=SOFT)  # fmt: skip
    return sheet.text_of(banner)


def _divider(sheet: Sheet, pins: dict[str, str]) -> None:
    """The source at the left, its two resistors, a capacitor at the pin; the second input has the same."""
    sheet.text(20, 66, "a voltage to be measured: a cell, a lamp", size=13, bold=True)
    sheet.text(20, 84, "through a fuse, never the mains, never over 60 V", size=12, colour=WARN)
    sheet.pin(40, 130, "", "left")
    sheet.text(40, 116, "plus", anchor="middle", size=12)
    sheet.wire([(43, 130), (108, 130)])
    sheet.resistor(130, 130)
    sheet.text(130, 112, "upper", anchor="middle", size=12)
    sheet.wire([(152, 130), (_LEFT, 130)])
    sheet.joint(210, 130)
    sheet.wire([(210, 130), (210, 158)])
    sheet.resistor(210, 180, upright=True)
    sheet.text(196, 184, "lower", anchor="end", size=12)
    sheet.wire([(210, 202), (210, 230)])
    sheet.joint(320, 130)
    sheet.wire([(320, 130), (320, 176)])
    sheet.capacitor(320, 180)
    sheet.text(302, 171, "100 nF", anchor="end", size=12)
    sheet.text(302, 201, "at the pin", anchor="end", size=12)
    sheet.wire([(320, 184), (320, 230)])
    sheet.pin(40, 230, "", "left")
    sheet.text(40, 251, "minus", anchor="middle", size=12)
    sheet.wire([(43, 230), (_LEFT, 230)])
    sheet.joint(210, 230)
    sheet.joint(320, 230)
    sheet.pin(_LEFT, 130, f"{pins['analogue_1']} analogue 1", "left")
    sheet.pin(_LEFT, 230, "GND", "left")
    sheet.wire([(360, 290), (_LEFT, 290)])
    sheet.text(350, 294, "a divider of its own, or nothing", anchor="end", size=12)
    sheet.pin(_LEFT, 290, f"{pins['analogue_2']} analogue 2", "left")


def _button(sheet: Sheet, pin: str) -> None:
    sheet.text(20, 392, "a button, or a trigger's output", size=13, bold=True)
    sheet.text(20, 410, "no capacitor: it would make the first edge late", size=12, colour=SOFT)
    sheet.button(150, 460)
    sheet.wire([(172, 460), (268, 460)])
    sheet.resistor(290, 460)
    sheet.text(290, 484, "1 kΩ", anchor="middle", size=12)
    sheet.wire([(312, 460), (_LEFT, 460)])
    sheet.pin(_LEFT, 460, f"{pin} event", "left")
    sheet.wire([(128, 460), (90, 460), (90, 530), (_LEFT, 530)])
    sheet.pin(_LEFT, 530, "GND", "left")
    sheet.text(20, 560, "the pin's own pull-up is on; a long wire wants", size=12)
    sheet.text(20, 576, "10 kΩ to VCC beside it", size=12)


def _hall(sheet: Sheet, pin: str) -> None:
    sheet.box(760, 60, 200, 150, "hall sensor", "for wheel, flow or wind")
    for y, ours, theirs in ((130, "VCC", "supply"), (160, f"{pin} pulses", "output"), (190, "GND", "GND")):
        sheet.pin(_RIGHT, y, ours, "right")
        sheet.pin(760, y, theirs, "left")
        if theirs != "output":
            sheet.wire([(_RIGHT, y), (760, y)])
    sheet.wire([(_RIGHT, 160), (663, 160)])
    sheet.resistor(685, 160)
    sheet.wire([(707, 160), (760, 160)])
    sheet.text(685, 147, "1 kΩ", anchor="middle", size=12)
    sheet.text(655, 232, "the pin's own pull-up is on", size=12)


def _pressure(sheet: Sheet, pins: dict[str, str]) -> None:
    """The two wires of the bus, a pull-up on each; what selects the bus and the address is tied at the sensor."""
    sheet.box(760, 290, 200, 280, "BMP280", "pressure, temperature", "3.3 V only")
    rail = 370
    sheet.text(604, 322, "pull up to 3.3 V,", size=12, colour=WARN)
    sheet.text(604, 338, "never to 5 V", size=12, colour=WARN)
    sheet.text(604, rail + 4, "3.3 V", size=12)
    sheet.wire([(644, rail), (760, rail)])
    sheet.pin(760, rail, "3.3 V", "left")
    for x, y in ((690, 470), (730, 505)):
        sheet.joint(x, rail)
        sheet.wire([(x, rail), (x, 393)])
        sheet.resistor(x, 415, upright=True)
        sheet.wire([(x, 437), (x, y)])
        sheet.joint(x, y)
    sheet.text(674, 412, "4.7 kΩ", anchor="end", size=12)
    sheet.text(674, 428, "each", anchor="end", size=12)
    for y, ours, theirs in (
        (470, f"{pins['sensor_data']} data", "SDA"),
        (505, f"{pins['sensor_clock']} clock", "SCL"),
        (540, "GND", "GND"),
    ):
        sheet.pin(_RIGHT, y, ours, "right")
        sheet.pin(760, y, theirs, "left")
        sheet.wire([(_RIGHT, y), (760, y)])
    sheet.text(951, 524, "SDO to GND", anchor="end", size=12, colour=SOFT)
    sheet.text(951, 544, "CSB to 3.3 V", anchor="end", size=12, colour=SOFT)
    sheet.text(960, 592, "at 5 V better: a breakout with a regulator", anchor="end", size=12)
    sheet.text(960, 608, "and level shifting of its own", anchor="end", size=12)
