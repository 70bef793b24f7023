"""Every verb of the command line: help with an example, --json with its schema, exit codes, nothing overwritten."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from fake_logger import FakeLogger, Faults, PtyLogger, make_journal
from offtake import cli
from offtake.card import make_card_image, open_journal
from offtake.generated.records import BLOCK_SIZE, Board, ResetCause, RunStart, Sensor, WhenFull
from offtake.journal.codec import encode_block, encode_frame, require_journal_header
from test_link_desk import JOURNAL_ID, header

BLOCKS = 64
VERBS = (
    ["budget"],
    ["probe"],
    ["compare"],
    ["prepare"],
    ["pull"],
    ["verify"],
    ["salvage"],
    ["export"],
    ["report"],
    ["bench"],
    ["flash"],
    ["spec", "check"],
    ["spec", "generate"],
)
GGA = b"$GPGGA,%02d0000.00,4721.00000,S,12037.00000,W,1,08,0.9,412.0,M,-9.0,M,,"

START = RunStart(0, 1, 0, Board.ATMEGA328P_16MHZ, 0, 57_600, 4_000, WhenFull.STOP, 4, 700, 10, ResetCause.POWER_ON)


def sentence(body: bytes) -> bytes:
    check = 0
    for byte in body[1:]:
        check ^= byte
    return body + b"*%02X\r\n" % check


def talking_journal(blocks: int = BLOCKS, used: int = 6) -> bytearray:
    """A journal of one run whose blocks hold one fix each."""
    data = bytearray(header(blocks) + b"\xff" * (blocks - 1) * BLOCK_SIZE)
    for number in range(1, used + 1):
        zda = sentence(b"$GPZDA,%02d0000.00,17,05,2024,00,00" % number)
        frames = encode_frame(2, 0, sentence(GGA % number) + zda, JOURNAL_ID, number)
        if number == 1:
            frames = encode_frame(RunStart.CODE, 0, START.encode(), JOURNAL_ID, number) + frames
        block = encode_block(JOURNAL_ID, number, 1, number * 250_000, frames)
        data[number * BLOCK_SIZE : (number + 1) * BLOCK_SIZE] = block
    return data


def damage_block(data: bytearray, position: int) -> None:
    """Spoils the block's first frame: its byte 40 lies in the payload."""
    data[position * BLOCK_SIZE + 40] ^= 0x20


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    path = tmp_path / "a.jnl"
    path.write_bytes(talking_journal())
    return path


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    capsys.readouterr()
    try:
        code = cli.main([str(a) for a in arguments])
    except SystemExit as end:
        code = int(end.code or 0)
    out, err = capsys.readouterr()
    return code, out, err


def run_json(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, dict[str, Any]]:
    code, out, err = run(capsys, *arguments, "--json")
    assert err == ""
    values: dict[str, Any] = json.loads(out)
    return code, values


