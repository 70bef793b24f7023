"""Edge recordings: read back byte for byte at every framing and polarity; CSV and VCD, right ones and wrong ones."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

import demo_edges
import numpy as np
import pytest
from edge_encoder import encode
from hypothesis import given, settings
from hypothesis import strategies as st
from offtake.errors import DamageError, InputOutputError, OfftakeError, UsageError
from offtake.probe.edge_csv import read_edge_csv
from offtake.probe.edge_probe import probe_edges
from offtake.probe.edge_vcd import read_edge_vcd
from offtake.probe.edges import EdgeCapture
from offtake.probe.model import FAULT_BREAK, FAULT_FRAMING, FAULT_PARITY, Framing, LineState
from offtake.probe.sample import sample

FRAMINGS = ("8N1", "8E1", "8O1", "8N2", "7E1", "7O1", "7N2")
HEADS = (b"", b"time_us,rx\n0,1\n", b"$timescale 1 us $end $var wire 1 ! a $end\n")
EPOCH = (
    b"$GNGGA,093011.20,4721.12345,S,12037.98765,W,1,09,0.9,412.6,M,-9.3,M,,*7E\r\n"
    b"$GNRMC,093011.20,A,4721.12345,S,12037.98765,W,2.7,64.0,170524,,,A*78\r\n"
)


def capture_of(data: bytes, baud: float, framing: str = "8N1", **more: object) -> EdgeCapture:
    f = Framing.parse(framing)
    times, before = encode(data, baud, f.data_bits, f.parity, f.stop_bits, **more)  # type: ignore[arg-type]
    return EdgeCapture(times, before, 0.0, (40 + f.bits * len(data)) / baud, "made")


@settings(max_examples=60, deadline=None)
@given(
    st.binary(min_size=1, max_size=60),
    st.sampled_from(FRAMINGS),
    st.booleans(),
    st.floats(-0.02, 0.02),
    st.integers(0, 2**32 - 1),
)
def test_what_was_sent_is_read_byte_for_byte(data: bytes, framing: str, inverted: bool, off: float, seed: int) -> None:
    """With the sender's clock 2 % off and 3 % jitter: the last bit of 11 is then 0.22 + 0.1 of a bit off, of 0.5."""
    f = Framing.parse(framing)
    data = bytes(value & (2**f.data_bits - 1) for value in data)
    rng = np.random.default_rng(seed)
    capture = capture_of(data, 57_600.0 * (1 + off), framing, jitter_bits=0.02, rng=rng, inverted=inverted)
    received = sample(capture, 57_600.0, f, inverted=inverted)
    assert received.data == data
    assert not received.faults.any()
    assert received.start_s[0] == pytest.approx(20 / (57_600.0 * (1 + off)), abs=2e-6)


def test_faults_are_what_they_are() -> None:
    odd_read_as_even = sample(capture_of(b"abc", 9_600, "8O1"), 9_600, Framing.parse("8E1"))
    assert odd_read_as_even.data == b"abc"
    assert odd_read_as_even.faults.tolist() == [FAULT_PARITY] * 3
    # Held low for 30 bits, then a byte.
    times = np.concatenate([[0.01, 0.01 + 30 / 9_600], encode(b"Q", 9_600)[0] + 0.02])
    broken = sample(EdgeCapture(times, True, 0.0, 0.1, "made"), 9_600)
    assert broken.data == b"\x00Q"
    assert broken.faults.tolist() == [FAULT_BREAK | FAULT_FRAMING, 0]
    with pytest.raises(UsageError, match="a speed of 0"):
        sample(capture_of(b"a", 9_600), 0)


def test_levels_and_shares() -> None:
    capture = EdgeCapture(np.array([1.0, 2.0, 4.0]), False, 0.0, 5.0)
    assert capture.levels_at(np.array([0.5, 1.0, 1.5, 3.0, 4.5])).tolist() == [False, True, True, False, True]
    assert capture.high_share() == pytest.approx(0.4)
    assert capture.turned_over().high_share() == pytest.approx(0.6)


