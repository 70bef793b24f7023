"""The walk over speeds, with a listener that hears recorded lines; and the marks of a driver."""

from __future__ import annotations

import numpy as np
import pytest
from offtake.errors import InputOutputError
from offtake.jobs.probe import Choice, Glance, probe_listener, walk_for
from offtake.probe.edges import EdgeCapture
from offtake.probe.heard import lengths_within
from offtake.probe.listen import Unmarker
from offtake.probe.model import FAULT_BREAK, FAULT_FRAMING, FAULT_PARITY, Framing, LineState, Verdict
from offtake.probe.walk import Walk
from probe_listening import FakeListener, b562_stream, capture, received, rtcm_stream, text_stream


def walked(listener: FakeListener, seconds: float, **choice: object) -> tuple[Walk, Verdict]:
    walk = Walk(listener, **choice)  # type: ignore[arg-type]
    verdict = walk.step()
    while listener.now_s < seconds and not walk.settled:
        verdict = walk.step()
    return walk, verdict


@pytest.mark.parametrize(
    ("data", "baud", "dialect"),
    [
        (text_stream(2), 4_800, "nmea0183"),
        (text_stream(3), 38_400, "nmea0183"),
        (b562_stream(4), 115_200, "b562"),
        (rtcm_stream(4), 230_400, "rtcm3"),
        (text_stream(4), 14_400, "nmea0183"),
    ],
)
@pytest.mark.parametrize("tells_faults", [True, False])
def test_speed_and_dialect_are_found(data: bytes, baud: int, dialect: str, tells_faults: bool) -> None:
    listener = FakeListener(capture(data, baud, pause_s=0.6), tells_faults=tells_faults)
    walk, verdict = walked(listener, 15.0)
    assert walk.settled
    assert (verdict.state, verdict.baud, verdict.dialects) == (LineState.UNDERSTOOD, baud, (dialect,))
    assert verdict.certainty >= 0.9
    # A person with a probe in one hand waits for it.
    assert listener.now_s < 8.0


@pytest.mark.parametrize("framing", ["8E1", "8O1", "7E1"])
def test_framing_is_found(framing: str) -> None:
    listener = FakeListener(capture(text_stream(3), 19_200, Framing.parse(framing), pause_s=0.5))
    _, verdict = walked(listener, 15.0)
    assert (verdict.baud, str(verdict.framing)) == (19_200, framing)


def test_a_speed_nobody_uses_is_found_by_its_bits() -> None:
    listener = FakeListener(capture(text_stream(3), 31_250, pause_s=0.3))
    _, verdict = walked(listener, 12.0)
    assert verdict.state == LineState.UNDERSTOOD
    assert verdict.baud == pytest.approx(31_250, rel=0.05)
    assert verdict.certainty <= 0.8
    assert "give or take" in verdict.reasons[-1]


def test_silence_is_told_and_another_contact_forgets_the_first() -> None:
    listener = FakeListener(None)
    walk = Walk(listener)
    verdict = [walk.step() for _ in range(20)][-1]
    assert verdict.state == LineState.SILENT
    listener.line = capture(text_stream(2), 9_600, pause_s=0.5)
    while not walk.settled and listener.now_s < 12.0:
        verdict = walk.step()
    assert (verdict.state, verdict.baud) == (LineState.UNDERSTOOD, 9_600)
    listener.line = None
    states = [walk.step().state for _ in range(25)]
    assert states[-1] == LineState.SILENT
    listener.line = capture(b562_stream(3), 57_600, pause_s=0.4)
    until = listener.now_s + 8.0
    while not walk.settled and listener.now_s < until:
        verdict = walk.step()
    assert (verdict.baud, verdict.dialects) == (57_600, ("b562",))


def test_a_tip_that_slips_to_a_busy_pad_is_noticed() -> None:
    listener = FakeListener(capture(text_stream(2), 9_600, pause_s=0.3))
    walk, _ = walked(listener, 10.0)
    assert walk.settled
    rng = np.random.default_rng(3)
    listener.line = EdgeCapture(np.sort(rng.uniform(0.0, 1.0, 8_000)), True, 0.0, 1.0)
    states = [walk.step().state for _ in range(30)]
    assert LineState.UNDERSTOOD not in states[-10:]


