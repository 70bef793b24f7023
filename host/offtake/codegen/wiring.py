"""Drawings for firmware/WIRING.md: tap in the field, desk, light, sensors. Pins come from the board file."""

from __future__ import annotations

from offtake.codegen.sheet import INK, LINE_WIRE, SOFT, WARN, Sheet
from offtake.codegen.wiring_sensors import PINS, render_sensors
from offtake.spec.model import Board

_LIGHT_UNIT_MS = 50
_STRIP_MS = 6_000


def drawings(board: Board, banner: str) -> dict[str, str]:
    """All drawings of a board, as SVG text by name; that of the sensors only where the board has their pins."""
    drawn = {
        "field": render_field(board, banner),
        "desk": render_desk(board, banner),
        "lights": render_lights(board, banner),
    }
    if {pin.name for pin in board.pins} >= set(PINS):
        drawn["sensors"] = render_sensors(board, banner)
    return drawn


def render_field(board: Board, banner: str) -> str:
    """The drawing of a logger in the field: tap, card, light, supply."""
    pins = {pin.name: pin.pin for pin in board.pins}
    sheet = Sheet(980, 660, "The logger in the field", "Tap through 1 kOhm at the receiver's pad; nothing on transmit.")
    _field_line(sheet)
    sheet.box(330, 260, 210, 300, "logger", "bare board, ATmega328P")
    left = ((340, f"{pins['receive']} receive"), (400, f"{pins['transmit']} transmit"), (460, "GND"), (520, "VCC"))
    for y, name in left:
        sheet.pin(330, y, name, "left")
    sheet.wire([(262, 340), (330, 340)])
    sheet.text(112, 334, "tap wire, short,", anchor="start", size=12)
    sheet.text(112, 350, "away from the antenna", anchor="start", size=12)
    sheet.text(318, 404, "nothing here in the field", anchor="end", size=12, colour=WARN)
    sheet.wire([(90, 460), (330, 460)])
    sheet.text(318, 452, "ground: first on, last off", anchor="end", size=12)
    sheet.box(20, 495, 210, 50, "supply", "5 V (or 3.3 V), same ground")
    sheet.wire([(230, 520), (330, 520)])
    sheet.wire([(60, 495), (60, 460), (90, 460)])
    sheet.joint(90, 460)
    _field_card(sheet, pins)
    _field_light(sheet, pins["light"])
    sheet.text(20, 648, "Black: what is there already. Blue: what you add.", size=12, colour=SOFT)
    return sheet.text_of(banner)


def _field_line(sheet: Sheet) -> None:
    sheet.box(40, 60, 190, 130, "receiver", "navigation")
    sheet.box(750, 60, 190, 130, "host", "whatever listens")
    sheet.pin(230, 115, "GND", "right")
    sheet.pin(750, 115, "GND", "left")
    sheet.wire([(230, 115), (750, 115)], LINE_WIRE, 2.5)
    sheet.pin(230, 165, "TX pad", "right")
    sheet.pin(750, 165, "RX", "left")
    sheet.wire([(230, 165), (750, 165)], LINE_WIRE, 2.5)
    sheet.text(520, 156, "the line you log, as it was", anchor="middle", size=12)
    # Antenna, and the warning that goes with it.
    sheet.wire([(90, 60), (90, 34)], LINE_WIRE)
    sheet.wire([(76, 18), (90, 34), (104, 18)], LINE_WIRE)
    sheet.text(118, 30, "antenna and its feed: hands and wires off", size=12, colour=WARN)
    sheet.joint(262, 165)
    sheet.wire([(262, 165), (262, 178)])
    sheet.resistor(262, 200, upright=True)
    sheet.text(280, 199, "1 kΩ, at the pad,", size=13, bold=True)
    sheet.text(280, 215, "in the wire's first centimetre", size=12, colour=SOFT)
    sheet.wire([(262, 222), (262, 340)])
    sheet.pin(90, 190, "GND", "bottom")
    sheet.wire([(90, 190), (90, 460)])


