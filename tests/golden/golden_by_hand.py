"""A journal's intact blocks read by hand: struct, zlib and the tables below, nothing of this package.

The tables are written from shared_spec/REFERENCE.md. They only ever grow, as the layouts do.
"""

from __future__ import annotations

import struct
import zlib
from typing import Any

Plain = dict[str, Any]

CHOICES: dict[str, Any] = {
    "when_full": {0: "stop", 1: "wrap"},
    "board": {1: "atmega328p_16mhz", 2: "atmega328p_8mhz"},
    "cause": {
        1: "ring_full",
        2: "overrun",
        3: "framing",
        4: "settings",
        5: "card",
        6: "sensor_room",
        7: "sensor_silent",
    },
    "reason": {1: "journal_full", 2: "desk"},
    "level": {0: "low", 1: "high"},
    "reset_cause": ("power_on", "external", "brown_out", "watchdog"),
    "sensors": ("analogue", "event", "pulses", "pressure"),
}
"""What a field's number stands for, by the field's name: names by value, or of bits in order."""

_SENSORS = (
    "sensors analogue_ms analogue_1_full_mv analogue_2_full_mv event_debounce_ms pulse_ms pressure_ms",
    "<BHHHBHH",
)
_RUN_START = (
    "firmware_major firmware_minor firmware_patch board spec_hash baud tick_ns when_full gap_bytes close_ms supply_s "
    "reset_cause",
    "<BBBBIIIBBHHB",
)
_CONSTANTS = "dig_t1 dig_t2 dig_t3 dig_p1 dig_p2 dig_p3 dig_p4 dig_p5 dig_p6 dig_p7 dig_p8 dig_p9"
_HEADER = ("when_full journal_id blocks baud gap_bytes close_ms supply_s created_utc_s label", "<BIIIBHHI32s")

HEADER = [_HEADER, _SENSORS]
"""For each release that the layout came in or grew: the names of the fields and how they lie."""

MESSAGES: dict[int, tuple[str, Any]] = {
    1: ("run_start", [_RUN_START, _SENSORS]),
    2: ("raw", "data"),
    3: ("raw_more", "data"),
    4: ("loss", [("cause count", "<BI")]),
    5: ("supply", [("supply_mv card_busy_ms", "<HH")]),
    6: ("run_end", [("reason", "<B")]),
    7: ("description", "data"),
    8: ("analogue", [("input_1_mv input_2_mv", "<HH")]),
    9: ("event", [("level ignored", "<BH")]),
    10: ("pulses", [("count period_us", "<II")]),
    11: ("pressure_constants", [(_CONSTANTS, "<HhhHhhhhhhhh")]),
    12: ("pressure", [("pressure_raw temperature_raw", "<II")]),
}
"""By code the name and the layout, likewise; of one that is all bytes the name of these."""


def read_header(block: bytes) -> Plain:
    """The settings in block 0."""
    assert block[:9] == b"OFTKJNL1\x01"
    assert zlib.crc32(block[:508]) == struct.unpack("<I", block[508:])[0]
    return _values(HEADER, block[9:508])


def read_frames(data: bytes) -> list[Plain]:
    """Every frame of the journal's intact blocks, by block number."""
    journal_id = struct.unpack_from("<I", data, 10)[0]
    found: list[Plain] = []
    for at in range(512, len(data), 512):
        block = data[at : at + 512]
        magic, form, of_journal, number, run, open_tick = struct.unpack_from("<BHIIHI", block)
        whole = len(block) == 512 and zlib.crc32(block[:508]) == struct.unpack("<I", block[508:])[0]
        if not whole or magic != 0xD7 or form >> 9 != 1 or of_journal != journal_id:
            continue
        end = 17 + (form & 0x1FF)
        assert not any(block[end:508])
        place = 17
        while place < end:
            frame, size = _frame(block[place:end], journal_id, number, open_tick)
            found.append({"block": number, "at": at + place, **frame, "run": run})
            place += size
    return sorted(found, key=lambda frame: (frame["block"], frame["at"]))


def _frame(data: bytes, journal_id: int, number: int, open_tick: int) -> tuple[Plain, int]:
    head = struct.unpack_from("<H", data)[0]
    code, length = head >> 9, head & 0x1FF
    offset, at = 0, 2
    while True:
        offset |= (data[at] & 0x7F) << 7 * (at - 2)
        at += 1
        if data[at - 1] < 0x80:
            break
    payload = data[at : at + length]
    assert len(payload) == length
    check = struct.unpack_from("<I", data, at + length)[0]
    assert check == zlib.crc32(struct.pack("<II", journal_id, number) + data[: at + length])
    name, layout = MESSAGES[code]
    values = {layout: payload.hex()} if isinstance(layout, str) else _values(layout, payload)
    return {"code": code, "name": name, "tick": (open_tick + offset) % 2**32, "values": values}, at + length + 4


def _values(layout: Any, data: bytes) -> Plain:
    """The fields that are there: an older frame ends before those that came later."""
    values: Plain = {}
    at = 0
    for names, form in layout:
        if at + struct.calcsize(form) > len(data):
            break
        values |= dict(zip(names.split(), struct.unpack_from(form, data, at), strict=True))
        at += struct.calcsize(form)
    return {name: _meaning(name, value) for name, value in values.items()}


def _meaning(name: str, value: Any) -> Any:
    if isinstance(value, bytes):
        return value.rstrip(b"\0").decode("utf-8")
    choices = CHOICES.get(name)
    if isinstance(choices, tuple):
        return [choice for bit, choice in enumerate(choices) if value >> bit & 1]
    return choices[value] if choices else value
