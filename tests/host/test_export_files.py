"""Files are written aside, put in place whole, and never over another one by accident."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from offtake.errors import InputOutputError, UsageError
from offtake.export.aside import write_aside
from offtake.export.geojson import write_geojson
from offtake.export.gpx import write_gpx
from offtake.export.inputs import ExportInput
from offtake.export.kml import write_kml
from offtake.export.raw import write_raw
from offtake.track.fix import Fix, Track
from table_writers import write_csv, write_fixes_parquet

FIX = Fix(run=1, tick_us=0, latitude_deg=1.0, longitude_deg=2.0)
GOOD = ExportInput([Track(1, (FIX,))])
BAD = ExportInput([Track(1, (FIX, FIX, Fix(run=1, tick_us=7, latitude_deg=91.0, longitude_deg=2.0)))])
WRITERS = [write_csv, write_gpx, write_kml, write_geojson, write_fixes_parquet]


def test_raw_bytes_are_written_as_they_come(tmp_path: Path) -> None:
    path = tmp_path / "run.bin"
    assert write_raw([b"\x00$", b"", b"\r\n\xff"], path) == 5
    assert path.read_bytes() == b"\x00$\r\n\xff"
    assert os.listdir(tmp_path) == ["run.bin"]


@pytest.mark.parametrize("writer", WRITERS)
def test_an_existing_file_is_kept_unless_replaced(writer: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "out"
    path.write_bytes(b"precious")
    with pytest.raises(UsageError, match="out: exists already"):
        writer(GOOD, path)
    assert path.read_bytes() == b"precious"
    writer(GOOD, path, replace=True)
    assert path.read_bytes() != b"precious"
    assert os.listdir(tmp_path) == ["out"]


@pytest.mark.parametrize("writer", WRITERS)
def test_a_failed_write_leaves_nothing_and_keeps_the_old_file(writer: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "out"
    with pytest.raises(Exception, match="out of range"):
        writer(BAD, path)
    assert os.listdir(tmp_path) == []
    path.write_bytes(b"precious")
    with pytest.raises(Exception, match="out of range"):
        writer(BAD, path, replace=True)
    assert (path.read_bytes(), os.listdir(tmp_path)) == (b"precious", ["out"])


def test_an_interrupt_leaves_nothing(tmp_path: Path) -> None:
    def chunks() -> Iterator[bytes]:
        yield b"half"
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_raw(chunks(), tmp_path / "run.bin")
    assert os.listdir(tmp_path) == []


def test_a_file_made_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "run.bin"

    def chunks() -> Iterator[bytes]:
        yield b"mine"
        path.write_bytes(b"theirs")

    with pytest.raises(UsageError, match="exists already"):
        write_raw(chunks(), path)
    assert (path.read_bytes(), os.listdir(tmp_path)) == (b"theirs", ["run.bin"])


def test_a_file_system_without_hard_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_links(*_: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    path = tmp_path / "run.bin"
    assert write_raw([b"on a card"], path) == 9
    assert (path.read_bytes(), os.listdir(tmp_path)) == (b"on a card", ["run.bin"])

    def chunks() -> Iterator[bytes]:
        yield b"mine"
        path.with_name("b.bin").write_bytes(b"theirs")

    with pytest.raises(UsageError, match="exists already"):
        write_raw(chunks(), path.with_name("b.bin"))
    assert sorted(os.listdir(tmp_path)) == ["b.bin", "run.bin"]


def test_a_full_disk_is_an_input_output_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputOutputError, match=r"run\.bin: cannot write: No space left on device"):
        write_raw([b"x"], tmp_path / "run.bin")
    assert os.listdir(tmp_path) == []


def test_folders_that_are_missing_or_in_the_way(tmp_path: Path) -> None:
    with pytest.raises(InputOutputError, match=r"run\.bin: cannot write: the folder \S*/none does not exist"):
        write_raw([b"x"], tmp_path / "none" / "run.bin")
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(InputOutputError, match=r"cannot write: \S*/file is no folder"):
        write_raw([b"x"], tmp_path / "file" / "run.bin")
    with pytest.raises(UsageError, match="is a folder"):
        write_raw([b"x"], tmp_path)
    with pytest.raises(InputOutputError, match="cannot write: File name too long"):
        write_raw([b"x"], tmp_path / ("n" * 256))


def test_a_left_over_unfinished_file_is_in_nobodys_way(tmp_path: Path) -> None:
    (tmp_path / f".offtake-{os.getpid()}-0.part").write_bytes(b"old")
    with write_aside(tmp_path / "a") as first, write_aside(tmp_path / "b") as second:
        first.write(b"a")
        second.write(b"b")
    assert ((tmp_path / "a").read_bytes(), (tmp_path / "b").read_bytes()) == (b"a", b"b")
    assert (tmp_path / f".offtake-{os.getpid()}-0.part").read_bytes() == b"old"


def test_the_longest_file_name_works(tmp_path: Path) -> None:
    path = tmp_path / ("n" * 255)
    assert write_raw([b"x"], path) == 1


def test_the_file_has_the_usual_permissions(tmp_path: Path) -> None:
    old = os.umask(0o022)
    try:
        write_raw([b"x"], tmp_path / "run.bin")
    finally:
        os.umask(old)
    assert (tmp_path / "run.bin").stat().st_mode & 0o777 == 0o644
