"""A folder of journals as one dataset: what is in it, what is read anew, what is set aside."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import duckdb
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest
from offtake.collect.names import part_path
from offtake.generated.records import BLOCK_SIZE
from offtake.jobs import collect as collecting
from offtake.jobs import collect_one
from offtake.jobs.collect import Settings, collect
from offtake.jobs.export import export
from offtake.progress import Watch
from season import Made, counts, dataset_files, fill, journal, prints, put

HERE = Settings(workers=1)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "journals"
    made.mkdir()
    return made


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the journals that are decoded from now on."""
    names: list[str] = []
    whole = collect_one.collect_one

    def noted(task: collect_one.Task, watch: Watch) -> collect_one.Outcome:
        names.append(Path(task.path).name)
        return whole(task, watch)

    monkeypatch.setattr(collecting, "collect_one", noted)
    return names


# What is in it


def test_a_dataset_has_what_an_export_has(folder: Path, tmp_path: Path) -> None:
    made = fill(folder, 2)
    before = prints(folder)
    result = collect(folder, tmp_path / "season", HERE)
    assert (result.files, result.taken, result.journals) == (2, 2, 2)
    assert result.rows["fixes"] == sum(sum(one.fixes.values()) for one in made)
    assert set(result.rows) == {"fixes", "satellites", "events", "supply", "loss", "analogue"}
    assert prints(folder) == before
    for path in folder.rglob("day*"):
        export(path, ("parquet",), tmp_path / path.name)
        journal_id = path.read_bytes()[10:14][::-1].hex()
        label = f"Kayak_{int(journal_id, 16) % 2}"
        for message, ending in (("fixes", "fixes"), ("events", "events"), ("analogue", "measured_analogue")):
            whole = pq.read_table(tmp_path / f"{path.name}_{ending}.parquet")
            for run in (1, 2):
                part = pq.read_table(
                    tmp_path / "season" / part_path(label, run, message, int(journal_id, 16)), partitioning=None
                )
                rows = [row for row in whole.to_pylist() if row.pop("run") == run]
                assert rows
                assert [{**row, "journal": journal_id} for row in rows] == part.select(
                    [*whole.drop_columns("run").column_names, "journal"]
                ).to_pylist()
                assert part.schema.field("tick_us").metadata[b"unit"] == b"us"


def test_readers_see_runs_and_messages_as_columns_and_nothing_of_ours(folder: Path, tmp_path: Path) -> None:
    made = fill(folder)
    collect(folder, tmp_path / "season", HERE)
    names = {file.split("/")[2] for file in dataset_files(tmp_path / "season")}
    assert "message=fixes" in names
    whole = ds.dataset(tmp_path / "season", format="parquet", partitioning="hive", exclude_invalid_files=False)
    assert all("_offtake" not in file for file in whole.files)
    fixes = whole.to_table(filter=ds.field("message") == "fixes", columns=["logger", "run", "journal"])
    assert fixes.num_rows == sum(sum(one.fixes.values()) for one in made)
    assert set(fixes.column("logger").to_pylist()) == {"Kayak_0", "Kayak_1"}
    assert set(fixes.column("journal").to_pylist()) == {f"{one.journal_id:08x}" for one in made}


# Again


