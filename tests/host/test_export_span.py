"""A span of time: its rows are those of the whole export that lie in it, and only its blocks are read."""

from __future__ import annotations

import csv
import datetime as dt
import json
import random
from collections.abc import Callable
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any

import gpxpy  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from journal_maker import run_start
from measured_logs import TICKS_PER_S, Log, own_descriptions
from offtake import cli
from offtake.card import open_journal
from offtake.errors import UsageError
from offtake.export.span import Span, formats_and_end
from offtake.generated.records import Analogue, Event, Level, Raw
from offtake.jobs.export import ExportResult, export
from offtake.jobs.export_run import nothing_in_span
from offtake.jobs.runs import Hearing, read_run
from offtake.journal.salvage import salvage

START = dt.datetime(2024, 5, 1, 22, 30, 0, tzinfo=dt.UTC)
SECONDS = 5_500
MIDDLE = (START + dt.timedelta(seconds=2_400), START + dt.timedelta(seconds=2_700))


def sentences(*bodies: str) -> bytes:
    return b"".join(f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode() for body in bodies)


def epoch(second: int) -> bytes:
    """A position with satellites; no position for a while, and a jump."""
    moment = START + dt.timedelta(seconds=second)
    time = moment.strftime("%H%M%S.00")
    north = 30.0 + second * 0.0005 + (0.7 if second in (2_500, 2_501) else 0.0)
    valid = not 2_590 <= second < 2_620
    place = f"01{north:08.5f},N,00230.25000,W" if valid else ",,,"
    state = "A" if valid else "V"
    return sentences(
        f"GNRMC,{time},{state},{place},1.80,0.0,{moment:%d%m%y},,,{'A' if valid else 'N'}",
        f"GNGGA,{time},{place},{1 if valid else 0},08,0.9,{10 + second % 7}.0,M,40.0,M,,",
        f"GPGSV,1,1,02,03,{10 + second % 60},111,40,08,45,222,{30 + second % 9}",
    )


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of an hour and a half over midnight with sensors, between two short ones, one of which tells no date."""
    rng = random.Random(5)
    log = Log()
    log.maker = type(log.maker)(6_000)
    log.run(own_descriptions()).put(Raw.CODE, TICKS_PER_S, b"no date here\r\n")
    log.run(own_descriptions(), run_start())
    for second in range(SECONDS):
        at = (second + 3) * TICKS_PER_S
        log.put(Raw.CODE, at + rng.randrange(2_000), epoch(second))
        if second % 5 == 0:
            log.put(Analogue.CODE, at + 60_000, Analogue(rng.randrange(5_000), 7).encode())
        if second % 97 == 0:
            log.put(Event.CODE, at + 90_000, Event(Level.LOW if second % 2 else Level.HIGH, 0).encode())
    log.run(own_descriptions()).put(Raw.CODE, TICKS_PER_S, epoch(SECONDS + 900))
    path = tmp_path_factory.mktemp("span") / "a.jnl"
    path.write_bytes(log.data())
    return path


FORMATS = ("csv", "parquet", "gpx", "kml", "geojson", "messages", "frames", "raw", "split")


@pytest.fixture(scope="module")
def whole(journal: Path) -> Path:
    """Everything of the long run."""
    stem = journal.with_name("whole")
    export(journal, FORMATS, stem, run=2)
    return stem


@pytest.fixture(scope="module")
def inside(journal: Path, whole: Path) -> Path:
    """The same of five minutes in its middle."""
    stem = journal.with_name("inside")
    export(journal, FORMATS, stem, run=2, span=Span.of(*(one.isoformat() for one in MIDDLE)))
    return stem


def rows(stem: Path, ending: str) -> list[dict[str, Any]]:
    path = stem.with_name(stem.name + ending)
    if path.suffix == ".parquet":
        found: list[dict[str, Any]] = pq.read_table(path).to_pylist()
        return found
    with path.open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def utc(value: Any) -> dt.datetime | None:
    return dt.datetime.fromisoformat(value) if isinstance(value, str) and value else value or None


# The table, the column of its time, and the columns that count from the first row read.
TABLES = [
    (".csv", "utc", ("fix",)),
    ("_fixes.parquet", "utc", ("fix",)),
    ("_satellites.parquet", "utc", ()),
    ("_events.csv", "utc", ("first_fix", "last_fix")),
    ("_events.parquet", "utc", ("first_fix", "last_fix")),
    ("_measured_analogue.csv", "utc", ()),
    ("_measured_event.parquet", "utc", ()),
    ("_run2_nmea0183.rmc.parquet", "_utc", ("_offset",)),
    ("_run2_nmea0183.gsv.parquet", "_utc", ("_offset",)),
]


@pytest.mark.parametrize(("ending", "time", "counted"), TABLES, ids=[table[0] for table in TABLES])
def test_rows_are_those_of_the_whole_that_lie_in_the_span(
    ending: str, time: str, counted: tuple[str, ...], whole: Path, inside: Path
) -> None:
    def told(row: dict[str, Any]) -> dict[str, Any]:
        # What is usual in a run, by which glitches are judged, is another matter in five minutes of it.
        left_out = (*counted, "evidence", "text") if row.get("kind") == "glitch" else counted
        return {name: value for name, value in row.items() if name not in left_out}

    first, last = MIDDLE
    expected = [told(row) for row in rows(whole, ending) if first <= (utc(row[time]) or START) < last]
    assert [told(row) for row in rows(inside, ending)] == expected
    assert 2 <= len(expected) < len(rows(whole, ending)) / 5
    for name in counted:
        moved = {
            int(one[name]) - int(other[name])
            for one, other in zip([row for row in rows(whole, ending) if first <= (utc(row[time]) or START) < last],
                                  rows(inside, ending), strict=True)
            if one[name] not in (None, "")
        }  # fmt: skip
        assert len(moved) == 1, "numbers count from the first one read, all alike"


def test_frames_are_those_whose_ticks_lie_in_the_span(journal: Path, whole: Path, inside: Path) -> None:
    with open_journal(journal) as opened:
        found = salvage(opened)
        line = read_run(found, found.runs()[1], Hearing()).track.timeline
    assert line is not None
    for name in ("raw", "analogue", "event"):
        every = rows(whole, f"_frames_{name}.parquet")
        stamps = [line.stamp(row["tick_us"]) for row in every]
        expected = [
            row for row, stamp in zip(every, stamps, strict=True) if stamp and MIDDLE[0] <= stamp.utc < MIDDLE[1]
        ]
        assert rows(inside, f"_frames_{name}.parquet") == expected
        assert expected


def test_positions_gaps_and_glitches_of_maps(whole: Path, inside: Path) -> None:
    def points(stem: Path) -> list[tuple[Any, ...]]:
        tracks = gpxpy.parse(stem.with_name(stem.name + ".gpx").read_text(encoding="utf-8")).tracks
        return [
            (number, one.time, one.latitude, one.longitude, one.comment)
            for track in tracks for number, segment in enumerate(track.segments) for one in segment.points
        ]  # fmt: skip

    def features(stem: Path) -> list[tuple[str, str]]:
        path = stem.with_name(stem.name + ".geojson")
        found = [one["properties"] for one in json.loads(path.read_text(encoding="utf-8"))["features"]]
        return [(one["kind"], one.get("utc", "")) for one in found if one["kind"] not in ("track", "fix")]

    first, last = MIDDLE
    kept = [point for point in points(whole) if first <= point[1] < last]
    assert [point[1:] for point in points(inside)] == [point[1:] for point in kept]
    assert len({point[0] for point in kept}) == len({point[0] for point in points(inside)}) == 2
    assert features(inside) == [one for one in features(whole) if first <= (utc(one[1]) or START) < last]
    assert {kind for kind, _ in features(inside)} == {"gap", "glitch", "event"}


def test_bytes_are_the_whole_chunks_that_begin_in_the_span(whole: Path, inside: Path) -> None:
    stream = inside.with_name("inside_run2.bin").read_bytes()
    assert stream in whole.with_name("whole_run2.bin").read_bytes()
    seconds = range(2_400, 2_700)
    assert stream == b"".join(map(epoch, seconds))
    assert inside.with_name("inside_run2_nmea0183.bin").read_bytes() == stream


def span_of(seconds: tuple[int | None, int | None]) -> Span | None:
    times = [None if one is None else (START + dt.timedelta(seconds=one)).isoformat() for one in seconds]
    return Span.of(times[0], times[1])


@pytest.mark.parametrize(
    ("seconds", "count"), [((None, 100), 100), ((5_400, None), 100), ((-9_000, 9), 9), ((0, 1), 1)]
)
def test_either_end_may_be_open(
    seconds: tuple[int | None, int | None], count: int, journal: Path, tmp_path: Path
) -> None:
    done = export(journal, ["csv"], tmp_path / "x", run=2, span=span_of(seconds))
    assert len(rows(tmp_path / "x", ".csv")) == count
    assert done.summary is not None
    assert done.summary.epochs == count


def test_runs_without_a_date_or_outside_are_told_of(journal: Path, tmp_path: Path) -> None:
    done = export(journal, ["csv", "raw"], tmp_path / "x", span=span_of((100, 200)))
    assert [info.run for info in done.runs] == [2]
    assert "Run 1 tells no date and was left out: nobody knows what of it lies in the span." in done.notes
    assert "Run 3 has nothing in the span." in done.notes
    assert len(rows(tmp_path / "x", ".csv")) == 100
    assert not (tmp_path / "x_run1.bin").exists()


NOTHING = [
    (7_000, None),
    (None, -4_000),
    # So near to the run's ends that its blocks are looked at.
    (SECONDS + 30, SECONDS + 60),
    (-90, -60),
]


@pytest.mark.parametrize("formats", [["csv", "gpx"], ["parquet", "messages"], ["raw"], ["split"], ["frames"], ["kml"]])
@pytest.mark.parametrize("seconds", NOTHING)
def test_a_span_without_anything_is_refused_and_nothing_is_written(
    seconds: tuple[int | None, int | None], formats: list[str], journal: Path, tmp_path: Path
) -> None:
    (tmp_path / "x.csv").write_text("older")
    told = r"nothing in the span.*: run 2 lasts from 2024-05-01T22:2\d:\d\dZ to 2024-05-02T00:01:4\dZ\)$"
    with pytest.raises(UsageError, match=told):
        export(journal, formats, tmp_path / "x", run=2, span=span_of(seconds), replace=True)
    assert [one.name for one in tmp_path.iterdir()] == ["x.csv"]
    assert (tmp_path / "x.csv").read_text() == "older"


def test_of_every_run_it_is_told_when_it_was(journal: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"run 1 tells no date, run 2 lasts from .*Z, run 3 lasts from 2024-05-02"):
        export(journal, ["csv"], tmp_path / "x", span=span_of((9_000, None)))
    many = [f"run {number} tells no date" for number in range(1, 8)]
    said = str(nothing_in_span(journal, many))
    assert said.endswith("run 5 tells no date, and 1 more, run 7 tells no date)")
    assert "run 6" not in said


def test_a_span_in_a_silence_of_the_receivers_that_has_other_frames(journal: Path, tmp_path: Path) -> None:
    """What is asked for decides whether there is anything."""
    one = (2_400.1, 2_400.9)
    span = Span.of(*((START + dt.timedelta(seconds=at)).isoformat() for at in one))
    export(journal, ["frames"], tmp_path / "x", run=2, span=span)
    assert rows(tmp_path / "x", "_frames_analogue.parquet")
    with pytest.raises(UsageError, match="nothing in the span"):
        export(journal, ["raw"], tmp_path / "y", run=2, span=span)
    assert not list(tmp_path.glob("y*"))


def counted_export(journal: Path, monkeypatch: pytest.MonkeyPatch, action: Callable[[], ExportResult]) -> int:
    """How many bytes of the journal were read."""
    from offtake.card import OpenedJournal

    read = 0
    one = OpenedJournal.read

    def counted(opened: OpenedJournal, offset: int, length: int) -> bytes:
        nonlocal read
        data = one(opened, offset, length)
        read += len(data)
        return data

    with monkeypatch.context() as patch:
        patch.setattr(OpenedJournal, "read", counted)
        action()
    return read


@pytest.mark.parametrize("formats", [["csv", "parquet"], ["raw"], ["messages", "gpx"], ["frames", "split"]])
def test_only_the_blocks_of_the_span_are_read(
    formats: list[str], journal: Path, whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    size = journal.stat().st_size
    every = counted_export(
        journal, monkeypatch, lambda: export(journal, formats, tmp_path / "all", run=2, replace=True)
    )
    some = counted_export(
        journal, monkeypatch, lambda: export(journal, formats, tmp_path / "some", run=2, span=span_of((2_400, 2_460)))
    )
    assert every > 0.9 * size
    # Five minutes and up to 256 blocks at either end, of an hour and a half.
    assert some < every / 4


def test_one_run_is_read_without_the_others(
    journal: Path, whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = counted_export(journal, monkeypatch, lambda: export(journal, ["csv"], tmp_path / "x", run=3))
    assert read < journal.stat().st_size / 50


@pytest.mark.parametrize(
    ("begin", "end", "message"),
    [
        ("yesterday", None, "--from: 'yesterday' is no time"),
        (None, "2024-13-01", "--to: '2024-13-01' is no time"),
        ("2024-05-01T12:00Z", "2024-05-01T13:00+01:00", "is empty"),
    ],
)
def test_spans_that_are_none_are_refused(begin: str | None, end: str | None, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        Span.of(begin, end)


def test_times_are_utc_unless_they_say_otherwise() -> None:
    assert Span.of("1970-01-01T00:00:01", "1970-01-01T01:00:02+01:00") == Span(1_000_000, 2_000_000)
    assert Span.of(None, None) is None


def test_formats_and_a_time_to_end_at() -> None:
    assert formats_and_end(["csv, gpx", "2024-05-01", "raw"]) == (["csv", "gpx", "raw"], "2024-05-01")
    assert formats_and_end(["csv"]) == (["csv"], None)
    with pytest.raises(UsageError, match="two times to end at"):
        formats_and_end(["2024-05-01", "2024-05-02"])
    assert formats_and_end(["2024-05-01T12:00:00,5"]) == ([], "2024-05-01T12:00:00,5")
    for both in ("gpx,2024-05-01", "2024-05-01,gpx"):
        with pytest.raises(UsageError, match="--to twice, once with the formats and once with 2024-05-01"):
            formats_and_end([both])
    for nothing in ("", " , "):
        with pytest.raises(UsageError, match="names nothing"):
            formats_and_end(["gpx", nothing])


def test_the_command(journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["export", str(journal), "--to", "csv", "-o", str(tmp_path / "x"), "--from", "2024-05-01T23:59:50Z"]
    assert cli.main([*asked, "--to", "2024-05-02T00:00:10Z"]) == 0
    out = capsys.readouterr().out
    assert "fixes        20 of 20 epochs" in out
    assert [row["utc"] for row in rows(tmp_path / "x", ".csv")][::19] == [
        "2024-05-01T23:59:50Z",
        "2024-05-02T00:00:09Z",
    ]
    assert max(len(line) for line in out.splitlines() if str(tmp_path) not in line) <= 80
    assert cli.main([*asked, "--to", "2024-05-01T00:00:00Z", "--replace"]) == 2
