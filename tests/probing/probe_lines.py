"""Lines a probe may touch, as edges: receivers at any speed, framing and polarity with flipped bits, and all else.

A transmitter's bytes begin on the grid of its bit clock. ``errors`` is the chance that a bit's whole interval on the
line is turned over, idle intervals too, so a flip may cost a byte its start or stop bit or begin one that was never
sent. Edges then move by the jitter (a normal distribution; ``jitter`` is its standard deviation in bits).
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from offtake.probe.edges import EdgeCapture
from offtake.probe.model import FRAMING_USUAL, Framing
from probe_streams import KNOWN, UNKNOWN, epochs

QUIET = ("silent_high", "silent_low")
FLOATING = ("hum", "loose")
NOISE = ("white", "clock", "other_bus")
KINDS = (*KNOWN, *UNKNOWN, *QUIET, *FLOATING, *NOISE)
_BUSY_MOST = 0.7
_EPOCH_BYTES_MOST = 700
_JITTER_MOST = 0.05
_CLOCK_OFF_MOST = 0.015

Ticks = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Case:
    """One line, and everything that is random about it is in ``seed``. For lines without bytes ``baud`` and
    ``framing`` mean nothing."""

    kind: str
    baud: int = 9_600
    framing: Framing = FRAMING_USUAL
    inverted: bool = False
    errors: float = 0.0
    seed: int = 0

    def rng(self, what: str) -> np.random.Generator:
        """A stream of chance for one purpose; another case has another."""
        name = f"{self.kind}/{self.baud}/{self.framing}/{self.inverted}/{self.errors:g}/{what}"
        return np.random.default_rng([zlib.crc32(name.encode()), self.seed])


@dataclass(frozen=True, slots=True)
class Settings:
    """What a case's seed chose. ``clock_off`` is relative; ``rate_hz`` epochs a second of ``epoch_bytes`` at most."""

    rate_hz: int
    epoch_bytes: int
    clock_off: float
    jitter: float


def settings_of(case: Case) -> Settings:
    """How this line's receiver is set and built."""
    rng = case.rng("settings")
    bytes_a_second = case.baud / case.framing.bits
    # 120 bytes are the longest message; a burst that does not fit would never pause.
    fits = [rate for rate in (1, 1, 2, 5, 10) if bytes_a_second * _BUSY_MOST / rate >= 130]
    rate = int(rng.choice(fits))
    size = int(min(_EPOCH_BYTES_MOST, bytes_a_second * _BUSY_MOST / rate))
    if case.kind == "mixed":
        # A mixed line says something in each of its dialects.
        rate, size = 1, int(min(_EPOCH_BYTES_MOST, bytes_a_second * 0.9))
    return Settings(
        rate, size, float(rng.uniform(-_CLOCK_OFF_MOST, _CLOCK_OFF_MOST)), float(rng.uniform(0.0, _JITTER_MOST))
    )


def capture_of(case: Case, seconds: float) -> EdgeCapture:
    """The line for ``seconds``, from 0 on; a longer recording of the same case is another one."""
    times, high = _edges(case, seconds)
    if case.inverted:
        high = not high
    return EdgeCapture(times, high, 0.0, seconds, case.kind)


def _edges(case: Case, seconds: float) -> tuple[NDArray[np.float64], bool]:
    if case.kind in KNOWN or case.kind in UNKNOWN:
        return _talking(case, seconds), True
    rng = case.rng("line")
    if case.kind in QUIET:
        return np.zeros(0), case.kind == "silent_high"
    if case.kind == "hum":
        return _hum(rng, seconds), True
    if case.kind == "loose":
        return _poisson(rng, float(rng.uniform(0.5, 20.0)), seconds), bool(rng.integers(2))
    if case.kind == "white":
        return _poisson(rng, float(10.0 ** rng.uniform(3.5, 5.0)), seconds), True
    if case.kind == "clock":
        half = 0.5 / float(rng.choice([1_000, 8_000, 32_768, 100_000]))
        return half * (rng.random() + np.arange(int(seconds / half) - 1)), True
    return _other_bus(rng, seconds), True


# ---- receivers ----


def bytes_to_ticks(data: bytes, starts: Ticks, framing: Framing) -> Ticks:
    """The edges of bytes whose start bits begin at ``starts``, in bits; the line is high before and after each."""
    values = np.frombuffer(data, dtype=np.uint8)
    bits = (values[:, np.newaxis] >> np.arange(framing.data_bits)) & 1
    columns = [np.ones((len(values), 1), np.uint8), np.zeros((len(values), 1), np.uint8), bits]
    if framing.parity != "N":
        columns.append((bits.sum(axis=1, keepdims=True) + (framing.parity == "O")) % 2)
    columns.append(np.ones((len(values), 1), np.uint8))
    rows, places = np.nonzero(np.diff(np.concatenate(columns, axis=1).astype(np.int8), axis=1))
    edges: Ticks = starts[rows] + places
    return edges


