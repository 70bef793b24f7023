"""What a scenario says: plain numbers, units in the names, times in seconds since power-on."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from offtake.bench.cuts import Cut
from offtake.jobs.header import SensorSettings


@dataclass(frozen=True)
class JournalPlan:
    """The card and the journal on it."""

    card_mib: int
    fat_bits: int
    journal_kib: int
    label: str
    when_full: str
    journal_id: int

    @property
    def blocks(self) -> int:
        """Blocks of 512 bytes in the journal file, its header included."""
        return self.journal_kib * 2


@dataclass(frozen=True)
class ReceiverPlan:
    """The receiver: its line, its rate, when it starts to talk and what time it is then."""

    baud: int
    rate_hz: int
    start_s: float
    duration_s: float
    jitter_ms: float
    first_utc: dt.datetime
    talker: str


@dataclass(frozen=True)
class VehiclePlan:
    """The way: legs of ``leg_s`` at one speed, joined by half turns of ``turn_s``, to the right and left in turn."""

    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    geoid_separation_m: float
    course_deg: float
    speed_m_s: float
    leg_s: float
    turn_s: float
    sway_m: float


@dataclass(frozen=True)
class CardPlan:
    """The card's manners: busy times, one stall in every ``stall_every`` blocks, and how it starts."""

    busy_low_ms: float
    busy_high_ms: float
    stall_low_ms: float
    stall_high_ms: float
    stall_every: int
    acmd41_ms: float
    cmd0_ignored: int
    garbage_bytes: int
    miso_low_before_init: bool
    read_latency_ms: float


@dataclass(frozen=True)
class AnaloguePlan:
    """A voltage at an analogue input, before its divider: ``points`` are (s, mV), straight between; ``noise_mv`` is the
    noise's standard deviation there."""

    points: tuple[tuple[float, float], ...]
    noise_mv: float


@dataclass(frozen=True)
class ButtonPlan:
    """A button to ground at the event input: ``presses`` are (s, how long in s). It bounces ``bounces`` times within
    ``bounce_ms`` of each turn."""

    presses: tuple[tuple[float, float], ...]
    bounces: int
    bounce_ms: float


@dataclass(frozen=True)
class PulsePlan:
    """A wheel at the pulse input: ``rates`` are (s, pulses a second), straight between; each lasts ``high_ms``."""

    rates: tuple[tuple[float, float], ...]
    high_ms: float


@dataclass(frozen=True)
class AirPlan:
    """The air at the pressure sensor: ``points`` are (s, Pa, degC), straight between."""

    points: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class SensorsPlan:
    """Which sensors are on, as in the journal's header, and what they meet; None where nothing is connected."""

    settings: SensorSettings
    analogue_1: AnaloguePlan | None
    analogue_2: AnaloguePlan | None
    button: ButtonPlan | None
    pulses: PulsePlan | None
    air: AirPlan | None


@dataclass(frozen=True)
class CutPlan:
    """When the power goes (at the first block in flight from ``at_s`` on) and what that does to the card."""

    at_s: float
    cut: Cut


@dataclass(frozen=True)
class Scenario:
    """One scenario; ``cut`` is None where the power stays until the receiver has said everything, ``sensors`` where
    there are none."""

    name: str
    doc: str
    invented: bool
    seed: int
    variant: str
    frequency_hz: int
    journal: JournalPlan
    receiver: ReceiverPlan
    vehicle: VehiclePlan
    card: CardPlan
    cut: CutPlan | None
    sensors: SensorsPlan | None = None
