"""What kinds of losses, glitches and gaps are called."""

from __future__ import annotations

EXACT_CAUSES = ("ring_full", "settings", "card")
CAUSES = {
    "ring_full": "the ring was full",
    "settings": "heard before the journal was read, at another speed",
    "card": "in a block that the card lost",
    "overrun": "the chip was not emptied in time",
    "framing": "a byte without its stop bit",
    "sensor_room": "a frame of a sensor found no room",
    "sensor_silent": "a sensor did not answer",
}
SENSOR_CAUSES = ("sensor_room", "sensor_silent")
"""Losses of sensors, not of the line: frames and readings, exact."""
GLITCHES = {
    "jump": "jumps of the position",
    "speed_mismatch": "positions at odds with the speed",
    "time_backwards": "times going backwards",
    "time_jump": "jumps of the time",
    "frozen": "frozen outputs",
}
GAPS = {
    "no_position": "epochs without a position",
    "nothing_heard": "nothing heard",
    "bytes_lost": "bytes lost by the logger",
}
