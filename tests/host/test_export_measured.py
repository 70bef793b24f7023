"""Measurements in tables: names, units, values, times and places, also of messages that this version never heard of."""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import offtake
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from journal_maker import run_start
from measured_logs import TICKS_PER_S, Log, own_descriptions, records_of, rmc, spec_with
from offtake import cli
from offtake.codegen.description import descriptions
from offtake.errors import UsageError
from offtake.export import measured_plan
from offtake.generated.records import MESSAGES, Analogue, Event, Level, Pulses, Sensor
from offtake.jobs import measured as measured_job
from offtake.jobs.export import ExportResult, export

SOIL = '''
[messages.soil]
code = 100
doc = "A soil probe."
fields = [
    { name = "state", type = "u8", enum = "ground", doc = "What the probe says of itself." },
    { name = "moisture", type = "u16", unit = "%", scale = 0.01, doc = "Water by volume." },
    { name = "depths", type = "i16", unit = "degC", fraction_bits = 4, count = 3, doc = "Temperatures, from the top." },
    { name = "alarms", type = "u8", flags = "soil_alarm", doc = "What is wrong." },
    { name = "place", type = "text", doc = "Where it stands." },
]

[enums.ground]
doc = "The ground."
dry = { value = 0, doc = "Dry." }
frozen = { value = 1, doc = "Frozen." }

[flag_sets.soil_alarm]
doc = "Alarms."
open_wire = { bit = 0, doc = "Open." }
flooded = { bit = 5, doc = "Flooded." }
'''


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def exported(log: Log, folder: Path, formats: str = "csv,parquet", **more: Any) -> ExportResult:
    (folder / "a.jnl").write_bytes(log.data())
    return export(folder / "a.jnl", formats.split(","), folder / "day", **more)


@pytest.fixture(scope="module")
def soil_journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a logger writes whose maker added a message: by the Python generated from that maker's spec."""
    spec = spec_with(tmp_path_factory.mktemp("spec"), SOIL)
    made = records_of(spec, "records_with_soil")
    log = Log()
    log.run(descriptions(spec))
    log.say(1, rmc(1)).say(2, rmc(2, 30.1)).say(3, rmc(3, 30.2))
    alarms = made.SoilAlarm.OPEN_WIRE | made.SoilAlarm.FLOODED
    first = made.Soil(made.Ground.FROZEN, 3075, (-24, 0, 333), alarms, "=row 3")
    log.put(100, 3 * TICKS_PER_S + 125_000, first.encode())
    log.say(4, rmc(4, 30.3))
    log.put(100, 5 * TICKS_PER_S, made.Soil(made.Ground.DRY, 1, (1, 2, 3), made.SoilAlarm(0), "").encode())
    log.put(100, 6 * TICKS_PER_S, b"\x07\x10\x27")
    path = tmp_path_factory.mktemp("journal") / "soil.jnl"
    path.write_bytes(log.data())
    return path