def csv_of(path: Path, capture: EdgeCapture, unit: str = "us", mark: str = ",") -> Path:
    scale = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}[unit]
    level = int(capture.level_before)
    lines = [f"time_{unit}{mark}rx", f"0{mark}{level}"]
    for time in capture.times_s:
        level ^= 1
        lines.append(f"{time * scale:.6f}{mark}{level}")
    lines.append(f"{capture.ended_s * scale:.6f}{mark}{level}")
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_csv_comes_back(tmp_path: Path, unit: str, mark: str) -> None:
    capture = capture_of(EPOCH, 38_400)
    back = read_edge_csv(csv_of(tmp_path / "edges.csv", capture, unit, mark))
    assert back.level_before is True
    assert back.times_s == pytest.approx(capture.times_s, abs=2e-6 if unit == "s" else 1e-8)
    assert back.ended_s == pytest.approx(capture.ended_s, abs=2e-6)


def test_csv_of_samples_without_names_and_of_several_columns(tmp_path: Path) -> None:
    path = tmp_path / "samples.csv"
    path.write_text("# a comment\n0.0,1\n0.1,1\n0.2,0\n0.3,0\n0.4,1\n")
    back = read_edge_csv(path)
    assert (back.times_s.tolist(), back.level_before, back.ended_s) == ([0.2, 0.4], True, 0.4)
    path.write_text("t [ms],tx,rx\n0,1,0\n1,1,1\n2,0,1\n")
    assert read_edge_csv(path, "rx").times_s.tolist() == [0.001]
    assert read_edge_csv(path, "tx").times_s.tolist() == [0.002]
    with pytest.raises(UsageError, match=r"2 columns of levels .*--signal with one of: tx, rx"):
        read_edge_csv(path)
    with pytest.raises(UsageError, match=r"no column 'cts' .*one of: tx, rx"):
        read_edge_csv(path, "cts")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "nothing in it"),
        ("time_s,rx\n", "no lines of time and level"),
        ("time_s,rx\n0,1\n0.1,2\n", "line 3: '2' is no level"),
        ("time_s,rx\n0,1\nnan,0\n", "line 3: 'nan' is no time"),
        ("time_s,rx\n0,1\n0.2,0\n0.1,1\n", "line 4: time 0.1 is not after the line before"),
        ("time_s,rx\n0,1\n0.2\n", "line 3: 1 columns"),
        ("0,1\n\x00\xff,0\n", "line 2: .* is no time"),
        ("time_s,rx\n0,1\n" + "9" * 5000 + "\n", "line 3: a line of over"),
    ],
)
def test_wrong_csv_is_told_with_its_line(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "edges.csv"
    path.write_text(text, encoding="latin-1")
    with pytest.raises(DamageError, match=says):
        read_edge_csv(path)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    for read in (read_edge_csv, read_edge_vcd):
        with pytest.raises(InputOutputError, match="cannot read"):
            read(tmp_path / "none")


def vcd_of(path: Path, capture: EdgeCapture, scale: str = "100 ns", step_s: float = 1e-7) -> Path:
    level = int(capture.level_before)
    lines = [
        f"$timescale {scale} $end", "$scope module probe $end", "$var wire 1 ! rx $end", "$var wire 8 # bus $end",
        "$var wire 1 % other $end", "$upscope $end", "$enddefinitions $end", "#0", f"{level}!", "b0 #", "0%",
    ]  # fmt: skip
    for time in capture.times_s:
        level ^= 1
        lines += [f"#{round(time / step_s)}", f"{level}!"]
    lines.append(f"#{round(capture.ended_s / step_s)}")
    path.write_text("\n".join(lines) + "\n")
    return path


def test_vcd_comes_back(tmp_path: Path) -> None:
    capture = capture_of(EPOCH, 38_400)
    path = vcd_of(tmp_path / "edges.vcd", capture)
    for name in ("rx", "probe.rx"):
        back = read_edge_vcd(path, name)
        assert back.times_s == pytest.approx(capture.times_s, abs=6e-8)
        assert (back.level_before, back.ended_s) == (True, pytest.approx(capture.ended_s, abs=1e-7))
    with pytest.raises(UsageError, match=r"2 signals of one bit .*probe.rx, probe.other"):
        read_edge_vcd(path)
    with pytest.raises(UsageError, match="no signal 'bus'"):
        read_edge_vcd(path, "bus")


@pytest.mark.parametrize("text", ["", "hello, world\n", "time_s,rx\n0,1\n", "$timescale 1 us $end\n"])
def test_what_is_no_vcd_is_told(tmp_path: Path, text: str) -> None:
    path = tmp_path / "edges.vcd"
    path.write_text(text)
    with pytest.raises(DamageError):
        read_edge_vcd(path)


@settings(max_examples=80, deadline=None)
@given(st.binary(max_size=300), st.sampled_from(HEADS))
def test_any_bytes_give_a_recording_or_an_error_of_ours(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes, head: bytes
) -> None:
    path = tmp_path_factory.mktemp("junk") / "edges"
    path.write_bytes(head + junk)
    for read in (read_edge_csv, read_edge_vcd):
        with contextlib.suppress(OfftakeError):
            read(path)


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("framing", ["8N1", "8E1", "8O1", "7E1", "7O1"])
def test_probe_finds_speed_framing_polarity_and_dialect(framing: str, inverted: bool) -> None:
    rng = np.random.default_rng(5)
    verdict = probe_edges(capture_of(EPOCH * 6, 38_400 * 1.004, framing, jitter_bits=0.02, rng=rng, inverted=inverted))
    assert verdict.state is LineState.UNDERSTOOD
    assert (verdict.baud, str(verdict.framing), verdict.inverted) == (38_400, framing, inverted)
    assert verdict.dialects == ("nmea0183",)
    assert verdict.measured_baud == pytest.approx(38_400 * 1.004, rel=0.002)
    assert verdict.certainty > 0.9


def test_probe_on_lines_that_carry_nothing() -> None:
    rng = np.random.default_rng(3)
    silent = EdgeCapture(np.zeros(0), True, 0.0, 2.0)
    hum = EdgeCapture(np.arange(300) * 0.01 + rng.normal(0.0, 1e-4, 300), True, 0.0, 3.1)
    noise = EdgeCapture(np.cumsum(rng.exponential(1e-4, 5_000)), True, 0.0, 0.6)
    few = EdgeCapture(np.array([0.1, 0.1001, 0.7]), True, 0.0, 1.0)
    states = [probe_edges(capture).state for capture in (silent, hum, noise, few)]
    assert states == [LineState.SILENT, LineState.FLOATING, LineState.NOISE, LineState.FLOATING]


def test_probe_on_bytes_in_no_dialect_gives_the_speed_and_says_so() -> None:
    verdict = probe_edges(capture_of(np.random.default_rng(3).bytes(600), 19_200))
    assert (verdict.state, verdict.baud, str(verdict.framing), verdict.dialects) == (LineState.DATA, 19_200, "8N1", ())


@pytest.mark.parametrize(("name", "read"), [("unknown_pad.csv", read_edge_csv), ("unknown_pad.vcd", read_edge_vcd)])
def test_the_demo_recordings_are_what_their_maker_makes_and_are_understood(
    repo_root: Path, name: str, read: Callable[[Path], EdgeCapture]
) -> None:
    path = repo_root / "demo_data" / name
    assert path.read_text(encoding="ascii") == demo_edges.texts(repo_root)[name]
    verdict = probe_edges(read(path))
    assert (verdict.state, verdict.baud, str(verdict.framing), verdict.inverted) == ("understood", 38_400, "8N1", False)
    assert verdict.dialects == ("nmea0183",)
    assert verdict.measured_baud == pytest.approx(demo_edges.BAUD * (1 + demo_edges.OFF), rel=0.001)
