"""Edge recordings: read back byte for byte at every framing and polarity; CSV and VCD, right ones and wrong ones."""

from __future__ import annotations

import contextlib
import functools
import operator
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
EPOCH = b"".join(
    b"$%s*%02X\r\n" % (body, functools.reduce(operator.xor, body))
    for body in (
        b"GNGGA,093011.20,4721.12345,S,12037.98765,W,1,09,0.9,412.6,M,-9.3,M,,",
        b"GNRMC,093011.20,A,4721.12345,S,12037.98765,W,2.7,64.0,170524,,,A",
    )
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
    ("name", "unit_s"),
    [
        ("time", 1.0), ("Timestamp", 1.0), ("Time [ms]", 1e-3), ("time (\u00b5s)", 1e-6), ("time_\u03bcs", 1e-6),
        ("Time Microseconds", 1e-6), ("t_ns", 1e-9), ("time_S", 1.0),
    ],
)  # fmt: skip
def test_the_unit_is_in_the_name(tmp_path: Path, name: str, unit_s: float) -> None:
    path = tmp_path / "edges.csv"
    path.write_text(f"{name},rx\n0,1\n8,0\n", encoding="utf-8")
    assert read_edge_csv(path).times_s.tolist() == pytest.approx([8 * unit_s], rel=1e-12)


@pytest.mark.parametrize("name", ["items", "ticks", "samples", "time_ps", "rx", "#3"])
def test_a_name_without_a_known_unit_is_no_second(tmp_path: Path, name: str) -> None:
    path = tmp_path / "edges.csv"
    path.write_text(f'"{name}",level\n0,1\n8,0\n')
    with pytest.raises(UsageError, match=r"tells no unit of time \(expected time_s"):
        read_edge_csv(path)


def test_decimal_commas_and_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "edges.csv"
    path.write_text("\ufeff0,5;1\n0,75;0\n1,25;1\n", encoding="utf-8")
    back = read_edge_csv(path)
    assert (back.began_s, back.times_s.tolist()) == (0.5, [0.75, 1.25])


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
        ("0,1\n1e300,0\n", "line 2: '1e300' is no time"),
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


VCD = "$comment 25 \u00b0C $end $timescale 10 us $end $var wire 1 ! rx $end $enddefinitions $end\n#0\n1!\n"


def test_vcd_with_unknown_levels_values_as_vectors_and_foreign_letters(tmp_path: Path) -> None:
    """x and z are no edges, nor is there and back at one time."""
    path = tmp_path / "edges.vcd"
    path.write_text(VCD + "#5\nx!\n#6\n1!\n#7\nb0 !\n#8\nz!\n#9\n0!\n1!\n#11\n0!\n1!\n#12\nbx !\n", encoding="utf-8")
    back = read_edge_vcd(path)
    assert back.level_before is True
    assert back.times_s == pytest.approx([70e-6, 90e-6])
    assert back.ended_s == pytest.approx(120e-6)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no end of definitions"),
        ("hello, world\n", "no end of definitions"),
        ("time_s,rx\n0,1\n", "line 1: not a value change dump"),
        ("$timescale 1 us $end\n", "no end of definitions"),
        (VCD.replace("$timescale 10 us $end", ""), "no time scale"),
        (VCD.replace("10 us", "10 zs"), "line 1: no time scale of this kind"),
        (VCD.replace("10 us", f"{'9' * 400} us"), "line 1: no time scale of this kind"),
        (VCD + "#9\n0!\n#8\n1!\n", "line 6: time goes back"),
        (VCD + f"#{'9' * 400}\n", "line 4: a time of more than 63 bits"),
        (VCD + f"#{'9' * 5000}\n", "not a value change dump"),
        (VCD.replace("$var", "$scope module a $end " * 101 + "$var"), "line 1: scopes too deep"),
        (VCD + "$comment " + "long " * 900_000, "in one piece"),
    ],
)
def test_what_is_no_vcd_is_told(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "edges.vcd"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DamageError, match=says):
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
    assert (verdict.checks_right, verdict.checks_wrong) == (12, 0)


def test_probe_on_lines_that_carry_nothing() -> None:
    rng = np.random.default_rng(3)
    silent = EdgeCapture(np.zeros(0), True, 0.0, 2.0)
    hum = EdgeCapture(np.arange(300) * 0.01 + rng.normal(0.0, 1e-4, 300), True, 0.0, 3.1)
    noise = EdgeCapture(np.cumsum(rng.exponential(1e-4, 5_000)), True, 0.0, 0.6)
    few = EdgeCapture(np.array([0.1, 0.1001, 0.7]), True, 0.0, 1.0)
    states = [probe_edges(capture).state for capture in (silent, hum, noise, few)]
    assert states == [LineState.SILENT, LineState.FLOATING, LineState.NOISE, LineState.FLOATING]


def test_hum_that_chatters_is_hum_and_a_few_bytes_are_not_sure() -> None:
    rng = np.random.default_rng(17)
    crossings = np.arange(180) * 0.01 + 0.05
    chatter = np.sort((crossings[:, np.newaxis] + rng.uniform(0.0, 8e-4, (180, 5))).ravel())
    verdict = probe_edges(EdgeCapture(chatter, True, 0.0, 2.0))
    assert verdict.state is LineState.FLOATING
    assert "50 Hz: hum" in verdict.reasons[0]
    few_bytes = capture_of(b"ok\r\n", 9_600)
    verdict = probe_edges(EdgeCapture(few_bytes.times_s, True, 0.0, 2.0))
    assert (verdict.state, verdict.reasons[0]) == (LineState.NOT_SURE, "26 edges: too few for a bit time.")


def test_spikes_that_hide_the_bit_time_do_not_hide_the_sentences() -> None:
    rng = np.random.default_rng(23)
    times = capture_of(EPOCH * 12, 19_200).times_s
    spikes = rng.uniform(times[0], times[-1], len(times) // 3)
    many = np.sort(np.concatenate([times, spikes, spikes + 1e-6]))
    verdict = probe_edges(EdgeCapture(many, True, 0.0, float(many[-1]) + 0.01))
    assert (verdict.state, verdict.baud, verdict.inverted) == (LineState.UNDERSTOOD, 19_200, False)
    assert verdict.measured_baud is None
    assert "usual speeds were tried" in verdict.reasons[-1]


@pytest.mark.parametrize(("longer_bits", "inverted"), [(0.2, False), (-0.2, False), (0.2, True)])
def test_pulses_of_one_level_that_are_too_long(longer_bits: float, inverted: bool) -> None:
    """As behind a resistor and a slow input: edges of one direction come late."""
    sent = capture_of(EPOCH * 4, 57_600, inverted=inverted)
    times = sent.times_s.copy()
    falls = slice(0 if sent.level_before else 1, None, 2)
    times[falls] += longer_bits / 57_600
    verdict = probe_edges(EdgeCapture(times, sent.level_before, 0.0, sent.ended_s))
    assert (verdict.state, verdict.baud, verdict.inverted) == (LineState.UNDERSTOOD, 57_600, inverted)
    assert verdict.measured_baud == pytest.approx(57_600, rel=0.001)
    assert f"high pulses {100 * longer_bits:+.0f} % of a bit longer" in verdict.reasons[-1]


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
