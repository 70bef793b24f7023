"""The receiver's stream is parted by dialect byte for byte."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from chunk_windows import windows_of
from offtake.dialects.stream import StreamChunk
from offtake.errors import UsageError
from offtake.export.split import REST, split_paths, write_split
from offtake.generated.dialects import DIALECTS
from split_oracle import split_one_by_one

# The same frames as in the tests of published values: an RTCM station, and a binary frame with a Fletcher check.
RTCM = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")
BINARY = bytes.fromhex("B56206080600C80001000100DE6A")
GLL = b"$GNGLL,5327.04319,S,00214.41396,E,223232.00,A,A*68"
UNKNOWN = b"$PXYZ,1*16"
NAMES = [*DIALECTS, REST]


def split(tmp_path: Path, *pieces: bytes, lost: tuple[int, ...] = ()) -> dict[str, bytes]:
    """What each file holds when ``pieces`` come as chunks; before those in ``lost`` bytes are missing."""
    chunks = [StreamChunk(number, piece, number in lost) for number, piece in enumerate(pieces)]
    expected = split_one_by_one(chunks, list(DIALECTS.values()))
    for at_least in (1, 40):
        done = write_split(windows_of(chunks, at_least), tmp_path / "day", replace=True)
        files = {one.dialect: one.path.read_bytes() for one in done}
        assert files == expected
    assert [one.size_bytes for one in done] == [len(data) for data in files.values()]
    assert sum(map(len, files.values())) == sum(map(len, pieces))
    return files


def test_each_dialect_has_its_messages_in_order(tmp_path: Path) -> None:
    stream = (
        b"noise" + GLL + b"\r\n" + RTCM + BINARY + GLL + b"\n\n" + RTCM + b"\r\n" + UNKNOWN + b"\r" + BINARY + b"$GN"
    )
    files = split(tmp_path, stream)
    assert files == {
        "nmea0183": GLL + b"\r\n" + GLL + b"\n" + UNKNOWN + b"\r",
        "rtcm3": RTCM + RTCM,
        "b562": BINARY + BINARY,
        REST: b"noise" + b"\n" + b"\r\n" + b"$GN",
    }
    messages = {one.dialect: one.messages for one in write_split([], tmp_path / "none")}
    assert messages == dict.fromkeys(NAMES, 0)
    assert all((tmp_path / f"none_{name}.bin").read_bytes() == b"" for name in NAMES)


def test_where_the_stream_is_cut_does_not_matter(tmp_path: Path) -> None:
    stream = b"".join(
        [b"\n", GLL, b"\r\n", BINARY, b"$GNGLL,53\xd3", RTCM, GLL, b"\r", GLL, b"x", UNKNOWN, b"\r\n", RTCM[:9]]
    )
    whole = split(tmp_path, stream)
    assert whole["nmea0183"] == GLL + b"\r\n" + GLL + b"\r" + GLL + UNKNOWN + b"\r\n"
    assert split(tmp_path, *(stream[n : n + 1] for n in range(len(stream)))) == whole
    rng = random.Random(7)
    for _ in range(20):
        cuts = sorted(rng.sample(range(len(stream)), 5))
        assert split(tmp_path, *(stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True))) == whole


def test_random_bytes_are_all_accounted_for(tmp_path: Path) -> None:
    rng = random.Random(8)
    loaded = [b"\xb5\x62", b"\xd3\x00", b"$", b"\r\n", b"\r", GLL, RTCM, BINARY]
    for _ in range(30):
        pieces = [rng.choice([*loaded, rng.randbytes(rng.randrange(1, 9))]) for _ in range(40)]
        lost = tuple(n for n in range(1, 40) if rng.random() < 0.1)
        split(tmp_path, *pieces, lost=lost)


def test_a_loss_parts_messages_and_line_ends(tmp_path: Path) -> None:
    files = split(tmp_path, RTCM[:10], RTCM[10:] + GLL, b"\r\n" + GLL + b"\r", b"\n", lost=(1, 2, 3))
    assert files["nmea0183"] == GLL + GLL + b"\r"
    assert files["rtcm3"] == b""
    assert files[REST] == RTCM + b"\r\n" + b"\n"


def test_memory_does_not_grow_with_the_stream(tmp_path: Path) -> None:
    def chunks() -> Iterator[StreamChunk]:
        for number in range(50):
            yield StreamChunk(number, b"\x00" * 4096, False)

    done = write_split(windows_of(chunks()), tmp_path / "day")
    assert done[-1].size_bytes == 50 * 4096


def test_names_come_from_the_dialects_alone(tmp_path: Path) -> None:
    nmea = DIALECTS["nmea0183"]
    assert split_paths(tmp_path / "a.b", [nmea]) == {
        "nmea0183": tmp_path / "a.b_nmea0183.bin",
        REST: tmp_path / "a.b_rest.bin",
    }
    for name in ("../evil", "rest", "", "a" * 33, "UPPER", "a/b", "con.\u202e"):
        with pytest.raises(UsageError, match="a dialect called"):
            split_paths(tmp_path / "x", [replace(nmea, name=name)])
    with pytest.raises(UsageError, match="a dialect called"):
        split_paths(tmp_path / "x", [nmea, nmea])
    hostile = b"$../../evil<x>,1*71\r\n"
    write_split(windows_of([StreamChunk(0, hostile, False)]), tmp_path / "day")
    assert sorted(one.name for one in tmp_path.iterdir()) == sorted(f"day_{name}.bin" for name in NAMES)


def test_no_file_is_written_when_one_is_in_the_way_or_the_stream_fails(tmp_path: Path) -> None:
    (tmp_path / "day_rtcm3.bin").write_bytes(b"precious")
    with pytest.raises(UsageError, match=r"day_rtcm3\.bin: exists already"):
        write_split(windows_of([StreamChunk(0, GLL, False)]), tmp_path / "day")
    assert [one.name for one in tmp_path.iterdir()] == ["day_rtcm3.bin"]

    def failing() -> Iterator[StreamChunk]:
        yield StreamChunk(0, GLL, False)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_split(windows_of(failing()), tmp_path / "day", replace=True)
    assert [one.name for one in tmp_path.iterdir()] == ["day_rtcm3.bin"]
    assert (tmp_path / "day_rtcm3.bin").read_bytes() == b"precious"