@pytest.mark.parametrize("verb", VERBS)
def test_help_has_an_example_and_fits_the_screen(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, verb: list[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    code, out, _ = run(capsys, *verb, "--help")
    assert code == 0
    assert f"example:\n  offtake {' '.join(verb)}" in out
    assert "--json" in out
    assert max(len(line) for line in out.splitlines()) <= 80


def test_help_as_a_whole(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "--help")
    assert code == 0
    assert all(verb[0] in out for verb in VERBS)
    assert max(map(len, out.splitlines())) <= 80


@pytest.mark.parametrize(
    "arguments", [[], ["dance"], ["verify"], ["verify", "a", "b"], ["prepare", ".", "--size", "3MB"]]
)
def test_wrong_usage_is_one_line_and_exit_code_2(capsys: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    code, out, err = run(capsys, *arguments)
    assert (code, out) == (2, "")
    assert err.startswith("offtake: ")
    assert err.count("\n") == 1


def test_prepare_on_an_image_then_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 16, fat=16)
    arguments = ["prepare", image, "--size", "1MiB", "--baud", "38400", "--label", "first day", "--when-full", "wrap"]
    code, values = run_json(capsys, *arguments, "--journal-id", "0012abcd")
    assert (code, values["schema"]) == (0, "offtake.prepare/1")
    assert values["header"] == {
        "when_full": "wrap",
        "journal_id": "0012abcd",
        "blocks": 2048,
        "baud": 38400,
        "gap_bytes": 4,
        "close_ms": 700,
        "supply_s": 10,
        "created_utc_s": values["header"]["created_utc_s"],
        "label": "first day",
        "sensors": [],
        "analogue_ms": 0,
        "analogue_1_full_mv": 0,
        "analogue_2_full_mv": 0,
        "event_debounce_ms": 0,
        "pulse_ms": 0,
        "pressure_ms": 0,
    }
    before = image.read_bytes()
    code, out, err = run(capsys, *arguments)
    assert (code, out) == (2, "")
    assert "there is a journal" in err
    assert image.read_bytes() == before
    code, out, _ = run(capsys, *arguments, "--replace")
    assert code == 0
    assert "journal 0012abcd" in out
    assert "replaced" in out


def test_prepare_sets_the_sensors(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 16, fat=16)
    prepare = ["prepare", image, "--size", "64KiB", "--replace"]
    every = ["--analogue-ms", "20", "--full-scale-2", "20000", "--event", "5", "--pulse-ms", "1000"]
    header = run_json(capsys, *prepare, *every, "--pressure-ms", "60000")[1]["header"]
    assert header["sensors"] == ["analogue", "event", "pulses", "pressure"]
    assert [header[name] for name in ("analogue_ms", "analogue_1_full_mv", "analogue_2_full_mv")] == [20, 0, 20_000]
    assert [header[name] for name in ("event_debounce_ms", "pulse_ms", "pressure_ms")] == [5, 1000, 60_000]
    with open_journal(image) as opened:
        stored = require_journal_header(opened.read(0, BLOCK_SIZE), "the card")
    assert stored.sensors == Sensor.ANALOGUE | Sensor.EVENT | Sensor.PULSES | Sensor.PRESSURE
    assert (stored.analogue_2_full_mv, stored.pressure_ms) == (20_000, 60_000)
    code, out, _ = run(capsys, *prepare, "--event", "--analogue-ms", "500", "--full-scale-1", "5000")
    assert code == 0
    assert "  every 500 ms: input 1 up to 5,000 mV\n" in out
    assert "  changes that last 20 ms\n" in out
    assert "pulses" not in out


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--analogue-ms", "19", "--full-scale-1", "5000"], "analogue inputs: 19 ms (expected 20 to 60,000 ms)"),
        (["--analogue-ms", "100"], "analogue inputs without a full scale (expected --full-scale-1 MV, "),
        (["--full-scale-1", "5000"], "a full scale, but no interval of the analogue inputs (expected --analogue-ms MS"),
        (["--analogue-ms", "100", "--full-scale-2", "65536"], "full scale of analogue input 2: 65536 mV"),
        (["--analogue-ms", "100", "--full-scale-1", "0"], "full scale of analogue input 1: 0 mV"),
        (["--event", "0"], "event input must last: 0 ms (expected 1 to 250 ms)"),
        (["--event", "251"], "event input must last: 251 ms"),
        (["--event", "soon"], "--event: 'soon' is no whole number of ms; if it is the TARGET, put it before --event"),
        (["--event", "20V"], "--event: '20V' is no whole number of ms (expected --event 20, say, or --event alone)"),
        (["--full-scale-1", "20V"], "'20V' is no whole number of mV (expected 20000 for 20 V, say)"),
        (["--pulse-ms", "99"], "pulse counter: 99 ms (expected 100 to 60,000 ms)"),
        (["--pressure-ms", "99"], "pressure sensor: 99 ms"),
        (["--pressure-ms", "60001"], "pressure sensor: 60001 ms"),
    ],
)
def test_prepare_refuses_what_a_sensor_cannot_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], says: str
) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 16, fat=16)
    before = image.read_bytes()
    code, out, err = run(capsys, "prepare", image, "--size", "64KiB", *options)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert says in err
    assert image.read_bytes() == before


def test_two_cards_get_two_ids(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ids = set()
    for name in ("a.img", "b.img"):
        make_card_image(tmp_path / name, 16, fat=16)
        ids.add(run_json(capsys, "prepare", tmp_path / name, "--size", "64KiB")[1]["header"]["journal_id"])
    assert len(ids) == 2


@pytest.mark.parametrize(
    ("option", "value", "code"),
    [
        ("--baud", "100", 2),
        ("--label", "x" * 33, 2),
        ("--label", "a\nb", 2),
        ("--size", "1000", 2),
        ("--size", "512", 2),
        ("--size", "64MiB", 3),
        ("--gap-bytes", "1", 2),
        ("--journal-id", "xyz", 2),
    ],
)
def test_prepare_refuses(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], option: str, value: str, code: int
) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 16, fat=16)
    before = image.read_bytes()
    assert run(capsys, "prepare", image, "--size", "64KiB", option, value)[0] == code
    assert image.read_bytes() == before