def _field_card(sheet: Sheet, pins: dict[str, str]) -> None:
    rows = (
        ("card_select", "CS"),
        ("card_mosi", "DI"),
        ("card_clock", "CLK"),
        ("card_miso", "DO"),
    )
    sheet.box(610, 240, 90, 184, "level")
    sheet.text(655, 278, "shifting", anchor="middle", size=15, bold=True)
    sheet.text(655, 298, "only when", anchor="middle", size=12, colour=WARN)
    sheet.text(655, 313, "VCC is 5 V", anchor="middle", size=12, colour=WARN)
    sheet.box(770, 260, 170, 300, "microSD socket", "3.3 V only")
    for index, (pin, name) in enumerate(rows):
        # DO, the last one, needs no shifting and passes below.
        y = 340 + 28 * index + (24 if name == "DO" else 0)
        sheet.pin(540, y, f"{pins[pin]}", "right")
        sheet.pin(770, y, name, "left")
        sheet.wire([(540, y), (770, y)] if name == "DO" else [(540, y), (610, y)])
        if name != "DO":
            sheet.wire([(700, y), (770, y)])
    sheet.pin(770, 500, "3.3 V", "left")
    sheet.pin(770, 540, "GND", "left")
    sheet.wire([(640, 500), (770, 500)])
    sheet.text(630, 504, "3.3 V", anchor="end", size=12)
    sheet.wire([(720, 500), (720, 516)])
    sheet.capacitor(720, 520)
    sheet.wire([(720, 524), (720, 540)])
    sheet.joint(720, 500)
    sheet.joint(720, 540)
    sheet.text(700, 524, "100 nF and 10 µF", anchor="end", size=12)
    sheet.wire([(770, 540), (690, 540), (690, 552)])
    sheet.ground(690, 552)


def _field_light(sheet: Sheet, pin: str) -> None:
    sheet.pin(435, 560, f"{pin} light", "bottom")
    sheet.wire([(435, 560), (435, 572), (480, 572)])
    sheet.resistor(502, 572)
    sheet.text(502, 597, "1 kΩ", anchor="middle", size=12)
    sheet.wire([(524, 572), (560, 572), (560, 580)])
    sheet.light(560, 592)
    sheet.wire([(560, 604), (560, 618)])
    sheet.ground(560, 618)


def render_desk(board: Board, banner: str) -> str:
    """The drawing of a logger at the desk: a USB-serial adapter in the tap's place."""
    pins = {pin.name: pin.pin for pin in board.pins}
    sheet = Sheet(980, 380, "The logger at the desk", "A USB-serial adapter takes the tap's place on the same header.")
    sheet.box(40, 50, 190, 270, "computer", "USB")
    sheet.box(330, 50, 200, 270, "USB-serial adapter", "at the board's voltage")
    sheet.box(740, 50, 200, 270, "logger", "tap unplugged")
    sheet.wire([(230, 185), (330, 185)], LINE_WIRE, 4)
    rows = (
        (120, "TX", f"{pins['receive']} receive"),
        (160, "RX", f"{pins['transmit']} transmit"),
        (200, "DTR", "reset"),
        (240, "GND", "GND"),
        (280, "supply", "VCC"),
    )
    for y, ours, theirs in rows:
        sheet.pin(530, y, ours, "right")
        sheet.pin(740, y, theirs, "left")
        if ours != "DTR":
            sheet.wire([(530, y), (740, y)])
    sheet.wire([(530, 200), (631, 200)])
    sheet.capacitor(635, 200, upright=False)
    sheet.wire([(639, 200), (740, 200)])
    sheet.text(635, 180, "100 nF", anchor="middle", size=12)
    sheet.text(545, 300, "5 V for 16 MHz, 3.3 V for 8 MHz", size=12, colour=WARN)
    words = "Card and light as in the field. Never the tap and the adapter at once, and never two supplies."
    sheet.text(20, 364, words, size=12, colour=SOFT)
    return sheet.text_of(banner)


def render_lights(board: Board, banner: str) -> str:
    """The light's patterns, six seconds of each, with what they mean."""
    left, strip, row = 20, 460, 40
    height = 60 + row * len(board.lights)
    sheet = Sheet(980, height, "What the light says", "Each pattern over six seconds; dark blue is lit.")
    per_ms = strip / _STRIP_MS
    for second in range(0, _STRIP_MS // 1000 + 1):
        x = left + second * 1000 * per_ms
        sheet.wire([(x, 26), (x, height - 14)], "#c9d1da", 1)
        sheet.text(x, 20, f"{second} s", anchor="middle" if second else "start", size=11, colour=SOFT)
    for index, light in enumerate(board.lights):
        y = 36 + row * index
        sheet.band(left, y, strip, 16, lit=False)
        at, step = 0, 0
        while at < _STRIP_MS:
            length = min(light.steps[step % len(light.steps)] * _LIGHT_UNIT_MS, _STRIP_MS - at)
            if step % 2 == 0:
                sheet.band(left + at * per_ms, y, length * per_ms, 16, lit=True)
            at, step = at + length, step + 1
        for line, words in enumerate(_two_lines(light.doc)):
            sheet.text(left + strip + 20, y + 6 + 16 * line, words, size=12, colour=INK)
    return sheet.text_of(banner)


def _two_lines(words: str, width: int = 58) -> list[str]:
    if len(words) <= width:
        return [words]
    cut = words.rfind(" ", 0, width)
    return [words[:cut], words[cut + 1 :]]