def test_one_speed_only_stays_there() -> None:
    listener = FakeListener(capture(text_stream(2), 9_600, pause_s=0.3))
    _, verdict = walked(listener, 4.0, bauds=(57_600,))
    assert {baud for baud, _ in listener.settings} == {57_600}
    assert verdict.state != LineState.UNDERSTOOD


def test_random_edges_are_never_understood() -> None:
    rng = np.random.default_rng(4)
    line = EdgeCapture(np.sort(rng.uniform(0.0, 2.0, 20_000)), True, 0.0, 2.0)
    listener = FakeListener(line)
    walk = Walk(listener)
    states = [walk.step().state for _ in range(45)]
    assert not {LineState.UNDERSTOOD, LineState.DATA} & set(states)


def test_a_vanished_port_goes_through() -> None:
    walk = Walk(FakeListener(None, gone_s=0.35))
    assert [walk.step().state for _ in range(4)][-1] == LineState.SILENT
    with pytest.raises(InputOutputError, match="vanished"):
        walk.step()


def test_lengths_within_a_byte() -> None:
    # 0x0C with its start bit, lowest bit first: 0 | 0 0 1 1 0 0 0 0. Three bits low, two high.
    lengths = lengths_within(received(b"\x0c", baud=100.0))
    assert lengths.tolist() == pytest.approx([0.03, 0.02])


def test_marks_of_a_driver() -> None:
    # Source: POSIX.1-2017, General Terminal Interface, PARMRK: FF 00 X, FF FF for FF (from memory).
    stream = b"ab\xff\xff\xff\x00c\xff\x00\x00d"
    values = b"ab\xffc\x00d"
    faults = bytes([0, 0, 0, FAULT_FRAMING, FAULT_BREAK | FAULT_FRAMING, 0])
    for cut in range(len(stream) + 1):
        unmark = Unmarker()
        parts = [unmark.feed(part, FAULT_FRAMING) for part in (stream[:cut], stream[cut:])]
        assert b"".join(part[0] for part in parts) == values
        assert b"".join(part[1] for part in parts) == faults
    assert Unmarker().feed(b"\xff\x00c", FAULT_PARITY) == (b"c", bytes([FAULT_PARITY]))
    # A driver that does not mark: FF stays as it is.
    assert Unmarker().feed(b"\xffa\xff\x01b", FAULT_FRAMING)[0] == b"\xffa\xff\x01b"


def test_all_that_was_heard_is_kept_and_counted() -> None:
    """It kept the last 12 s once, so nothing recorded with it was ever long enough to compare."""
    listener = FakeListener(capture(text_stream(4), 57_600))
    done = probe_listener(walk_for(listener, Choice(baud=57_600)), 40.0, once=False)
    assert done.heard is not None
    assert done.heard.seconds > 39.0
    assert len(done.heard.values) > 50_000
    assert np.all(np.diff(done.heard.start_s) > 0)
    assert (done.verdict.state, done.verdict.bytes_heard) == (LineState.UNDERSTOOD, len(done.heard.values))
    assert done.verdict.seconds == pytest.approx(done.heard.seconds)
    rates = {rate.name: rate.rate_hz for rate in done.verdict.messages}
    assert rates["GGA"] == pytest.approx(rates["RMC"], rel=0.05)


def test_what_was_understood_is_kept_when_the_tip_leaves() -> None:
    listener = FakeListener(capture(text_stream(4), 9_600))

    def lift(glance: Glance) -> bool:
        if listener.now_s > 20.0:
            listener.line = None
        return listener.now_s < 26.0

    done = probe_listener(walk_for(listener, Choice()), None, once=False, show=lift)
    assert done.heard is not None
    assert (done.verdict.state, done.verdict.baud) == (LineState.UNDERSTOOD, 9_600)
    assert 12.5 < done.heard.seconds < 22.5


def test_one_wrong_speed_on_a_port_that_tells_no_faults_is_not_called_data() -> None:
    listener = FakeListener(capture(text_stream(4), 57_600), tells_faults=True)
    mute = FakeListener(capture(text_stream(4), 57_600), tells_faults=False)
    for one in (listener, mute):
        done = probe_listener(walk_for(one, Choice(baud=9_600)), 6.0, once=True)
        assert done.verdict.state not in (LineState.DATA, LineState.UNDERSTOOD)
