"""The simulated adapter and the lines' noise: against a receiver that counts every sample, and against theory."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from offtake.bench.adapter import Wire
from offtake.probe.edges import EdgeCapture
from offtake.probe.model import FAULT_BREAK, Framing, Received
from probe_lines import Case, bytes_to_ticks, capture_of, flip_ticks, sent, with_flips
from probe_listeners import VirtualListener, wire_of


def by_samples(capture: EdgeCapture, baud: float, framing: Framing, from_s: float) -> list[tuple[int, bool]]:
    """What a receiver hears that looks at every sample, sixteen a bit, one after the other."""
    tick_s = 1.0 / (16 * baud)
    levels = capture.levels_at(np.arange(int(capture.ended_s / tick_s)) * tick_s).astype(int).tolist()
    bits = framing.data_bits + (framing.parity != "N") + 2
    found: list[tuple[int, bool]] = []
    at = int(np.ceil(from_s / tick_s))
    while True:
        while at < len(levels) and not (at > 0 and levels[at] == 0 and levels[at - 1] == 1):
            at += 1
        if at + bits * 16 >= len(levels):
            return found
        seen = [sum(levels[at + 16 * bit + vote] for vote in (7, 8, 9)) >= 2 for bit in range(bits)]
        if seen[0]:
            at += 8
            continue
        value = sum(one << place for place, one in enumerate(seen[1 : 1 + framing.data_bits]))
        wrong = not seen[-1]
        if framing.parity != "N":
            wrong |= (sum(seen[1:-1]) % 2 == 1) != (framing.parity == "O")
        found.append((value, wrong))
        at += 16 * (bits - 1) + 9


@pytest.mark.parametrize(
    ("baud", "framing"), [(9_600, "8N1"), (4_800, "8N1"), (19_200, "8N1"), (9_600, "8E1"), (9_600, "7O1")]
)
def test_it_hears_what_one_that_counts_samples_hears(baud: int, framing: str) -> None:
    setting = Framing.parse(framing)
    capture = capture_of(Case("text", 9_600, Framing.parse("8E1"), errors=0.02, seed=3), 2.0)
    received = VirtualListener(wire_of(capture)).hear(baud, setting, 1.9)
    expected = by_samples(capture, baud, setting, 0.002)[: len(received.values)]
    told = list(zip(received.values.tolist(), (received.faults != 0).tolist(), strict=True))
    # A spike between two samples is no fall to a chip, and one to the edges' way; they agree again after a byte.
    differ = sum(one != other for one, other in zip(told, expected, strict=True))
    assert len(told) > 300
    assert differ <= 0.01 * len(told)


def test_without_noise_every_byte_comes_through_in_every_framing() -> None:
    for text in ("8N1", "8E1", "8O1", "8N2"):
        case = Case("mixed", 57_600, Framing.parse(text), seed=2)
        data, starts, baud = sent(case, 3.0)
        capture = capture_of(case, 3.0)
        received = VirtualListener(wire_of(capture), at_s=0.0).hear(57_600, case.framing, 2.9)
        # A burst takes less than 0.2 s, so by then it has heard a pause, and knows where bytes begin.
        settled = int(np.searchsorted(starts / baud, 0.5))
        assert not received.faults[received.start_s > 0.5].any()
        assert data[settled : settled + 1_000] in received.data, text


@pytest.mark.parametrize("errors", [1e-3, 1e-2, 3e-2])
def test_as_many_bytes_come_through_as_theory_says(errors: float) -> None:
    # Bytes far apart: one comes through when its ten bits are whole and no spike in the nine bits before began a byte
    # that is still being read. Each false byte keeps the receiver busy for nine bits, in which no other one begins.
    rng = np.random.default_rng(7)
    count, baud = 20_000, 1e6
    starts = 40 * np.arange(1, count + 1)
    data = rng.integers(0, 256, count, dtype=np.uint8).tobytes()
    edges = bytes_to_ticks(data, starts, Framing())
    edges = with_flips(edges, flip_ticks(rng, 40 * (count + 2), errors))
    wire = Wire((edges + 1e-3) / baud, True, 40 * (count + 2) / baud)
    received = VirtualListener(wire).hear(baud, Framing(), wire.seconds - 1e-4)
    at = np.rint(received.start_s * baud).astype(int)
    good = (at % 40 == 0) & (received.faults == 0) & (at > 4_000)
    right = received.values[good] == np.frombuffer(data, dtype=np.uint8)[at[good] // 40 - 1]
    share = right.sum() / (count - 100)
    expected = (1.0 - errors) ** 10 / (1.0 + 9.0 * errors)
    assert share == pytest.approx(expected, abs=0.012)


def test_flips_are_as_many_as_asked_for_and_add_two_edges_each() -> None:
    flips = flip_ticks(np.random.default_rng(1), 1_000_000, 0.01)
    assert 9_600 < len(flips) < 10_400
    assert len(np.unique(flips)) == len(flips)
    edges = np.array([10, 20])
    assert with_flips(edges, np.array([14])).tolist() == [10, 14, 15, 20]
    assert with_flips(edges, np.array([10])).tolist() == [11, 20], "a flipped start bit begins later"
    assert with_flips(edges, np.array([14, 15])).tolist() == [10, 14, 16, 20], "two flips side by side are one pulse"


def test_a_line_that_falls_and_stays_low_is_one_break() -> None:
    wire = Wire(np.array([0.1, 0.9]), True, 1.0)
    received: Received = VirtualListener(wire).hear(9_600, Framing(), 0.8)
    assert received.values.tolist() == [0]
    assert received.faults[0] & FAULT_BREAK


def test_a_case_is_the_same_every_time_and_edges_rise() -> None:
    for kind in ("text", "hum", "white", "clock", "other_bus", "loose"):
        first, again = (capture_of(Case(kind, seed=4), 2.0) for _ in range(2))
        assert np.array_equal(first.times_s, again.times_s)
        assert all(one < other for one, other in pairwise(first.times_s.tolist())), kind
        assert not np.array_equal(first.times_s[:50], capture_of(Case(kind, seed=5), 2.0).times_s[:50])
