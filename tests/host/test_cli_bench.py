"""`offtake bench` and the demo with the real firmware: what comes out of a short scenario, twice the same."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from offtake import cli, demo
from offtake.card import fsck, open_journal
from offtake.firmware_build import toolchain_missing
from offtake.journal.salvage import salvage
from offtake.journal.stream import salvaged_chunks

pytestmark = pytest.mark.skipif(bool(toolchain_missing()), reason="there is no AVR toolchain")


def recovered(card: Path) -> bytes:
    with open_journal(card) as opened:
        found = salvage(opened)
        return b"".join(chunk.data for info in found.runs() for chunk in salvaged_chunks(found, info.run))


def short_scenario(repo_root: Path, tmp_path: Path, cut: str) -> Path:
    text = (repo_root / "demo_data" / "kayak_survey.toml").read_text()
    text = text.replace("duration_s = 70", "duration_s = 3").replace("card_mib = 64", "card_mib = 16")
    path = tmp_path / "short.toml"
    path.write_text(text[: text.index("[cut]")] + cut)
    return path


def test_bench_with_a_cut_twice(repo_root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cut = '[cut]\nat_s = 3.7\ndamage = "garbage"\nseed = 9\n'
    scenario = short_scenario(repo_root, tmp_path, cut)
    results = []
    for name in ("one", "two"):
        assert cli.main(["bench", str(scenario), "-o", str(tmp_path / name), "--json"]) == 0
        results.append(json.loads(capsys.readouterr().out))
    first = results[0]
    assert first["schema"] == "offtake.bench/1"
    assert first["passive"] is True
    assert first["overrun_lost"] == 0
    assert first["sent_bytes"] == first["reached"]
    assert 3.7 <= first["power_s"] < 5.7
    assert first["in_flight"] is not None
    bytes_of = [recovered(tmp_path / name / "card.img") for name in ("one", "two")]
    assert bytes_of[0] == bytes_of[1]
    sent = (tmp_path / "one" / "sent.bin").read_bytes()
    assert sent.startswith(bytes_of[0])
    assert len(bytes_of[0]) > 3_000
    assert fsck(tmp_path / "one" / "card.img") == []
    assert cli.main(["bench", str(scenario), "-o", str(tmp_path / "one")]) == 2
    assert "exists already" in capsys.readouterr().err


def test_bench_without_a_cut_logs_every_byte(repo_root: Path, tmp_path: Path) -> None:
    scenario = short_scenario(repo_root, tmp_path, "")
    assert cli.main(["bench", str(scenario), "-o", str(tmp_path / "out")]) == 0
    assert recovered(tmp_path / "out" / "card.img") == (tmp_path / "out" / "sent.bin").read_bytes()


def test_bench_of_a_wrong_scenario_leaves_nothing(
    repo_root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scenario = short_scenario(repo_root, tmp_path, "[cut]\nat_s = 3.7\n")
    assert cli.main(["bench", str(scenario), "-o", str(tmp_path / "out")]) == 1
    assert "cut.damage" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_the_demo_holds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "demo"
    assert demo.main(["-o", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "FAILED" not in out
    assert out.count("holds ") == 5
    names = {path.name for path in folder.iterdir()}
    assert {"kayak.jnl", "kayak.gpx", "kayak.kml", "kayak.geojson", "kayak.csv", "kayak_run1.bin"} <= names
    assert demo.main(["-o", str(folder)]) == 2
    assert "not an empty folder" in capsys.readouterr().err
