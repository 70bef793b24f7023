"""The bit time from edges: within 1 % from 200 edges with 2 % jitter, at any speed and framing; nothing from noise or
hum."""

from __future__ import annotations

import numpy as np
import pytest
from edge_encoder import encode
from offtake.probe.bit_time import estimate_bit_time

TEXT = b"$GNGGA,093011.20,4721.12345,S,12037.98765,W,1,09,0.9,412.6,M,-9.3,M,,*6B\r\n$GNRMC,093011.20,A,4721.1234"
FRAMINGS = ((8, "N", 1), (8, "E", 1), (8, "O", 1), (8, "N", 2), (7, "E", 1))


def payload(kind: int, rng: np.random.Generator) -> bytes:
    if kind == 0:
        return TEXT[int(rng.integers(0, 40)) :]
    if kind == 1:
        return rng.bytes(80)
    # A binary message with many zeros in it.
    return b"\xb5\x62\x01\x07\x5c\x00" + rng.bytes(20) + bytes(30) + rng.bytes(20)


def misses(seeds: range, jitter: float, edges: int) -> list[str]:
    """Seeds whose estimate is over 1 % off, or missing."""
    found = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        kind = seed % 3
        framing = FRAMINGS[seed % len(FRAMINGS)] if kind == 0 else FRAMINGS[seed % 4]
        baud = float(rng.choice([1200, 4800, 9600, 38400, 57600, 115200, 230400, 921600]))
        baud *= 1 + rng.uniform(-0.02, 0.02)
        data = payload(kind, rng) * (1 + edges // 150)
        times, _ = encode(data, baud, *framing, jitter_bits=jitter, rng=rng, inverted=bool(seed & 1))
        bit = estimate_bit_time(times[: edges + 1])
        if bit is None or abs(bit.baud / baud - 1.0) > 0.01:
            found.append(f"seed {seed}: {baud:.0f} baud, {bit}")
    return found


def test_200_edges_with_2_percent_jitter_give_it_within_1_percent() -> None:
    assert misses(range(200), 0.02, 200) == []


def test_more_jitter_takes_more_edges() -> None:
    assert misses(range(1000, 1040), 0.05, 800) == []


def test_it_says_how_far_it_may_be_off() -> None:
    """About two thirds of the estimates lie within the spread that is told, nearly all within three times that."""
    within_one = within_three = 0
    for seed in range(120):
        rng = np.random.default_rng(seed)
        times, _ = encode(rng.bytes(80), 57_600.0, 8, "N", 1, jitter_bits=0.03, rng=rng)
        bit = estimate_bit_time(times[:201])
        assert bit is not None
        off = abs(bit.baud / 57_600.0 - 1.0)
        within_one += off <= bit.spread
        within_three += off <= 3.0 * bit.spread
    assert within_one >= 66
    assert within_three >= 117


def test_nothing_from_noise_hum_or_too_few() -> None:
    rng = np.random.default_rng(7)
    assert estimate_bit_time(np.cumsum(rng.exponential(1e-4, 5_000))) is None
    assert estimate_bit_time(np.arange(500) * 0.01 + rng.normal(0.0, 1e-4, 500)) is None
    assert estimate_bit_time(np.cumsum(rng.uniform(2e-5, 9e-4, 3_000))) is None
    times, _ = encode(TEXT, 9_600.0, 8, "N", 1)
    assert estimate_bit_time(times[:30]) is None
    assert estimate_bit_time(np.zeros(0)) is None


def test_spikes_and_pauses_do_not_mislead_it() -> None:
    rng = np.random.default_rng(11)
    pieces = [
        encode(TEXT[at : at + 20], 38_400.0, 8, "N", 1, jitter_bits=0.02, rng=rng)[0] + at * 0.013
        for at in range(0, 80, 20)
    ]
    times = np.concatenate(pieces)
    spikes = rng.uniform(times[0], times[-1], 8)
    times = np.sort(np.concatenate([times, spikes, spikes + 2e-7]))
    bit = estimate_bit_time(times)
    assert bit is not None
    assert bit.baud == pytest.approx(38_400.0, rel=0.01)


@pytest.mark.parametrize("samples_a_bit", [3.37, 4.34, 8.0])
def test_a_recording_sampled_at_its_own_clock(samples_a_bit: float) -> None:
    """Every length is a whole number of samples, which is no reason to take the sample for the bit."""
    for seed in range(8):
        rng = np.random.default_rng(seed)
        baud = float(rng.choice([9_600.0, 57_600.0, 230_400.0, 460_800.0]))
        times, _ = encode(payload(seed % 3, rng) * 4, baud, 8, "N", 1)
        step = 1.0 / (baud * samples_a_bit)
        bit = estimate_bit_time(np.unique(np.ceil(times / step + rng.uniform())) * step)
        assert bit is not None, seed
        assert bit.baud == pytest.approx(baud, rel=0.01), seed


def test_pulses_of_one_level_longer_than_those_of_the_other() -> None:
    for seed, longer_bits in enumerate((-0.3, -0.2, -0.1, 0.1, 0.2, 0.3)):
        rng = np.random.default_rng(seed)
        times, _ = encode(payload(seed % 3, rng) * 2, 38_400.0, 8, "N", 1, jitter_bits=0.02, rng=rng)
        times[1::2] += longer_bits / 38_400.0
        bit = estimate_bit_time(times)
        assert bit is not None
        assert bit.baud == pytest.approx(38_400.0, rel=0.002)
        assert bit.asymmetry == pytest.approx(longer_bits, abs=0.01)


def test_nothing_from_regular_pulses() -> None:
    """One length for each level: any bit that fits both would do."""
    for high_s, low_s in ((1.4e-3, 15.2e-3), (8e-3, 12e-3), (1e-4, 9e-4), (1e-4, 5e-3), (1e-5, 1e-5)):
        lengths = np.tile([high_s, low_s], 300)
        assert estimate_bit_time(np.cumsum(lengths)) is None, (high_s, low_s)
