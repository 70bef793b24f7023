"""A new journal's header."""

from __future__ import annotations

import secrets
import time
from dataclasses import dataclass, field

from offtake.errors import UsageError
from offtake.generated.records import JournalHeader, Sensor, WhenFull

LABEL_BYTES_MAX = next(info.size or 0 for info in JournalHeader.FIELDS if info.name == "label")
FULL_SCALE_MV_MAX = 65_535
DEBOUNCE_MS = 20
"""How long an edge must last to count, where nothing else is asked for: a worn button settles within this."""

# Shortest intervals in milliseconds: what the board has time for beside the line. The longest, and the longest
# debounce, are those of shared_spec/block.toml.
ANALOGUE_MS_MIN = 20
PULSE_MS_MIN = 100
PRESSURE_MS_MIN = 100
INTERVAL_MS_MAX = 60_000
DEBOUNCE_MS_MAX = 250


@dataclass(frozen=True)
class SensorSettings:
    """Which sensors are logged, and how often, in milliseconds; None: that sensor is off.

    ``full_scale_1_mv`` and ``full_scale_2_mv`` are the voltages at the two analogue inputs, in millivolts, that put the
    chip's pin at its supply voltage; an input without one is off. ``event_debounce_ms`` is how long a change at the
    event input must last to count.
    """

    analogue_ms: int | None = None
    full_scale_1_mv: int | None = None
    full_scale_2_mv: int | None = None
    event_debounce_ms: int | None = None
    pulse_ms: int | None = None
    pressure_ms: int | None = None

    def require_sound(self) -> None:
        """UsageError for a setting that the logger cannot keep, or that says nothing without another."""
        _within(
            "--analogue-ms, the interval of the analogue inputs",
            self.analogue_ms,
            ANALOGUE_MS_MIN,
            INTERVAL_MS_MAX,
            "ms",
        )
        for number, full_mv in enumerate((self.full_scale_1_mv, self.full_scale_2_mv), start=1):
            _within(
                f"--full-scale-{number}, the full scale of analogue input {number}", full_mv, 1, FULL_SCALE_MV_MAX, "mV"
            )
        _within(
            "--event, the time a change at the event input must last", self.event_debounce_ms, 1, DEBOUNCE_MS_MAX, "ms"
        )
        _within("--pulse-ms, the interval of the pulse counter", self.pulse_ms, PULSE_MS_MIN, INTERVAL_MS_MAX, "ms")
        _within(
            "--pressure-ms, the interval of the pressure sensor",
            self.pressure_ms,
            PRESSURE_MS_MIN,
            INTERVAL_MS_MAX,
            "ms",
        )
        has_scale = self.full_scale_1_mv is not None or self.full_scale_2_mv is not None
        if self.analogue_ms is not None and not has_scale:
            expected = "--full-scale-1 MV, --full-scale-2 MV or both: an input without one is off"
            raise UsageError("analogue inputs without a full scale", expected=expected)
        if self.analogue_ms is None and has_scale:
            expected = "--analogue-ms MS beside it: how often to read"
            raise UsageError("a full scale, but no interval of the analogue inputs", expected=expected)

    @property
    def sensors(self) -> Sensor:
        """The sensors that are on."""
        on = Sensor(0)
        for sensor, setting in (
            (Sensor.ANALOGUE, self.analogue_ms),
            (Sensor.EVENT, self.event_debounce_ms),
            (Sensor.PULSES, self.pulse_ms),
            (Sensor.PRESSURE, self.pressure_ms),
        ):
            on |= Sensor(0) if setting is None else sensor
        return on


@dataclass(frozen=True)
class Settings:
    """How a logger shall record. ``baud`` is the receiver's speed; see shared_spec/block.toml for each.

    ``journal_id`` and ``created_utc_s`` are drawn and taken from the clock where they are None.
    """

    baud: int = 57_600
    when_full: str = "stop"
    label: str = ""
    gap_bytes: int = 4
    close_ms: int = 700
    supply_s: int = 10
    journal_id: int | None = None
    created_utc_s: int | None = None
    sensors: SensorSettings = field(default_factory=SensorSettings)


def new_header(settings: Settings, blocks: int) -> JournalHeader:
    """The header of a new journal of ``blocks`` blocks. UsageError for a setting that the layout does not hold."""
    if len(settings.label.encode("utf-8")) > LABEL_BYTES_MAX:
        expected = f"at most {LABEL_BYTES_MAX} bytes of UTF-8"
        raise UsageError(f"the label {settings.label!r} is too long", expected=expected)
    if not settings.label.isprintable():
        raise UsageError(f"the label {settings.label!r} cannot be shown", expected="one line of text")
    try:
        when_full = WhenFull[settings.when_full.upper()]
    except KeyError as error:
        raise UsageError(f"--when-full {settings.when_full!r}", expected="stop or wrap") from error
    sensors = settings.sensors
    sensors.require_sound()
    # The one number here that must not repeat: two cards of one id could not be told apart.
    drawn = 1 + secrets.randbelow(2**32 - 1)
    header = JournalHeader(
        when_full=when_full,
        journal_id=drawn if settings.journal_id is None else settings.journal_id,
        blocks=blocks,
        baud=settings.baud,
        gap_bytes=settings.gap_bytes,
        close_ms=settings.close_ms,
        supply_s=settings.supply_s,
        created_utc_s=int(time.time()) if settings.created_utc_s is None else settings.created_utc_s,
        label=settings.label,
        sensors=sensors.sensors,
        analogue_ms=sensors.analogue_ms or 0,
        analogue_1_full_mv=sensors.full_scale_1_mv or 0,
        analogue_2_full_mv=sensors.full_scale_2_mv or 0,
        event_debounce_ms=sensors.event_debounce_ms or 0,
        pulse_ms=sensors.pulse_ms or 0,
        pressure_ms=sensors.pressure_ms or 0,
    )
    try:
        header.encode()
    except UsageError as error:
        # The fields are called as the options are.
        option = "--" + error.where.rpartition(".")[2].replace("_", "-")
        raise UsageError(error.what, where=option, expected=error.expected) from error
    return header


def _within(what: str, value: int | None, low: int, high: int, unit: str) -> None:
    if value is not None and not low <= value <= high:
        raise UsageError(f"{what}: {value} {unit}", expected=f"{low:,} to {high:,} {unit}")
