"""What a collection sets aside, refuses and survives."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from offtake.cli import main
from offtake.collect.dataset import Dataset, ready_folder
from offtake.collect.manifest import JournalEntry
from offtake.collect.names import RESERVED, is_part_path, logger_name, message_name, part_path
from offtake.errors import DamageError, InputOutputError, UsageError
from offtake.generated.records import BLOCK_SIZE
from offtake.jobs import collect_one
from offtake.jobs.collect import Settings, collect
from season import counts, dataset_files, fill, journal, prints, put

HERE = Settings(workers=1)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "journals"
    made.mkdir()
    return made


# What is set aside


def test_bad_journals_are_set_aside_with_their_reason_and_tried_again_when_they_change(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(folder, "good.jnl", journal(0xB1, "boat", (5,)).data)
    put(folder, "empty.jnl", b"")
    put(folder, "zeros.jnl", bytes(5_000))
    put(folder, "text.jnl", b"dear diary\n" * 100, age_s=5)
    put(folder, "pull.jnl.part", journal(0xB5, "boat", (5,)).data)
    put(folder, "notes.txt", b"nothing of ours")
    (folder / ".hidden").mkdir()
    put(folder / ".hidden", "x.jnl", journal(0xB6, "boat", (5,)).data)
    before = prints(folder)
    assert main(["collect", str(folder), "-o", str(tmp_path / "season"), "--workers", "1", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["schema"] == "offtake.collect/1"
    assert [Path(one["path"]).name for one in told["set_aside"]] == ["empty.jnl", "text.jnl", "zeros.jnl"]
    assert told["set_aside"][0]["text"].startswith("the file is empty")
    assert (told["files"], told["journals"]) == (4, 1)
    listed = json.loads((tmp_path / "season/_offtake/set_aside.json").read_text())
    assert [one["reason"] for one in listed["set_aside"]] == [one["text"] for one in told["set_aside"]]
    assert prints(folder) == before
    put(folder, "text.jnl", journal(0xB2, "boat", (3,)).data)
    (folder / "zeros.jnl").unlink()
    result = collect(folder, tmp_path / "season", HERE)
    assert (counts(result), len(result.set_aside)) == ((1, 1, 0, 0), 1)


def test_a_file_that_changes_while_it_is_read_is_set_aside_and_tried_again(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = put(folder, "one.jnl", journal(0xB1, "boat", (5,)).data)
    whole = collect_one.salvage

    def growing(*args: object) -> object:
        os.utime(path, ns=(2 * 10**18, 2 * 10**18))
        return whole(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(collect_one, "salvage", growing)
    result = collect(folder, tmp_path / "season", HERE)
    assert [told.text for told in result.set_aside] == ["it changed while it was read"]
    assert dataset_files(tmp_path / "season") == {}
    monkeypatch.undo()
    assert collect(folder, tmp_path / "season", HERE).taken == 1


def test_a_fresh_journal_with_nothing_in_it_is_no_trouble(folder: Path, tmp_path: Path) -> None:
    put(folder, "fresh.jnl", journal(0xB1, "boat", ()).data[:BLOCK_SIZE] + b"\xff" * BLOCK_SIZE * 20)
    result = collect(folder, tmp_path / "season", HERE)
    assert (result.taken, result.parts, result.set_aside, result.damaged) == (1, 0, (), ())


# Where it may be


def test_the_dataset_may_lie_in_the_folder_itself(folder: Path) -> None:
    fill(folder, 2)
    assert collect(folder, folder / "season", HERE).files == 2
    assert collect(folder, folder / "season", HERE).files == 2


def test_places_that_will_not_do(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is no folder"):
        collect(tmp_path / "nowhere", tmp_path / "season", HERE)
    other = put(folder, "precious.txt", b"precious")
    with pytest.raises(UsageError, match="is the dataset itself"):
        collect(folder, folder, HERE)
    (folder / "journals").mkdir()
    put(folder / "journals", "one.jnl", journal(0xB1, "boat", (2,)).data)
    with pytest.raises(UsageError, match="has something else in it"):
        collect(folder / "journals", folder, HERE)
    with pytest.raises(UsageError, match="is no folder"):
        collect(folder, other, HERE)
    assert sorted(path.name for path in folder.iterdir()) == ["journals", "precious.txt"]


def test_a_folder_without_journals(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["collect", str(folder), "-o", str(tmp_path / "season")]
    put(folder, "notes.txt", b"nothing of ours")
    assert main(command) == 2
    assert f"no journals in {folder} (files called *.jnl, or that begin as one)" in capsys.readouterr().err
    assert not (tmp_path / "season").exists()
    path = put(folder, "one.jnl", journal(0xB1, "boat", (2,)).data)
    assert main(command) == 0
    before = dataset_files(tmp_path / "season")
    path.unlink()
    capsys.readouterr()
    assert main(command) == 0
    assert "the dataset stays as it is" in capsys.readouterr().out
    assert dataset_files(tmp_path / "season") == before


@pytest.mark.parametrize(
    "line",
    [
        b"no json",
        b'{"line": "source"}',
        b'{"line": "other"}',
        b'{"line": "end", "journal_id": 3}',
        b'{"line": "begin", "ready": "../..", "stale": [], "journal": {}}',
    ],
)
def test_a_manifest_that_is_none_is_left_alone(folder: Path, tmp_path: Path, line: bytes) -> None:
    fill(folder, 1)
    collect(folder, tmp_path / "season", HERE)
    manifest = tmp_path / "season/_offtake/manifest.jsonl"
    spoilt = manifest.read_bytes() + line + b"\n"
    manifest.write_bytes(spoilt)
    with pytest.raises(DamageError, match="no line of a manifest"):
        collect(folder, tmp_path / "season", HERE)
    assert manifest.read_bytes() == spoilt


def test_a_manifest_cannot_reach_out_of_the_dataset(folder: Path, tmp_path: Path) -> None:
    fill(folder, 1)
    collect(folder, tmp_path / "season", HERE)
    outside = put(tmp_path, "outside.parquet", b"precious")
    manifest = tmp_path / "season/_offtake/manifest.jsonl"
    text = manifest.read_text()
    path = next(iter(dataset_files(tmp_path / "season")))
    assert path in text
    manifest.write_text(text.replace(path, "../outside.parquet"))
    with pytest.raises(DamageError, match="no line of a manifest"):
        collect(folder, tmp_path / "season", HERE)
    assert outside.read_bytes() == b"precious"


@pytest.mark.parametrize(
    ("label", "name"),
    [
        ("Kayak 7", "Kayak_7"),
        ("", "journal_000000b1"),
        ("../../etc", "etc"),
        ("2024-05-01", "logger_2024-05-01"),
        ("_hidden", "hidden"),
        ("\u202eevil\x00/\n=", "evil"),
        ("\u00e9t\u00e9", "t"),
        ("x" * 200, "x" * 64),
        ("...", "journal_000000b1"),
        ("epoch", "logger_epoch"),
        ("-Infinity", "logger_Infinity"),
    ],
)
def test_a_label_makes_a_harmless_folder(label: str, name: str) -> None:
    assert logger_name(label, 0xB1) == name
    assert is_part_path(part_path(name, 3, message_name("fixes"), 0xB1))


def test_a_message_of_a_log_never_gets_among_ours() -> None:
    assert [message_name(name) for name in RESERVED] == [f"{name}_message" for name in RESERVED]
    assert message_name("pressure") == "pressure"
    assert not is_part_path("logger=a/run=1/message=x/../part-000000b1.parquet")


# The command


def test_the_command_tells_what_it_did(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fill(folder, 2)
    assert main(["collect", str(folder), "-o", str(tmp_path / "season"), "--workers", "1"]) == 0
    out = capsys.readouterr().out
    assert "taken 2, unchanged 0, moved 0, copies 0, set aside 0" in out
    assert max(len(line) for line in out.splitlines() if str(tmp_path) not in line) <= 80
    assert main(["collect", str(folder), "-o", str(tmp_path / "season"), "--workers", "-1"]) == 2


def test_a_dialect_that_is_not_there_is_an_error_before_anything_is_made(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(InputOutputError):
        collect(folder, tmp_path / "season", Settings(dialects=(tmp_path / "none.toml",), workers=1))
    assert not (tmp_path / "season").exists()


def test_a_mistake_of_the_program_over_one_journal_does_not_stop_the_others(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(folder, "a.jnl", journal(0xB1, "boat", (5,)).data)
    put(folder, "b.jnl", journal(0xB2, "boat", (5,)).data)
    whole = collect_one.salvage

    def failing(source: object, name: str) -> object:
        if name.endswith("a.jnl"):
            raise TypeError("what is this?")
        return whole(source, name)  # type: ignore[arg-type]

    monkeypatch.setattr(collect_one, "salvage", failing)
    result = collect(folder, tmp_path / "season", HERE)
    assert [told.text for told in result.set_aside] == ["this program failed over it: TypeError: what is this?"]
    assert result.taken == 1


def test_a_journal_whose_parts_vanish_before_they_are_in_place_is_not_taken(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when two workers of a cluster were given it."""
    put(folder, "a.jnl", journal(0xB1, "boat", (5,)).data)
    put(folder, "b.jnl", journal(0xB2, "boat", (5,)).data)
    whole = Dataset.take

    def late(self: Dataset, entry: JournalEntry, ready: str) -> bool:
        if entry.journal_id == 0xB1:
            shutil.rmtree(ready_folder(str(self.folder), ready) / entry.parts[0].path.split("/")[0])
        return whole(self, entry, ready)

    monkeypatch.setattr(Dataset, "take", late)
    result = collect(folder, tmp_path / "season", HERE)
    assert [told.text for told in result.set_aside] == ["its parts were gone before they were in place"]
    assert (result.taken, result.journals) == (1, 1)
    monkeypatch.undo()
    assert counts(collect(folder, tmp_path / "season", HERE)) == (1, 1, 0, 0)
