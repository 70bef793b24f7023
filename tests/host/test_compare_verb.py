"""`offtake compare` as a person runs it, on journals and on plain captures of real sentences."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from binary_frames import frame_b562, pvt
from compare_streams import capture, epochs, journal
from harm_worlds import Pair, Plant, make_tracks
from offtake import cli
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.jobs.compare import read_session
from offtake.jobs.runs import Hearing
from offtake.track.fix import Track

NAMES = {"cn0", "used", "hdop", "accuracy", "scatter", "ttff", "checks", "gaps"}


@pytest.fixture(scope="module")
def tracks() -> tuple[Track, Track]:
    return make_tracks(Pair(8, systems=("gps", "galileo"), minutes=8.0, plant=Plant(loss_db=4.0)))


@pytest.fixture(scope="module")
def files(tracks: tuple[Track, Track], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("recordings")
    before, after = tracks
    return {
        "before": journal(folder / "before.jnl", before),
        "after": journal(folder / "after.jnl", after),
        "before_bytes": capture(folder / "before.bin", before),
        "after_bytes": capture(folder / "after.bin", after),
    }


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    code = cli.main(["compare", *map(str, arguments)])
    out, err = capsys.readouterr()
    return code, out, err


def measures(out: str) -> dict[str, dict[str, Any]]:
    values = json.loads(out)
    assert values["schema"] == "offtake.compare/1"
    return {one["key"]: one for one in values["comparison"]["measures"]}


def test_journals_with_a_page_and_pictures(
    files: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "tap.html"
    code, out, err = run(capsys, files["before"], files["after"], "-o", page, "--png", tmp_path / "pictures")
    assert (code, err) == (1, "")
    words = " ".join(out.split())
    assert words.startswith("After the tap the receiver did worse. C/N0 fell by")
    assert "2 pictures" in words
    assert max(len(line) for line in out.splitlines() if str(tmp_path) not in line) <= 80
    html = page.read_text(encoding="utf-8")
    assert html.startswith("<!DOCTYPE html>")
    assert "Did the tap do any harm?" in html
    assert "http" not in html.replace("http-equiv", "")
    assert sorted(path.name for path in (tmp_path / "pictures").iterdir()) == [
        "compare_cn0.png",
        "compare_effects.png",
    ]
    code, _, err = run(capsys, files["before"], files["after"], "-o", page)
    assert (code, "--replace" in err) == (2, True)
    again = tmp_path / "again.html"
    run(capsys, files["before"], files["after"], "-o", again)
    assert again.read_bytes() == page.read_bytes()


def test_bytes_alone_say_what_a_journal_says(files: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    by_journal = measures(run(capsys, files["before"], files["after"], "--json")[1])
    code, out, _ = run(capsys, files["before_bytes"], files["after_bytes"], "--json")
    by_bytes = measures(out)
    assert code == 1
    assert by_journal.keys() == by_bytes.keys() == NAMES
    for key in NAMES - {"ttff", "scatter"}:
        assert by_bytes[key]["outcome"] == by_journal[key]["outcome"], key
        assert by_bytes[key]["difference"] == pytest.approx(by_journal[key]["difference"], abs=0.02), key
    assert by_bytes["ttff"]["outcome"] == "not_comparable"
    assert by_journal["ttff"]["before"] == pytest.approx(30.0, abs=0.5)


def test_what_was_put_into_sentences_comes_out(tracks: tuple[Track, Track], files: dict[str, Path]) -> None:
    session = read_session(files["before_bytes"], None, Hearing())
    track = tracks[0]
    placed = [fix for fix in track.fixes if fix.has_position]
    assert np.nanmean(session.used) == pytest.approx(np.mean([fix.satellites_used for fix in placed]))
    assert np.nanmean(session.hdop) == pytest.approx(np.mean([fix.hdop for fix in placed]), abs=0.01)
    accuracy = np.mean([fix.horizontal_accuracy_m for fix in placed])
    assert np.nanmean(session.accuracy_m) == pytest.approx(accuracy, rel=0.02)
    told = {(one.system, one.satellite_id) for sky in track.skies for one in sky.satellites if one.cn0_db_hz}
    assert {key[:2] for key in session.satellites} == told
    assert session.seconds == pytest.approx(8 * 60 - 1, abs=1)
    assert not session.moving


def test_damage_on_the_line_is_counted(
    tracks: tuple[Track, Track], files: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    random = np.random.default_rng(3)
    data = bytearray(files["before_bytes"].read_bytes())
    places = random.choice(len(data), 60, replace=False)
    for place in places.tolist():
        data[place] ^= 1
    damaged = tmp_path / "damaged.bin"
    damaged.write_bytes(bytes(data))
    decoder = StreamDecoder(chosen_dialects())
    decoder.feed(bytes(data))
    session = read_session(damaged, None, Hearing())
    assert session.checks.amount == decoder.counts.bad_checksum > 40
    # Some fall within ten seconds of each other.
    assert 15 < session.checks.events <= session.checks.amount
    code, out, _ = run(capsys, files["before_bytes"], damaged, "--json")
    assert (code, measures(out)["checks"]["outcome"]) == (1, "worse")


def test_the_longest_run_is_taken_and_others_can_be(
    tracks: tuple[Track, Track], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before, after = tracks
    short = Track(1, before.fixes[:60], skies=before.skies[:60])
    both = journal(tmp_path / "both.jnl", short, before, after, short)
    longer = max((2, 3), key=lambda run: sum(len(data) for _, data in epochs((before, after)[run - 2])))
    code, out, err = run(capsys, both, both, "--run-after", 3)
    assert (code, "same recording" in err) == (2, True)
    code, out, err = run(capsys, both, both, "--run-before", 2, "--run-after", 3)
    assert (code, err) == (1, "")
    assert "run 2, 7 min 59 s" in out
    assert "C/N0 fell by" in " ".join(out.split())
    alone = journal(tmp_path / "alone.jnl", after)
    code, out, _ = run(capsys, both, alone)
    assert f"has 4 runs; run {longer}, with the most bytes, is compared" in " ".join(out.split())
    assert len(read_session(both, None, Hearing()).starts) == 4
    code, _, err = run(capsys, both, alone, "--run-before", 9)
    assert (code, "no run 9" in err) == (2, True)


def test_what_cannot_be_compared_is_refused(
    files: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    noise, empty = tmp_path / "noise.bin", tmp_path / "empty.bin"
    noise.write_bytes(np.random.default_rng(1).bytes(5000))
    empty.write_bytes(b"")
    cases: list[tuple[list[object], int, str]] = [
        ([files["before"], noise], 1, "noise.bin: nothing in it tells a time or a position"),
        ([empty, files["after"]], 1, "empty"),
        ([tmp_path / "missing", files["after"]], 3, "missing"),
        ([files["before"], files["before"]], 2, "same recording"),
        ([files["before_bytes"], files["after_bytes"], "--run-before", 1], 2, "without runs"),
        ([files["before"], files["after"], "--seed", "-1"], 2, "seed"),
        ([files["before"], files["after"], "-o", files["after"], "--replace"], 2, "is one of the recordings"),
        ([files["before"], files["after"], "--dialect", tmp_path / "none.toml"], 3, "none.toml"),
    ]
    for arguments, expected, words in cases:
        code, out, err = run(capsys, *arguments)
        assert (code, out) == (expected, ""), arguments
        assert words in err, arguments
        assert len(err.splitlines()) == 1


def test_no_harm_is_exit_code_0(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # Every fourth epoch of a long recording is recording enough, and quicker to read.
    before, after = (
        Track(1, one.fixes[::4], skies=one.skies[::4]) for one in make_tracks(Pair(11, minutes=30.0))
    )  # fmt: skip
    code, out, _ = run(capsys, capture(tmp_path / "a", before), capture(tmp_path / "b", after))
    assert code == 0
    assert out.startswith("After the tap no harm was seen.")


def test_the_sentences_are_real(tracks: tuple[Track, Track]) -> None:
    decoder = StreamDecoder(chosen_dialects())
    for _, data in epochs(tracks[0]):
        decoder.feed(data)
    decoder.finish()
    assert decoder.counts.decoded > 3000
    assert (decoder.counts.bad_checksum, decoder.counts.invalid, decoder.counts.unknown) == (0, 0, 0)


def test_times_of_a_capture_are_the_receivers_own(tmp_path: Path) -> None:
    start = 86_395
    days = [start + second for second in (0, 1, 2, 9, 10, 11)]
    said = [pvt(hour=day // 3600 % 24, minute=day // 60 % 60, second=day % 60, nano=0) for day in days]
    file = tmp_path / "binary.bin"
    file.write_bytes(b"".join(frame_b562(0x0107, payload) for payload in said))
    session = read_session(file, None, Hearing())
    # Over midnight, and over a silence of which the bytes show nothing.
    assert session.time_s.tolist() == [0, 1, 2, 9, 10, 11]
    assert session.gaps.events == 1
    assert session.gaps.amount == pytest.approx(6.0)
    weeks = [struct.pack("<IiiiiII", 1000 * day, -1_186_000_000, -473_000_000, 9000, 9000, 900, 900) for day in days]
    file.write_bytes(b"".join(frame_b562(0x0102, payload) for payload in weeks))
    assert read_session(file, None, Hearing()).time_s.tolist() == [0, 1, 2, 9, 10, 11]
