"""A receiver that tells the date late, or whose time steps back, in a run of several parts."""

from __future__ import annotations

import csv
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from counted_source import Counted
from measured_logs import TICKS_PER_S, Log, own_descriptions, rmc
from offtake.export.span import Span
from offtake.generated.records import Event, Level, Pulses
from offtake.jobs.export import ExportResult, export
from offtake.jobs.runs import Hearing, RunPart, run_parts
from offtake.journal.bulk import stream, window
from offtake.journal.index import index_of
from offtake.journal.salvage import Salvage, salvage
from offtake.track import bulk_epochs, parts
from offtake.track.bulk.batch import EpochBatch
from offtake.track.fixes import NO_TIME

SECONDS = 900
DATED_AT = 520
"""Only from here on is the date told, in the third part."""
PARTS = {"PART_EPOCHS": 250, "OVERLAP_EPOCHS": 60}


def undated(sentence: str) -> str:
    """The same time and place, as a sentence that tells no date."""
    fields = sentence.split(",")
    return ",".join(["GNGGA", fields[1], *fields[3:7], "1,08,0.9,10.0,M,40.0,M,,"])


def log_of(sentences: Iterable[str]) -> Log:
    log = Log().run(own_descriptions())
    for second, sentence in enumerate(sentences):
        tick = (second + 2) * TICKS_PER_S
        log.say(second + 2, sentence)
        if second % 90 == 1:
            log.put(Event.CODE, tick + 900, Event(Level.LOW, 0).encode())
            log.put(Pulses.CODE, tick + 1_000, Pulses(second, 10).encode())
    return log


def late(dated_at: int = DATED_AT) -> bytes:
    told = [rmc(second, 30 + second * 0.0027) for second in range(SECONDS)]
    return log_of(undated(one) if second < dated_at else one for second, one in enumerate(told)).data()


def salvaged(data: bytes) -> tuple[Salvage, Counted]:
    source = Counted(data)
    found = salvage(source)
    found.index = index_of(found)
    source.given = 0
    return found, source


def in_parts(found: Salvage, monkeypatch: pytest.MonkeyPatch, again: list[int] | None = None) -> list[RunPart]:
    with monkeypatch.context() as patch:
        for name, value in PARTS.items():
            patch.setattr(parts, name, value)
        note = None if again is None else lambda: again.append(1)
        return list(run_parts(found, found.runs()[0], Hearing(), again=note))


def exported(journal: Path, stem: Path, monkeypatch: pytest.MonkeyPatch, dealt: bool, **more: Any) -> ExportResult:
    with monkeypatch.context() as patch:
        for name, value in PARTS.items() if dealt else ():
            patch.setattr(parts, name, value)
        return export(journal, ["csv", "gpx"], stem, replace=True, **more)


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def test_all_rows_before_the_first_date_get_theirs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    journal = tmp_path / "a.jnl"
    journal.write_bytes(late())
    whole = exported(journal, tmp_path / "whole", monkeypatch, dealt=False)
    dealt = exported(journal, tmp_path / "parts", monkeypatch, dealt=True)
    for ending in (".csv", "_events.csv", "_measured_pulses.csv"):
        made, expected = rows(tmp_path / f"parts{ending}"), rows(tmp_path / f"whole{ending}")
        assert len(made) == len(expected) > 9
        for one, other in zip(made, expected, strict=True):
            assert one["utc"] != ""
            apart = np.datetime64(one["utc"].rstrip("Z")) - np.datetime64(other["utc"].rstrip("Z"))
            assert abs(apart) <= np.timedelta64(20, "ms"), ending
    assert [row["utc"] for row in rows(tmp_path / "parts.csv")] == [row["utc"] for row in rows(tmp_path / "whole.csv")]
    assert (tmp_path / "parts.gpx").read_bytes() == (tmp_path / "whole.gpx").read_bytes()
    assert dealt.summary is not None
    assert whole.summary is not None
    assert dealt.summary.first_utc == whole.summary.first_utc


@pytest.mark.parametrize(("dated_at", "passages"), [(100, 1), (DATED_AT, 2), (SECONDS, 2)])
def test_the_run_is_begun_again_only_where_its_first_part_has_no_date(
    dated_at: int, passages: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = late(dated_at)
    found, source = salvaged(data)
    again: list[int] = []
    made = in_parts(found, monkeypatch, again)
    assert [part.number for part in made] == [0, 250, 500, 750]
    assert len(again) == passages - 1
    assert source.given <= passages * len(data)
    times = np.concatenate([part.track.fixes.utc_us for part in made])
    assert np.all((times == NO_TIME) == (dated_at == SECONDS))


def test_parts_without_any_time_get_the_line_of_those_with(monkeypatch: pytest.MonkeyPatch) -> None:
    found, _ = salvaged(log_of(
        "GNRMC,,V,,,,,,,,,,N" if second < DATED_AT else rmc(second, 30.0) for second in range(SECONDS)
    ).data())  # fmt: skip
    first, *_, last = in_parts(found, monkeypatch)
    assert first.track.timeline is not None
    assert last.track.timeline is not None
    begun, ended = first.track.timeline.stamp(2_000_000), last.track.timeline.stamp(802_000_000)
    assert begun is not None
    assert ended is not None
    assert (ended.utc - begun.utc).total_seconds() == pytest.approx(800, abs=0.1)


def test_a_receiver_whose_time_steps_back_is_told_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    journal = tmp_path / "a.jnl"
    journal.write_bytes(log_of(rmc(s if s < 500 else s - 400, 30.0 + s * 0.0027) for s in range(SECONDS)).data())
    told = "The receiver's time steps back by 400 s about 502 s after the logger's start: a span of time may miss rows."
    assert told in exported(journal, tmp_path / "x", monkeypatch, dealt=True).notes
    begin = rows(tmp_path / "x.csv")[0]["utc"]
    assert told in exported(journal, tmp_path / "x", monkeypatch, dealt=True, span=Span.of(begin, None)).notes
    journal.write_bytes(late(0))
    assert not exported(journal, tmp_path / "x", monkeypatch, dealt=True).notes


def small_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """So many that a thread decodes them."""
    monkeypatch.setattr(window, "WINDOW_BLOCKS", 32)
    monkeypatch.setattr(stream, "WINDOW_BYTES_MIN", 4_000)
    monkeypatch.setitem(bulk_epochs.EpochGrouper.__init__.__kwdefaults__, "at_once", 4_000)


def threads() -> list[str]:
    return [one.name for one in threading.enumerate() if one.name.startswith("decode")]


def test_no_thread_stays_where_parts_are_not_read_to_their_end(monkeypatch: pytest.MonkeyPatch) -> None:
    small_windows(monkeypatch)
    for name, value in PARTS.items():
        monkeypatch.setattr(parts, name, value)
    found, _ = salvaged(late(0))
    made = run_parts(found, found.runs()[0], Hearing())
    next(made)
    assert len(threads()) == 1
    made.close()
    assert threads() == []


def test_no_thread_stays_where_decoding_or_grouping_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    small_windows(monkeypatch)
    found, _ = salvaged(late(0))
    count = 0

    def failing(*_: object) -> EpochBatch:
        nonlocal count
        count += 1
        raise RuntimeError("enough")

    for owner, name in ((bulk_epochs.WindowDecoder, "window"), (bulk_epochs.EpochGrouper, "take")):
        with monkeypatch.context() as patch:
            patch.setattr(owner, name, failing)
            with pytest.raises(RuntimeError, match="enough"):
                list(run_parts(found, found.runs()[0], Hearing()))
            assert threads() == []
    assert count >= 2