def test_prepare_at_the_desk_needs_replace(capsys: pytest.CaptureFixture[str]) -> None:
    logger = FakeLogger(make_journal(header(BLOCKS), BLOCKS, [5], journal_id=JOURNAL_ID))
    with PtyLogger(logger) as server:
        code, _, err = run(capsys, "prepare", server.port, "--label", "new")
        assert code == 2
        assert "--replace" in err
        code, values = run_json(capsys, "prepare", server.port, "--label", "new", "--replace")
    assert code == 0
    assert values["replaced_id"] == f"{JOURNAL_ID:08x}"
    assert logger.header is not None
    assert f"{logger.header.journal_id:08x}" == values["header"]["journal_id"]
    assert (logger.header.label, logger.header.blocks) == ("new", BLOCKS)


def test_prepare_at_the_desk_sets_sensors_too(capsys: pytest.CaptureFixture[str]) -> None:
    logger = FakeLogger(make_journal(header(BLOCKS), BLOCKS, [5], journal_id=JOURNAL_ID))
    with PtyLogger(logger) as server:
        assert run(capsys, "prepare", server.port, "--replace", "--pressure-ms", "99")[0] == 2
        code, values = run_json(capsys, "prepare", server.port, "--replace", "--pulse-ms", "250", "--event")
    assert (code, values["header"]["sensors"]) == (0, ["event", "pulses"])
    assert logger.header is not None
    assert (logger.header.event_debounce_ms, logger.header.pulse_ms, logger.header.pressure_ms) == (20, 250, 0)


def test_pull_over_a_port_and_its_list_of_runs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = make_journal(header(BLOCKS), BLOCKS, [5, 6], journal_id=JOURNAL_ID)
    target = tmp_path / "a.jnl"
    with PtyLogger(FakeLogger(data)) as server:
        code, values = run_json(capsys, "pull", server.port, "--list")
        runs = [{"run": 1, "first_block": 1, "last_block": 5}, {"run": 2, "first_block": 6, "last_block": 11}]
        assert (code, values["runs"]) == (0, runs)
        code, out, err = run(capsys, "pull", server.port, "-o", target, "--speed", "500000")
    assert (code, err) == (0, "")
    assert f"{JOURNAL_ID:08x}" in out
    assert target.read_bytes() == data[: 12 * BLOCK_SIZE]
    assert run(capsys, "pull", target, "-o", target)[0] == 2
    assert run(capsys, "pull", target)[0] == 2
    assert run_json(capsys, "pull", target, "--list")[1]["runs"] == runs


def test_pull_from_a_port_that_vanishes_is_3_and_goes_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = make_journal(header(200), 200, [150], journal_id=JOURNAL_ID)
    target = tmp_path / "a.jnl"
    with PtyLogger(FakeLogger(data, Faults(vanish_after_bytes=45_000))) as server:
        code, _, err = run(capsys, "pull", server.port, "-o", target)
    assert code == 3
    assert "vanished" in err
    assert not target.exists()
    with PtyLogger(FakeLogger(data)) as server:
        code, values = run_json(capsys, "pull", server.port, "-o", target)
    assert code == 0
    assert values["resumed_bytes"] > 0
    assert target.read_bytes() == data[: 151 * BLOCK_SIZE]