def flip_ticks(rng: np.random.Generator, count: int, errors: float) -> Ticks:
    """The bits, of ``count``, that are turned over; each is with the chance ``errors``."""
    if errors <= 0.0:
        return np.zeros(0, dtype=np.int64)
    expected = count * errors
    gaps = rng.geometric(errors, int(expected + 8.0 * np.sqrt(expected) + 20))
    places: Ticks = np.cumsum(gaps) - 1
    return places[places < count]


def with_flips(edges: Ticks, flips: Ticks) -> Ticks:
    """``edges`` with the bits at ``flips`` turned over: two edges more for each, and two at one place are none."""
    places, counts = np.unique(np.concatenate([edges, flips, flips + 1]), return_counts=True)
    return places[counts % 2 == 1]


def sent(case: Case, seconds: float) -> tuple[bytes, Ticks, float]:
    """What the case's transmitter sends within ``seconds``: its bytes, their start bits in bit times, its baud."""
    chosen = settings_of(case)
    rng = case.rng("stream")
    baud = case.baud * (1.0 + chosen.clock_off)
    pool = epochs(case.kind, chosen.epoch_bytes)
    bits = case.framing.bits
    period = baud / chosen.rate_hz
    first = rng.uniform(0.0, period)
    pieces: list[bytes] = []
    starts: list[Ticks] = []
    free = 0
    for number in range(-1, int(seconds * chosen.rate_hz) + 1):
        at = max(free, int(first + number * period + rng.uniform(0.0, 0.05) * period))
        for message in pool[rng.integers(len(pool))]:
            # Receivers pause between messages or not, and hardly ever between bytes.
            at += int(rng.choice([0, 0, rng.integers(1, 40)]))
            gaps = np.where(rng.random(len(message)) < 0.02, rng.integers(1, 5, len(message)), 0)
            begin = at + bits * np.arange(len(message)) + np.cumsum(gaps)
            pieces.append(message)
            starts.append(begin)
            at = int(begin[-1]) + bits
        free = at
    data, begins = b"".join(pieces), np.concatenate(starts)
    # A probe comes upon a line in the middle of anything.
    use = (begins >= 0) & (begins + bits < int(seconds * baud))
    return np.frombuffer(data, dtype=np.uint8)[use].tobytes(), begins[use], baud


def _talking(case: Case, seconds: float) -> NDArray[np.float64]:
    data, starts, baud = sent(case, seconds)
    rng = case.rng("errors")
    edges = bytes_to_ticks(data, starts, case.framing)
    edges = with_flips(edges, flip_ticks(rng, int(seconds * baud) - 1, case.errors))
    jitter = np.clip(rng.normal(0.0, settings_of(case).jitter, len(edges)), -0.45, 0.45)
    times: NDArray[np.float64] = np.maximum(edges + jitter, 1e-3) / baud
    return times


# ---- what else a tip touches ----


def _poisson(rng: np.random.Generator, rate_hz: float, seconds: float) -> NDArray[np.float64]:
    """Edges at random, ``rate_hz`` a second."""
    times: NDArray[np.float64] = np.sort(rng.uniform(0.0, seconds, rng.poisson(rate_hz * seconds)))
    return times[np.diff(times, prepend=-1.0) > 0.0]


def _hum(rng: np.random.Generator, seconds: float) -> NDArray[np.float64]:
    """The mains couples in: two edges a period, some of them chattering, and now and then a stray one."""
    mains_hz = float(rng.choice([50.0, 60.0]))
    crossings = np.arange(rng.random(), 2.0 * mains_hz * seconds - 1) / (2.0 * mains_hz)
    crossings += rng.normal(0.0, 2e-4, len(crossings))
    chatter = rng.uniform(0.0, 0.5)
    # A chattering crossing goes there, back and there again.
    again = crossings[rng.random(len(crossings)) < chatter]
    more = again[:, np.newaxis] + np.cumsum(rng.exponential(10.0 ** rng.uniform(-5.5, -4.0), (len(again), 2)), axis=1)
    stray = rng.uniform(0.0, seconds, rng.poisson(2.0 * seconds))
    times: NDArray[np.float64] = np.sort(np.concatenate([crossings, more.ravel(), stray]))
    return times[(np.diff(times, prepend=-1.0) > 0.0) & (times > 0.0) & (times < seconds)]


def _other_bus(rng: np.random.Generator, seconds: float) -> NDArray[np.float64]:
    """A clocked bus beside: random bits of one length, in bursts, without start and stop bits."""
    clock_hz = float(10.0 ** rng.uniform(4.5, 6.0))
    levels = rng.integers(0, 2, (int(seconds * rng.integers(20, 60)), int(rng.integers(64, 1024))))
    levels[:, -1] = 1
    begins = np.sort(rng.uniform(0.0, seconds - levels.shape[1] / clock_hz, len(levels)))
    begins = begins[np.diff(begins, prepend=-1.0) > (levels.shape[1] + 2) / clock_hz]
    rows, places = np.nonzero(np.diff(levels[: len(begins)], axis=1, prepend=1))
    times: NDArray[np.float64] = begins[rows] + places / clock_hz
    return times