def test_what_has_not_changed_is_not_read_again(
    folder: Path, tmp_path: Path, opened: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(folder)
    put(folder, "bad.jnl", b"nothing of the kind")
    assert counts(collect(folder, tmp_path / "season", HERE)) == (0, 4, 0, 0)
    before = dataset_files(tmp_path / "season")
    opened.clear()
    monkeypatch.setattr(collecting, "reach_of", lambda path: pytest.fail(f"{path} is looked into"))
    again = collect(folder, tmp_path / "season", HERE)
    assert counts(again) == (4, 0, 0, 0)
    assert opened == []
    assert len(again.set_aside) == 1
    assert dataset_files(tmp_path / "season") == before


def test_a_journal_that_has_grown_is_taken_anew_in_its_old_place(
    folder: Path, tmp_path: Path, opened: list[str]
) -> None:
    put(folder, "one.jnl", journal(0xB1, "boat", (5,)).data, age_s=9)
    put(folder, "two.jnl", journal(0xB2, "boat", (7,)).data)
    collect(folder, tmp_path / "season", HERE)
    before = dataset_files(tmp_path / "season")
    opened.clear()
    put(folder, "one.jnl", journal(0xB1, "boat", (5, 8)).data)
    result = collect(folder, tmp_path / "season", HERE)
    assert (opened, result.rows["fixes"]) == (["one.jnl"], 20)
    after = dataset_files(tmp_path / "season")
    assert set(before) < set(after)
    # Run 1 of it ends otherwise now, so its events may; all of the other journal is as it was.
    assert {name for name in before if before[name] != after[name]} <= {name for name in before if "000000b1" in name}


def test_another_label_moves_a_journals_parts(folder: Path, tmp_path: Path) -> None:
    put(folder, "one.jnl", journal(0xB1, "boat", (5,)).data, age_s=9)
    collect(folder, tmp_path / "season", HERE)
    put(folder, "one.jnl", journal(0xB1, "ship", (5,)).data)
    result = collect(folder, tmp_path / "season", HERE)
    assert {name.split("/")[0] for name in dataset_files(tmp_path / "season")} == {"logger=ship"}
    assert not (tmp_path / "season" / "logger=boat").exists()
    assert (result.taken, result.journals) == (1, 1)


def test_a_touched_or_renamed_journal_is_known_by_its_content(folder: Path, tmp_path: Path) -> None:
    path = put(folder, "one.jnl", journal(0xB1, "boat", (5,)).data, age_s=9)
    collect(folder, tmp_path / "season", HERE)
    path.rename(folder / "first.jnl")
    assert counts(collect(folder, tmp_path / "season", HERE)) == (0, 0, 1, 0)
    os.utime(folder / "first.jnl", ns=(10**18, 10**18))
    assert counts(collect(folder, tmp_path / "season", HERE)) == (1, 0, 0, 0)
    assert counts(collect(folder, tmp_path / "season", HERE)) == (1, 0, 0, 0)


def test_a_journal_repaired_in_its_middle_is_taken_anew(folder: Path, tmp_path: Path) -> None:
    data = journal(0xB1, "boat", (30,)).data
    hurt = bytearray(data)
    hurt[4 * BLOCK_SIZE : 6 * BLOCK_SIZE] = bytes(byte ^ 0x55 for byte in hurt[4 * BLOCK_SIZE : 6 * BLOCK_SIZE])
    put(folder, "one.jnl", bytes(hurt), age_s=9)
    first = collect(folder, tmp_path / "season", HERE)
    assert [told.path for told in first.damaged] == [str(folder / "one.jnl")]
    put(folder, "one.jnl", data)
    result = collect(folder, tmp_path / "season", HERE)
    assert (result.taken, result.damaged, result.rows["fixes"]) == (1, (), 30)
    assert first.rows["fixes"] < 30


def test_another_way_of_decoding_takes_everything_anew(folder: Path, tmp_path: Path, opened: list[str]) -> None:
    fill(folder, 2)
    collect(folder, tmp_path / "season", HERE)
    assert counts(collect(folder, tmp_path / "season", Settings(workers=1, latency_ms=90.0))) == (0, 2, 0, 0)
    assert counts(collect(folder, tmp_path / "season", Settings(workers=1, latency_ms=90.0))) == (2, 0, 0, 0)
    opened.clear()
    assert counts(collect(folder, tmp_path / "season", Settings(workers=1, latency_ms=90.0, again=True))) == (
        0,
        2,
        0,
        0,
    )


def test_parts_that_somebody_took_away_come_again(folder: Path, tmp_path: Path) -> None:
    fill(folder, 2)
    collect(folder, tmp_path / "season", HERE)
    before = dataset_files(tmp_path / "season")
    (tmp_path / "season" / next(iter(before))).unlink()
    assert collect(folder, tmp_path / "season", HERE).taken == 1
    assert dataset_files(tmp_path / "season") == before


def test_what_was_collected_stays_when_its_file_is_gone(folder: Path, tmp_path: Path) -> None:
    fill(folder, 2)
    collect(folder, tmp_path / "season", HERE)
    before = dataset_files(tmp_path / "season")
    for path in list(folder.rglob("day*")):
        path.unlink()
    put(folder, "short.jnl", journal(0xA0, "Kayak 0", (6,)).data)
    result = collect(folder, tmp_path / "season", HERE)
    assert (result.journals, result.taken, len(result.copies), len(result.gone)) == (2, 0, 1, 2)
    assert dataset_files(tmp_path / "season") == before


# Copies


def test_of_two_copies_the_one_that_reaches_further_is_taken(folder: Path, tmp_path: Path, opened: list[str]) -> None:
    put(folder, "a.jnl", journal(0xB1, "boat", (5,)).data)
    put(folder, "b.jnl", journal(0xB1, "boat", (5, 6)).data)
    put(folder, "c.jnl", journal(0xB1, "boat", (5, 6)).data)
    result = collect(folder, tmp_path / "season", HERE)
    assert (opened, counts(result), result.rows["fixes"]) == (["b.jnl"], (0, 1, 0, 2), 11)
    assert [Path(one.path).name for one in result.copies] == ["a.jnl", "c.jnl"]
    assert {Path(one.preferred).name for one in result.copies} == {"b.jnl"}
    assert counts(collect(folder, tmp_path / "season", HERE)) == (1, 0, 0, 2)
    put(folder, "a.jnl", journal(0xB1, "boat", (5, 6, 7)).data)
    opened.clear()
    result = collect(folder, tmp_path / "season", HERE)
    assert (opened, result.rows["fixes"], len(result.copies)) == (["a.jnl"], 18, 2)


def test_of_copies_that_reach_as_far_the_sounder_is_taken(folder: Path, tmp_path: Path, opened: list[str]) -> None:
    data = journal(0xB1, "boat", (30,)).data
    hurt = bytearray(data)
    hurt[4 * BLOCK_SIZE : 6 * BLOCK_SIZE] = bytes(byte ^ 0x55 for byte in hurt[4 * BLOCK_SIZE : 6 * BLOCK_SIZE])
    put(folder, "a.jnl", bytes(hurt))
    put(folder, "b.jnl", data)
    result = collect(folder, tmp_path / "season", HERE)
    assert (opened, result.damaged) == (["b.jnl"], ())


def test_where_the_best_copy_fails_the_next_is_taken(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(folder, "a.jnl", journal(0xB1, "boat", (5,)).data)
    put(folder, "b.jnl", journal(0xB1, "boat", (5, 6)).data)
    whole = collect_one.collect_one

    def failing(task: collect_one.Task, watch: Watch) -> collect_one.Outcome:
        if task.path.endswith("b.jnl"):
            return collect_one.Outcome("bad", reason="the medium is bad", again=True)
        return whole(task, watch)

    monkeypatch.setattr(collecting, "collect_one", failing)
    result = collect(folder, tmp_path / "season", HERE)
    assert (result.rows["fixes"], [told.text for told in result.set_aside]) == (5, ["the medium is bad"])
    monkeypatch.undo()
    result = collect(folder, tmp_path / "season", HERE)
    assert (result.rows["fixes"], result.set_aside, len(result.copies)) == (11, (), 1)


# Questions to it; the README has them too

FIXES_OF_DAYS = """\
SELECT logger, utc::DATE AS day, count(*) AS fixes, min(utc) AS first, max(utc) AS last
FROM read_parquet('season/*/*/message=fixes/*.parquet', hive_partitioning = true, union_by_name = true)
WHERE latitude_deg IS NOT NULL
GROUP BY ALL ORDER BY ALL;
"""
LEAST_SUPPLY = """\
SELECT logger, journal, run, min(supply_mv) / 1000.0 AS least_v, arg_min(utc, supply_mv) AS at
FROM read_parquet('season/*/*/message=supply/*.parquet', hive_partitioning = true, union_by_name = true)
GROUP BY ALL ORDER BY least_v, journal, run;
"""
SATELLITES_USED = """\
SELECT satellites_used, count(*) AS fixes, round(100.0 * count(*) / sum(count(*)) OVER (), 1) AS percent
FROM read_parquet('season/*/*/message=fixes/*.parquet', hive_partitioning = true, union_by_name = true)
GROUP BY satellites_used ORDER BY satellites_used;
"""


def queried(season: Path, query: str) -> list[tuple[Any, ...]]:
    return duckdb.sql(query.replace("season/", f"{season}/").rstrip().removesuffix(";")).fetchall()


def test_questions_to_the_dataset(folder: Path, tmp_path: Path) -> None:
    made = fill(folder)
    season = tmp_path / "season"
    collect(folder, season, HERE)
    by_logger = {
        f"Kayak_{odd}": sum(sum(one.fixes.values()) for one in made if one.journal_id % 2 == odd) for odd in (0, 1)
    }
    days = queried(season, FIXES_OF_DAYS)
    assert [(logger, str(day), count) for logger, day, count, *_ in days] == [
        (logger, "2024-05-01", count) for logger, count in by_logger.items()
    ]
    assert [(first.hour, first.second, last.second) for *_, first, last in days] == [(12, 0, 7), (12, 0, 8)]
    supply = queried(season, LEAST_SUPPLY)
    least = {(f"{one.journal_id:08x}", run): mv / 1000 for one in made for run, mv in one.least_mv.items()}
    assert {(journal, run): float(volts) for _, journal, run, volts, _ in supply} == least
    assert [float(row[3]) for row in supply] == sorted(least.values())
    used = queried(season, SATELLITES_USED)
    assert [row[:2] for row in used] == sorted(_used(made).items())
    assert sum(row[2] for row in used) == pytest.approx(100.0, abs=0.3)


def test_the_readme_asks_these_questions() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    asked = [block.split("```")[0] for block in readme.split("```sql\n")[1:]]
    assert asked == [FIXES_OF_DAYS, LEAST_SUPPLY, SATELLITES_USED]


def _used(made: list[Made]) -> dict[int, int]:
    found: dict[int, int] = {}
    for one in made:
        for seconds in one.fixes.values():
            for second in range(seconds):
                used = 5 + (one.journal_id + second) % 4
                found[used] = found.get(used, 0) + 1
    return found