def test_pull_says_that_a_block_is_damaged_on_the_card(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = talking_journal()
    damage_block(data, 3)
    (tmp_path / "card.bin").write_bytes(data)
    code, values = run_json(capsys, "pull", tmp_path / "card.bin", "-o", tmp_path / "a.jnl")
    assert (code, values["not_intact"]) == (1, [{"position": 3, "status": "bad_block_check"}])


def test_verify(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, values = run_json(capsys, "verify", journal)
    assert (code, values["schema"], values["clean"]) == (0, "offtake.verify/1", True)
    assert (values["journal_id"], values["blocks"]["intact"]) == (f"{JOURNAL_ID:08x}", 6)
    code, out, _ = run(capsys, "verify", journal)
    assert code == 0
    assert out.endswith("clean\n")
    assert max(len(line) for line in out.splitlines()) <= 80
    data = bytearray(journal.read_bytes())
    damage_block(data, 2)
    journal.write_bytes(data)
    code, out, _ = run(capsys, "verify", journal)
    assert code == 1
    assert "damage: block 2, byte 1,024" in out
    assert max(len(line) for line in out.splitlines()) <= 80
    assert out.endswith("not clean\n")


def test_salvage(journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = bytearray(journal.read_bytes())
    damage_block(data, 2)
    journal.write_bytes(data)
    recovered = tmp_path / "recovered.bin"
    code, values = run_json(capsys, "salvage", journal, "-o", recovered, "--frames")
    account = values["account"]
    assert (code, values["schema"]) == (1, "offtake.salvage/1")
    assert account["recovered"] + account["skipped_bytes"] == account["size"] == len(data)
    raw = [frame for frame in values["frames"] if frame["message"] == "raw"]
    assert [frame["block_number"] for frame in raw] == [1, 3, 4, 5, 6]
    assert recovered.stat().st_size == values["written"]["bytes"] == sum(frame["bytes"] for frame in raw)
    assert run(capsys, "salvage", journal, "-o", recovered)[0] == 2
    code, out, _ = run(capsys, "salvage", journal, "--frames")
    assert code == 1
    assert max(len(line) for line in out.splitlines()) <= 80


def test_export_of_a_whole_and_a_damaged_journal(
    journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    formats = "gpx,kml,geojson,csv,parquet,raw,split"
    code, values = run_json(capsys, "export", journal, "--to", formats, "-o", tmp_path / "day")
    assert (code, values["schema"]) == (0, "offtake.export/1")
    assert values["summary"]["fixes"] == 6
    assert values["summary"]["first_utc"] == "2024-05-17T01:00:00Z"
    names = sorted(p.name for p in tmp_path.iterdir() if p.name.startswith("day"))
    assert names == [
        "day.csv", "day.geojson", "day.gpx", "day.kml", "day_events.csv", "day_events.parquet", "day_fixes.parquet",
        "day_run1.bin", "day_run1_b562.bin", "day_run1_nmea0183.bin", "day_run1_rest.bin", "day_run1_rtcm3.bin",
        "day_satellites.parquet",
    ]  # fmt: skip
    data = bytearray(journal.read_bytes())
    damage_block(data, 2)
    journal.write_bytes(data)
    code, out, err = run(capsys, "export", journal, "--to", "csv,gpx", "-o", tmp_path / "day")
    assert code == 2
    assert "exists already" in err
    code, out, _ = run(capsys, "export", journal, "--to", "csv,gpx", "-o", tmp_path / "hurt")
    assert code == 1
    assert "The journal is damaged" in out
    assert "5 of 5 epochs" in out


def test_one_file_in_the_way_stops_them_all(journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "day_run1.bin").write_bytes(b"precious")
    assert run(capsys, "export", journal, "--to", "gpx,raw", "-o", tmp_path / "day")[0] == 2
    assert not (tmp_path / "day.gpx").exists()
    assert (tmp_path / "day_run1.bin").read_bytes() == b"precious"


@pytest.mark.parametrize("arguments", [["--to", "shp"], ["--to", ""], ["--to", "gpx", "--run", "9"]])
def test_export_refuses(
    journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str]
) -> None:
    code, _, err = run(capsys, "export", journal, *arguments, "-o", tmp_path / "day")
    assert code == 2
    assert "expected" in err


@pytest.mark.parametrize("verb", ["verify", "salvage", "export", "pull"])
@pytest.mark.parametrize(("content", "code"), [(None, 3), (b"", 1), (b"not a journal " * 100, 1)])
def test_what_is_no_journal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], verb: str, content: bytes | None, code: int
) -> None:
    source = tmp_path / "x.jnl"
    if content is not None:
        source.write_bytes(content)
    more = {"export": ["--to", "gpx", "-o", tmp_path / "y"], "pull": ["-o", tmp_path / "y"]}.get(verb, [])
    assert run(capsys, verb, source, *more)[0] == code
    assert sorted(p.name for p in tmp_path.iterdir()) == (["x.jnl"] if content is not None else [])


def test_spec_check_and_generate(capsys: pytest.CaptureFixture[str]) -> None:
    code, values = run_json(capsys, "spec", "check")
    assert (code, values["schema"]) == (0, "offtake.spec_check/1")
    assert "run_start" in values["messages"]
    code, values = run_json(capsys, "spec", "generate", "--check")
    assert values["schema"] == "offtake.spec_generate/1"
    assert (code, values["stale"]) == (0, [])


def test_a_closed_pipe_is_quiet_but_never_clean(journal: Path) -> None:
    start = "import sys; from offtake.cli import main; sys.exit(main())"
    command = [sys.executable, "-c", start, "verify", str(journal)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        assert process.stderr.read() == b""
        assert process.wait(30) == 3  # it was 0 once, also for a damaged file


def test_an_interrupt_is_130(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], journal: Path
) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("offtake.jobs.verify.open_journal", interrupted)
    code, _, err = run(capsys, "verify", journal)
    assert (code, err) == (130, "offtake: interrupted\n")


@pytest.mark.parametrize("stem", [".", "/", "..", "ed/", "there/", "there/.", "./there//"])
def test_export_refuses_a_stem_without_a_name(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, journal: Path, tmp_path: Path, stem: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there").mkdir()
    before = sorted(tmp_path.rglob("*"))
    code, _, err = run(capsys, "export", journal, "--to", "gpx,raw", "-o", stem)
    assert (code, err.count("\n")) == (2, 1)
    assert "no name for the files" in err
    assert f"expected a folder and the beginning of a name, as {stem.rstrip('/')}/day)" in err
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    ("verb", "name"), [("export", "x"), ("report", "x.html"), ("pull", "x.jnl"), ("compare", "x.html")]
)
def test_a_missing_folder_is_named_before_anything_is_read(
    verb: str,
    name: str,
    journal: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    other = tmp_path / "b.jnl"
    other.write_bytes(journal.read_bytes())
    monkeypatch.chdir(tmp_path)
    more = {"export": ["--to", "csv"], "compare": [other]}.get(verb, [])
    before = sorted(tmp_path.iterdir())
    code, out, err = run(capsys, verb, journal, *more, "-o", f"nofolder/{name}")
    assert (code, out) == (3, "")
    assert err == f"offtake: nofolder/{name}: cannot write: the folder nofolder does not exist\n"
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize("content", [b"my own list", b"about offtake_journal_index", None])
def test_a_foreign_index_is_told_of(
    content: bytes | None, journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It was left alone without a word, and the whole file was read each time."""
    index = tmp_path / "a.jnl.index"
    if content is None:
        index.mkdir()
    else:
        index.write_bytes(content)
    said = "a.jnl.index is not an index of this program; left alone"
    verbs = {
        "verify": ["--run", "1"],
        "export": ["--to", "csv", "-o", tmp_path / "day", "--replace"],
        "report": ["-o", tmp_path / "day.html", "--replace"],
    }
    for verb, more in verbs.items():
        code, values = run_json(capsys, verb, journal, *more)
        assert (code, [note for note in values["notes"] if said in note] != []) == (0, True), verb
        code, out, _ = run(capsys, verb, journal, *more)
        assert (code, said in " ".join(out.split())) == (0, True), verb
        assert max(len(line) for line in out.splitlines() if str(tmp_path) not in line) <= 80
    assert content is None or index.read_bytes() == content
    index.rmdir() if content is None else index.unlink()
    for verb, more in verbs.items():
        assert not any("index" in note for note in run_json(capsys, verb, journal, *more)[1]["notes"]), verb
    assert index.is_file()


@pytest.mark.parametrize("verb", ["report", "salvage", "export"])
def test_replace_never_replaces_what_is_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], verb: str
) -> None:
    """`report day.jnl -o day.jnl --replace` put a page in the journal's place once."""
    name = "day.gpx" if verb == "export" else "day.jnl"
    journal = tmp_path / name
    journal.write_bytes(make_journal(header(20), 20, [3], journal_id=JOURNAL_ID))
    before = journal.read_bytes()
    options = ["--to", "gpx", "-o", str(tmp_path / "day")] if verb == "export" else ["-o", str(journal)]
    assert cli.main([verb, str(journal), *options, "--replace"]) == 2
    assert "is what is read" in capsys.readouterr().err
    assert journal.read_bytes() == before
