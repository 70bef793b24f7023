"""What hangs on the four sensor inputs, as someone means to build it. Volts, ohms, metres, ms, Hz as the names say."""

from __future__ import annotations

from dataclasses import dataclass

FULL_SCALE_MV_MOST = 65_535
"""The header's field for it has 16 bits."""


@dataclass(frozen=True)
class Divider:
    """What lies before an analogue input: from the source through ``upper_ohm`` to the pin, ``lower_ohm`` to ground.

    ``upper_ohm`` 0: straight on the pin. ``most_v``: the greatest voltage that the source ever has.
    """

    upper_ohm: float
    lower_ohm: float
    most_v: float

    @property
    def ratio(self) -> float:
        """How many times less there is at the pin."""
        return (self.upper_ohm + self.lower_ohm) / self.lower_ohm

    @property
    def source_ohm(self) -> float:
        """What the pin sees."""
        return self.upper_ohm * self.lower_ohm / (self.upper_ohm + self.lower_ohm)

    def full_scale_mv(self, supply_v: float) -> float:
        """The source's voltage that reads as full: with it the pin is at the board's supply."""
        return 1000.0 * supply_v * self.ratio


@dataclass(frozen=True)
class Switch:
    """A digital input. ``most_hz``: how often a second it goes low and high again, at the most.

    ``driven_v``: the high level of an output that drives it; None for a contact or an open collector to ground, with a
    pull-up to the board's own supply.
    """

    most_hz: float
    driven_v: float | None = None


@dataclass(frozen=True)
class Bus:
    """The pressure sensor's two wires. ``shifted``: the breakout has a regulator and level shifters of its own."""

    pull_up_ohm: float = 4_700.0
    pull_up_v: float = 3.3
    wire_m: float = 0.2
    shifted: bool = False


@dataclass(frozen=True)
class Sensors:
    """What is connected; None where nothing is. Intervals are what `offtake prepare` is told."""

    analogue_1: Divider | None = None
    analogue_2: Divider | None = None
    event: Switch | None = None
    pulses: Switch | None = None
    pressure: Bus | None = None
    analogue_ms: float = 1_000.0
    debounce_ms: float = 20.0
    pulse_ms: float = 1_000.0
    pressure_ms: float = 1_000.0

    @property
    def dividers(self) -> tuple[tuple[int, Divider], ...]:
        """The analogue inputs in use, by number."""
        both = ((1, self.analogue_1), (2, self.analogue_2))
        return tuple((number, divider) for number, divider in both if divider is not None)

    @property
    def per_second(self) -> dict[str, float]:
        """How often a second each message comes that they make, by name; an event for going low and one for high."""
        rates = {
            "analogue": 1000.0 / self.analogue_ms if self.dividers else 0.0,
            "event": 2.0 * self.event.most_hz if self.event else 0.0,
            "pulses": 1000.0 / self.pulse_ms if self.pulses else 0.0,
            "pressure": 1000.0 / self.pressure_ms if self.pressure else 0.0,
        }
        return {name: rate for name, rate in rates.items() if rate > 0.0}