def test_a_message_this_version_never_heard_of_is_exported_with_names_units_and_values(
    soil_journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert 100 not in MESSAGES
    stem = tmp_path / "day"
    code = cli.main(["export", str(soil_journal), "--to", "csv,parquet", "-o", str(stem), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert code == 0
    soil_files = [one for one in told["measured"] if one["message"] == "soil"]
    assert [(one["rows"], one["layouts"], one["format"]) for one in soil_files] == [
        (3, ["log"], "csv"), (3, ["log"], "parquet")
    ]  # fmt: skip
    first, second, short = rows_of(tmp_path / "day_measured_soil.csv")
    fields = ["state", "moisture", "depths_0", "depths_1", "depths_2", "alarms", "place"]
    base = ["run", "tick_us", "utc", "utc_uncertainty_s", "latitude_deg", "longitude_deg", "place_s"]
    assert list(first) == base + fields
    # The text begins as a formula does: a spreadsheet must not take it for one.
    values = ["frozen", "30.75", "-1.5", "0", "20.8125", "open_wire+flooded", "'=row 3"]
    assert [first[name] for name in fields] == values
    assert [second[name] for name in fields] == ["dry", "0.01", "0.0625", "0.125", "0.1875", "0", ""]
    # An unknown choice by its number; what an older, shorter frame lacks is empty.
    assert [short[name] for name in fields] == ["7", "100", "", "", "", "", ""]
    assert (first["tick_us"], first["place_s"]) == ("3500000", "-0.5")
    assert first["utc"].startswith("2024-05-01T12:00:03.5")
    assert (first["latitude_deg"][:7], first["longitude_deg"][:6]) == ("1.50333", "-2.504")
    units = {row["column"]: row for row in rows_of(tmp_path / "day_measured.csv") if row["message"] == "soil"}
    assert list(units) == fields
    assert (units["moisture"]["unit"], units["depths_1"]["unit"], units["place"]["unit"]) == ("%", "degC", "")
    assert (units["state"]["choices"], units["alarms"]["choices"]) == ("0=dry 1=frozen", "0=open_wire 5=flooded")
    assert {row["read_by"] for row in units.values()} == {"the run's own description"}
    table = pq.read_table(tmp_path / "day_measured_soil.parquet")
    assert table.schema.names == base + fields
    assert table.schema.field("moisture").metadata[b"unit"] == b"%"
    assert table.column("moisture").to_pylist() == [30.75, 0.01, 100.0]
    assert table.column("depths_2").to_pylist() == [20.8125, 0.1875, None]
    assert table.column("state").to_pylist() == ["frozen", "dry", "7"]
    assert table.column("alarms").to_pylist() == ["open_wire+flooded", "0", None]
    assert table.column("place").to_pylist() == ["=row 3", "", None]
    assert table.schema.metadata[b"message"] == b"soil"


def test_a_clean_installation_needs_nothing_of_the_checkout(soil_journal: Path, tmp_path: Path) -> None:
    package = Path(offtake.__file__).parent
    shutil.copytree(package, tmp_path / "site" / "offtake", ignore=shutil.ignore_patterns("__pycache__", "native"))
    run = "import sys, offtake; print(offtake.__file__); from offtake.cli import main; sys.exit(main(sys.argv[1:]))"
    arguments = ["export", str(soil_journal), "--to", "csv", "-o", "day"]
    environment = {**os.environ, "PYTHONPATH": str(tmp_path / "site"), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-c", run, *arguments]
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith(str(tmp_path))
    assert [row["moisture"] for row in rows_of(tmp_path / "day_measured_soil.csv")] == ["30.75", "0.01", "100"]
    assert [row["state"] for row in rows_of(tmp_path / "day_measured_soil.csv")] == ["frozen", "dry", "7"]


def test_the_command_says_who_described_what(
    soil_journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["export", str(soil_journal), "--to", "csv", "-o", str(tmp_path / "day")]) == 0
    out = capsys.readouterr().out
    assert "rows  measurements  read as described by\n   3  soil          the run\n" in out
    assert max(len(line) for line in out.splitlines() if str(tmp_path) not in line) <= 80


def test_an_independent_reader_finds_the_same_in_both_formats(soil_journal: Path, tmp_path: Path) -> None:
    export(soil_journal, ["csv", "parquet"], tmp_path / "day")
    wanted = "run, tick_us, epoch_us(utc), round(latitude_deg, 6), state, moisture, depths_0, alarms"
    found = [
        duckdb.sql(f"select {wanted} from '{tmp_path}/day_measured_soil.{ending}' order by tick_us").fetchall()
        for ending in ("csv", "parquet")
    ]
    assert found[0] == found[1]
    (run, tick_us, utc_us, *_), _, short = found[1]
    # 2024-05-01T12:00:00Z is 1714564800 s; the receiver's first byte came on the whole second of the logger's ticks.
    assert (run, tick_us) == (1, 3_500_000)
    assert abs(utc_us - 1_714_564_803_500_000) < 20_000
    assert short[4:] == ("7", 100.0, None, None)


def test_all_runs_of_a_message_share_a_table_while_they_agree(tmp_path: Path) -> None:
    log = Log()
    log.run(own_descriptions()).put(Pulses.CODE, 5, Pulses(1, 10).encode())
    log.run(own_descriptions()).put(Pulses.CODE, 5, Pulses(2, 20).encode())
    # A firmware that calls something else by the same name, and one that has a field more.
    log.run([b"\x01\x0a\x06pulses" + b"\x40\x05count\x02km"]).put(Pulses.CODE, 5, b"\x03")
    later = b"\x01\x0a\x06pulses" + b"\x02\x05count" + b"\x42\x09period_us\x02us" + b"\x00\x04slip"
    log.run([later]).put(Pulses.CODE, 5, Pulses(4, 40).encode() + b"\x05")
    done = exported(log, tmp_path)
    assert [row["count"] for row in rows_of(tmp_path / "day_measured_pulses.csv")] == ["1", "2", "4"]
    assert [row["slip"] for row in rows_of(tmp_path / "day_measured_pulses.csv")] == ["", "", "5"]
    assert [row["count"] for row in rows_of(tmp_path / "day_measured_pulses_2.csv")] == ["3"]
    assert pq.read_table(tmp_path / "day_measured_pulses.parquet").column("slip").to_pylist() == [None, None, 5]
    assert [(one.message, one.rows) for one in done.measured if one.format == "csv"] == [
        ("pulses", 3), ("pulses", 1), ("", 4)
    ]  # fmt: skip
    listed = [(row["file"], row["column"], row["unit"]) for row in rows_of(tmp_path / "day_measured.csv")]
    assert listed[-1] == ("day_measured_pulses_2.csv", "count", "km")


def test_names_out_of_a_log_never_name_a_path_or_another_file(tmp_path: Path) -> None:
    """What is no identifier is no description; one that is takes no other file's place."""
    log = Log()
    names = (b"../../x", b"/etc/x", b"a\x00b", b"CON")
    bad = [b"\x01\x64" + bytes([len(name)]) + name + b"\x00\x01x" for name in names]
    long = b"n" * 250
    log.run([*bad, b"\x01\x64\xfa" + long + b"\x00\x01x", b"\x01\x65\x06fields\x00\x03run"])
    log.put(100, 5, b"\x01").put(101, 6, b"\x02")
    done = exported(log, tmp_path)
    written = sorted(path.name for path in tmp_path.iterdir() if "measured" in path.name)
    assert written == sorted(
        f"day_measured{part}" for part in
        (".csv", "_fields.csv", "_fields.parquet", f"_{'n' * 48}.csv", f"_{'n' * 48}.parquet")
    )  # fmt: skip
    assert rows_of(tmp_path / "day_measured_fields.csv")[0]["run_2"] == "2"
    assert any("4 descriptions of messages could not be read" in note for note in done.notes)


def test_two_messages_of_one_name_have_a_table_each(tmp_path: Path) -> None:
    log = Log()
    log.run([b"\x01\x64\x04wind\x00\x01x", b"\x01\x65\x04wind\x00\x01y"]).put(100, 5, b"\x01").put(101, 6, b"\x02")
    exported(log, tmp_path, "csv")
    assert rows_of(tmp_path / "day_measured_wind.csv")[0]["x"] == "1"
    assert rows_of(tmp_path / "day_measured_wind_2.csv")[0]["y"] == "2"


def test_tables_are_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measured_plan, "TABLES_MAX", 4)
    log = Log()
    for letter in b"abcdefg":
        log.run([b"\x01\x64\x02m%c" % letter + b"\x00\x01x"]).put(100, 5, b"\x01")
    done = exported(log, tmp_path, "csv")
    assert [one.message for one in done.measured] == ["ma", "mb", "mc", "md", ""]
    assert done.notes == ("Measurements of 3 messages, beyond 4 tables, were left out.",)


def test_nothing_is_overwritten_and_nothing_written_when_one_is_in_the_way(soil_journal: Path, tmp_path: Path) -> None:
    (tmp_path / "day_measured_soil.parquet").write_bytes(b"precious")
    with pytest.raises(UsageError, match="exists already"):
        export(soil_journal, ["csv", "parquet"], tmp_path / "day")
    assert [path.name for path in tmp_path.iterdir()] == ["day_measured_soil.parquet"]
    export(soil_journal, ["csv", "parquet"], tmp_path / "day", replace=True)
    assert pq.read_table(tmp_path / "day_measured_soil.parquet").num_rows == 3


def test_a_journal_without_measurements_makes_no_table(tmp_path: Path) -> None:
    log = Log()
    log.run(own_descriptions()).say(1, rmc(1))
    done = exported(log, tmp_path)
    assert done.measured == ()
    assert not [path for path in tmp_path.iterdir() if "measured" in path.name]


def test_other_formats_do_not_read_measurements(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = Log()
    log.run(own_descriptions()).put(Pulses.CODE, 5, Pulses(1, 10).encode())
    monkeypatch.setattr(measured_job, "read_batches", None)
    assert exported(log, tmp_path, "gpx,raw").measured == ()


def test_without_a_date_or_a_position_times_and_places_are_absent(tmp_path: Path) -> None:
    log = Log()
    log.run(own_descriptions()).put(Pulses.CODE, 5, Pulses(1, 10).encode())
    exported(log, tmp_path)
    (row,) = rows_of(tmp_path / "day_measured_pulses.csv")
    assert list(row.values()) == ["1", "20", "", "", "", "", "", "1", "10"]
    (row,) = pq.read_table(tmp_path / "day_measured_pulses.parquet").to_pylist()
    assert [name for name, value in row.items() if value is None] == [
        "utc", "utc_uncertainty_s", "latitude_deg", "longitude_deg", "place_s"
    ]  # fmt: skip


def test_an_input_that_is_off_is_an_empty_column(tmp_path: Path) -> None:
    start = replace(
        run_start(), sensors=Sensor.ANALOGUE, analogue_ms=20, analogue_1_full_mv=0, analogue_2_full_mv=9000,
        event_debounce_ms=0, pulse_ms=0, pressure_ms=0,
    )  # fmt: skip
    log = Log()
    log.run(own_descriptions(), start).put(Analogue.CODE, 5, Analogue(0, 8000).encode())
    exported(log, tmp_path)
    (row,) = rows_of(tmp_path / "day_measured_analogue.csv")
    assert (row["input_1_mv"], row["input_2_mv"]) == ("", "8000")


def test_events_are_marks_at_the_position_of_the_moment(tmp_path: Path) -> None:
    log = Log()
    log.run(own_descriptions())
    for second in range(1, 5):
        log.say(second, rmc(second, 30.0 + second / 100))
        if second == 2:
            log.put(Event.CODE, 2 * TICKS_PER_S + 50_000, Event(Level.LOW, 0).encode())
        if second == 3:
            log.put(Event.CODE, 3 * TICKS_PER_S + 50_000, Event(Level.HIGH, 4).encode())
    exported(log, tmp_path, "csv,gpx,kml,geojson")
    low, high = (row for row in rows_of(tmp_path / "day_events.csv") if row["kind"] == "event")
    assert [(row["cause"], row["count"], row["place_s"], row["tick_us"]) for row in (low, high)] == [
        ("low", "0", "-0.2", "2200000"), ("high", "4", "-0.2", "3200000")
    ]  # fmt: skip
    assert high["text"] == "the event input went high; 4 edges before it did not last"
    assert high["utc"].startswith("2024-05-01T12:00:03.2")
    for ending in ("gpx", "kml"):
        text = (tmp_path / f"day.{ending}").read_text(encoding="utf-8")
        assert "run 1, event: low" in text
        assert "run 1, event: high" in text
    kml = (tmp_path / "day.kml").read_text(encoding="utf-8")
    assert [kml.count(f"<styleUrl>#input_{level}</styleUrl>") for level in ("low", "high")] == [1, 1]
    assert [kml.count(f'<Style id="input_{level}">') for level in ("low", "high")] == [1, 1]
    features = json.loads((tmp_path / "day.geojson").read_text(encoding="utf-8"))["features"]
    told = [one for one in features if one["properties"]["kind"] == "event"]
    assert [one["properties"]["cause"] for one in told] == ["low", "high"]
    latitudes = [one["geometry"]["coordinates"][1] for one in told]
    assert latitudes == pytest.approx([1.5 + 0.02 / 60, 1.5 + 0.03 / 60], abs=1e-9)
    assert len(rows_of(tmp_path / "day_measured_event.csv")) == 2


# code 101, "said": a text as long as it is.
SAID = bytes([1, 101, 4]) + b"said" + bytes([7, 4]) + b"text"


def test_text_keeps_its_line_ends_in_parquet_and_is_one_line_in_csv(tmp_path: Path) -> None:
    texts = ["=1+1\r\nand\tmore\n", "two\n\nlines", "\n", "\x1b[2Jplain"]
    log = Log().run([SAID, *own_descriptions()])
    for second, text in enumerate(texts):
        log.put(101, second * TICKS_PER_S, text.encode())
    exported(log, tmp_path)
    table = pq.read_table(tmp_path / "day_measured_said.parquet")
    assert table.column("text").to_pylist() == texts
    rows = rows_of(tmp_path / "day_measured_said.csv")
    assert [row["text"] for row in rows] == ["'=1+1 and more", "two lines", "", "[2Jplain"]
