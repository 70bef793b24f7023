"""An invented receiver: where the vehicle is at each epoch, and the NMEA 0183 sentences that say so."""

from __future__ import annotations

import datetime as dt
import math
import random
from dataclasses import dataclass
from functools import reduce
from operator import xor

from offtake.scenario.model import ReceiverPlan, Scenario, VehiclePlan

METRES_PER_DEGREE = 111_320.0
"""Of latitude, roughly: the way is invented, so a sphere will do."""
KNOTS_PER_M_S = 3600.0 / 1852.0
_BITS_PER_BYTE = 10
# Number, elevation, azimuth: an invented sky. The signal to noise is drawn at each epoch.
_SKY = (
    (2, 71, 48), (5, 24, 312), (7, 38, 121), (9, 12, 205), (13, 55, 267), (15, 8, 33),
    (18, 44, 176), (20, 29, 91), (23, 63, 354), (26, 17, 238), (29, 34, 15), (30, 49, 140),
)  # fmt: skip
_USED = 10
_SATELLITES_PER_SENTENCE = 4


@dataclass(frozen=True)
class Burst:
    """What the receiver says at one epoch, back to back; ``at_ms`` after power-on its first start bit begins."""

    at_ms: float
    data: bytes


@dataclass(frozen=True)
class Epoch:
    """The truth at one moment: degrees, metres, metres a second, degrees from north."""

    utc: dt.datetime
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    speed_m_s: float
    course_deg: float


def receiver_bursts(scenario: Scenario) -> list[Burst]:
    """Every burst of the scenario, in order and never overlapping; the same for the same scenario."""
    receiver = scenario.receiver
    rng = random.Random(scenario.seed)
    bursts: list[Burst] = []
    free_ms = 0.0
    for index, epoch in enumerate(epochs(scenario)):
        data = b"".join(sentences(epoch, scenario, rng))
        due_ms = receiver.start_s * 1000.0 + index * 1000.0 / receiver.rate_hz + rng.uniform(0.0, receiver.jitter_ms)
        at_ms = max(due_ms, free_ms)
        free_ms = at_ms + len(data) * _BITS_PER_BYTE * 1000.0 / receiver.baud
        bursts.append(Burst(at_ms, data))
    return bursts


def epochs(scenario: Scenario) -> list[Epoch]:
    """The way, one :class:`Epoch` for each of the receiver's."""
    receiver, vehicle = scenario.receiver, scenario.vehicle
    rng = random.Random(scenario.seed + 1)
    step_s = 1.0 / receiver.rate_hz
    north_m = east_m = 0.0
    way: list[Epoch] = []
    for index in range(_epoch_count(receiver)):
        at_s = index * step_s
        course = _course_deg(vehicle, at_s)
        # A paddle's strokes: the speed swings a little, twice in three seconds.
        speed = vehicle.speed_m_s * (1.0 + 0.12 * math.sin(2.0 * math.pi * at_s / 1.5))
        north_m += speed * step_s * math.cos(math.radians(course))
        east_m += speed * step_s * math.sin(math.radians(course))
        north, east = north_m + rng.gauss(0.0, vehicle.sway_m), east_m + rng.gauss(0.0, vehicle.sway_m)
        latitude = vehicle.latitude_deg + north / METRES_PER_DEGREE
        stretch = METRES_PER_DEGREE * math.cos(math.radians(vehicle.latitude_deg))
        longitude = (vehicle.longitude_deg + east / stretch + 540.0) % 360.0 - 180.0
        altitude = vehicle.altitude_m + rng.gauss(0.0, 0.2)
        utc = receiver.first_utc + dt.timedelta(seconds=at_s)
        way.append(Epoch(utc, latitude, longitude, altitude, speed, course))
    return way


def _epoch_count(receiver: ReceiverPlan) -> int:
    return max(1, round(receiver.duration_s * receiver.rate_hz))


def _course_deg(vehicle: VehiclePlan, at_s: float) -> float:
    """Legs there and back: each turn is a half circle, the other way round than the one before."""
    lap, within = divmod(at_s, vehicle.leg_s + vehicle.turn_s)
    turned = max(0.0, within - vehicle.leg_s) / vehicle.turn_s
    base = 180.0 if lap % 2 else 0.0
    side = -1.0 if lap % 2 else 1.0
    return (vehicle.course_deg + base + side * 180.0 * turned) % 360.0


def sentences(epoch: Epoch, scenario: Scenario, rng: random.Random) -> list[bytes]:
    """GGA, RMC, GSA, GSV, VTG and ZDA of one epoch, each with checksum and line end."""
    talker = scenario.receiver.talker
    clock = epoch.utc.strftime("%H%M%S.") + f"{epoch.utc.microsecond // 10_000:02d}"
    place = f"{_angle(epoch.latitude_deg, 2, 'NS')},{_angle(epoch.longitude_deg, 3, 'EW')}"
    knots = f"{epoch.speed_m_s * KNOTS_PER_M_S:.3f}"
    course = f"{epoch.course_deg % 359.995:.2f}"
    hdop = f"{rng.uniform(0.8, 1.1):.2f}"
    height = f"{epoch.altitude_m:.1f},M,{scenario.vehicle.geoid_separation_m:.1f},M"
    used = ",".join(f"{number:02d}" for number, _, _ in _SKY[:_USED]) + "," * (12 - _USED)
    bodies = [
        f"{talker}GGA,{clock},{place},1,{_USED:02d},{hdop},{height},,",
        f"{talker}RMC,{clock},A,{place},{knots},{course},{epoch.utc:%d%m%y},,,A",
        f"{talker}GSA,A,3,{used},1.72,{hdop},1.45",
        *_satellites(talker, rng),
        f"{talker}VTG,{course},T,,M,{knots},N,{epoch.speed_m_s * 3.6:.3f},K,A",
        f"{talker}ZDA,{clock},{epoch.utc:%d,%m,%Y},00,00",
    ]
    return [_framed(body) for body in bodies]


def _satellites(talker: str, rng: random.Random) -> list[str]:
    total = math.ceil(len(_SKY) / _SATELLITES_PER_SENTENCE)
    bodies = []
    for index in range(total):
        group = _SKY[index * _SATELLITES_PER_SENTENCE : (index + 1) * _SATELLITES_PER_SENTENCE]
        seen = "".join(
            f",{number:02d},{elevation:02d},{azimuth:03d},{rng.randint(28, 47):02d}"
            for number, elevation, azimuth in group
        )
        bodies.append(f"{talker}GSV,{total},{index + 1},{len(_SKY):02d}{seen}")
    return bodies


def _angle(degrees: float, digits: int, letters: str) -> str:
    """Degrees and minutes to 5 decimals, rounded once, so that 60 minutes never appear."""
    units = round(abs(degrees) * 60.0 * 100_000.0)
    whole, rest = divmod(units, 60 * 100_000)
    minutes, decimals = divmod(rest, 100_000)
    return f"{whole:0{digits}d}{minutes:02d}.{decimals:05d},{letters[degrees < 0]}"


def _framed(body: str) -> bytes:
    text = body.encode("ascii")
    return b"$%b*%02X\r\n" % (text, reduce(xor, text, 0))
