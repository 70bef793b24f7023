"""What speaks for a dialect, and the verdict on it: on right bytes, on bytes with errors, on chance."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from edge_encoder import encode
from offtake.probe.edges import EdgeCapture
from offtake.probe.facts import LineFacts
from offtake.probe.heard import score_readings
from offtake.probe.model import FAULT_BREAK, FAULT_FRAMING, FRAMING_USUAL, Framing, LineState, Received, Verdict
from offtake.probe.parity import framing_evidence
from offtake.probe.sample import sample
from offtake.probe.score import BUILT_IN, _surprise, score_received
from offtake.probe.verdict import SURPRISE_SURE, judge
from probe_listening import b562_stream, capture, received, rtcm_stream, text_stream
from scipy.stats import poisson

STREAMS = {"nmea0183": text_stream(8), "b562": b562_stream(12), "rtcm3": rtcm_stream(10)}
LINE = LineFacts(4.0)


def flipped(data: bytes, errors: float, seed: int) -> bytes:
    rng = np.random.default_rng(seed)
    bits = np.unpackbits(np.frombuffer(data, dtype=np.uint8))
    return np.packbits(bits ^ (rng.random(len(bits)) < errors)).tobytes()


def heard(*pieces: Received) -> Verdict:
    return judge([one for piece in pieces for one in score_readings(piece, BUILT_IN)], LINE)


@pytest.mark.parametrize("name", STREAMS)
def test_right_bytes_speak_for_their_dialect(name: str) -> None:
    score = score_received(received(STREAMS[name]))
    assert score.dialects[0].dialect == name
    assert score.surprise > 20.0
    assert score.checks_wrong == 0
    assert score.checks_right == sum(one.count for one in score.messages)
    assert score.messages[0].rate_hz == pytest.approx(score.messages[0].count / 4.0)
    assert [one.dialect for one in score.dialects if one.surprise >= SURPRISE_SURE] == [name]


@pytest.mark.parametrize("name", STREAMS)
def test_one_wrong_bit_in_a_hundred(name: str) -> None:
    for seed in range(5):
        score = score_received(received(flipped(STREAMS[name] * 2, 0.01, seed)))
        assert score.dialects[0].dialect == name
        assert score.surprise >= SURPRISE_SURE


def test_chance_speaks_for_nothing() -> None:
    rng = np.random.default_rng(11)
    worst = 0.0
    for _ in range(60):
        worst = max(worst, score_received(received(rng.integers(0, 256, 4_000, dtype=np.uint8).tobytes())).surprise)
    # 60 tries of three dialects with two counts each: about 2.6 is the least likely to be expected.
    assert worst < 4.5


def test_letters_in_no_order_speak_for_nothing() -> None:
    rng = np.random.default_rng(12)
    letters = np.frombuffer(text_stream(20), dtype=np.uint8)
    assert max(score_received(received(rng.permutation(letters).tobytes())).surprise for _ in range(20)) < 4.5


@pytest.mark.parametrize(("found", "mean"), [(1, 1e-9), (3, 0.01), (30, 1.0), (10, 9.0), (200, 100.0)])
def test_surprise_is_the_tail_of_poisson(found: int, mean: float) -> None:
    # Source: scipy.stats, another reckoning of the same distribution.
    assert _surprise(found, mean) == pytest.approx(-poisson.logsf(found - 1, mean) / math.log(10.0), rel=1e-6)


@pytest.mark.parametrize("text", ["8N1", "8E1", "8O1", "7E1", "7O1"])
def test_framing_shows_in_bytes_read_as_8n1(text: str) -> None:
    framing = Framing.parse(text)
    evidence = framing_evidence(sample(capture(text_stream(3), 9_600.0, framing), 9_600.0, FRAMING_USUAL))
    assert str(evidence.framing) == text
    assert evidence.decades > 2.0
    verdict = heard(sample(capture(text_stream(6), 9_600.0, framing), 9_600.0, FRAMING_USUAL))
    assert (verdict.state, str(verdict.framing), verdict.dialects) == (LineState.UNDERSTOOD, text, ("nmea0183",))
    assert verdict.certainty > 0.9


def test_a_mute_port_gives_no_certainty_of_parity() -> None:
    piece = dataclasses.replace(received(text_stream(8)), tells_faults=False)
    verdict = heard(piece)
    assert (verdict.state, verdict.baud) == (LineState.UNDERSTOOD, 9_600)
    assert verdict.certainty <= 0.95
    assert any("guess" in reason for reason in verdict.reasons)


def test_bytes_full_of_zeros_are_not_taken_for_seven_bits() -> None:
    stream = b562_stream(4).replace(b"\x00", b"\x00\x00") + b"".join(b562_stream(1, seed) for seed in range(9))
    assert str(heard(received(stream)).framing) == "8N1"


def test_two_speeds_that_both_speak_are_not_decided() -> None:
    verdict = heard(received(text_stream(8)), received(text_stream(8), baud=19_200.0))
    assert (verdict.state, verdict.certainty, verdict.baud) == (LineState.NOT_SURE, 0.0, None)
    assert "19,200" in " ".join(verdict.reasons)


def test_unknown_data_needs_faults_elsewhere() -> None:
    rng = np.random.default_rng(13)
    data = rng.integers(0, 256, 900, dtype=np.uint8).tobytes()
    faults = np.where(rng.random(900) < 0.5, FAULT_FRAMING, 0).astype(np.uint8)
    elsewhere = received(data, baud=4_800.0, faults=faults)
    data_at_9600 = received(data, seconds=900 * 10 / 9_600.0)
    verdict = heard(data_at_9600, elsewhere)
    assert (verdict.state, verdict.baud, verdict.dialects) == (LineState.DATA, 9_600, ())
    assert heard(received(data), received(data, baud=4_800.0)).state == LineState.NOT_SURE
    # One byte now and then is what a short burst of anything gives.
    lonely = received(data, seconds=30.0)
    assert heard(lonely, elsewhere).state != LineState.DATA
    mute = [dataclasses.replace(one, tells_faults=False) for one in (received(data), received(data, baud=4_800.0))]
    assert heard(*mute).state == LineState.NOT_SURE


def test_faulty_at_every_speed_is_noise_and_few_breaks_are_a_loose_contact() -> None:
    rng = np.random.default_rng(14)
    bauds = (2_400.0, 9_600.0, 57_600.0, 115_200.0)
    noisy = [
        received(
            rng.integers(0, 256, 3_000, dtype=np.uint8).tobytes(),
            baud=baud,
            faults=np.where(rng.random(3_000) < 0.5, FAULT_FRAMING, 0).astype(np.uint8),
        )
        for baud in bauds
    ]
    assert heard(*noisy).state == LineState.NOISE
    assert heard(*noisy[1:]).state == LineState.NOT_SURE
    low = np.full(200, FAULT_BREAK | FAULT_FRAMING, dtype=np.uint8)
    hum = [received(bytes(200), baud=baud, faults=low) for baud in bauds]
    assert heard(*hum).state == LineState.FLOATING
    assert heard(*[received(b"", baud=baud) for baud in bauds]).state == LineState.SILENT


def test_certainty_of_silence_grows_with_time() -> None:
    short, long = (judge([], LineFacts(seconds, edges=0)).certainty for seconds in (0.2, 5.0))
    assert short < 0.5 < long < 1.0


def test_an_inverted_line_at_the_wrong_polarity_is_never_understood() -> None:
    edges, before = encode(text_stream(4), 9_600.0, inverted=True)
    line = EdgeCapture(edges, before, 0.0, float(edges[-1]) + 0.1)
    assert heard(sample(line, 9_600.0)).state != LineState.UNDERSTOOD
    right = heard(sample(line, 9_600.0, inverted=True))
    assert (right.state, right.inverted) == (LineState.UNDERSTOOD, True)
