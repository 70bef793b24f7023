"""The command line on damaged files: a verdict and an exit code for each, and never a traceback."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest
from damage_checks import is_made_of
from damage_journals import NAMES, Recorded, older_journal, recorded
from offtake import cli
from offtake.generated.records import BLOCK_SIZE, Raw, RawMore
from offtake.journal.codec import seal

ALL = pytest.mark.parametrize("name", NAMES)


def damages(journal: Recorded) -> dict[str, bytes]:
    data = journal.data
    rng = random.Random(8)
    middle = 4 * BLOCK_SIZE + 40
    other = older_journal(journal.blocks).whole()
    swapped = data[: 2 * BLOCK_SIZE] + journal.block(5) + data[3 * BLOCK_SIZE : 5 * BLOCK_SIZE] + journal.block(2)
    return {
        "a bit": data[:middle] + bytes([data[middle] ^ 4]) + data[middle + 1 :],
        "a burst": data[:middle] + rng.randbytes(600) + data[middle + 600 :],
        "cut": data[: 6 * BLOCK_SIZE + 77],
        "no header": bytes(BLOCK_SIZE) + data[BLOCK_SIZE:],
        "swapped": swapped + data[6 * BLOCK_SIZE :],
        "mixed": data[: 3 * BLOCK_SIZE] + other[3 * BLOCK_SIZE : 5 * BLOCK_SIZE] + data[5 * BLOCK_SIZE :],
        "twice": data + data,
        "front gone": data[3 * BLOCK_SIZE :],
        "out of step": data[100:],
        "random": data[:BLOCK_SIZE] + rng.randbytes(20 * BLOCK_SIZE),
    }


NOTHING = {"empty": b"", "one byte": b"O", "zeros": bytes(9_000), "ones": b"\xff" * 9_000,
           "random bytes": random.Random(1).randbytes(9_000)}  # fmt: skip
# No byte of the file is damaged, blocks are moved or missing: that is verify's to tell, not salvage's.
NO_BYTE_DAMAGED = ("swapped", "mixed", "front gone")


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, dict[str, Any]]:
    code = cli.main([*map(str, arguments), "--json"])
    told = capsys.readouterr()
    assert "Traceback" not in told.err
    return code, json.loads(told.out) if told.out else {}


@ALL
@pytest.mark.parametrize("damage", damages(recorded("made straight")))
def test_every_verb_on_a_damaged_journal(
    name: str, damage: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    journal = recorded(name)
    path = tmp_path / "hurt.jnl"
    path.write_bytes(damages(journal)[damage])
    code, report = run(capsys, "verify", path)
    assert (code, report["clean"]) == (1, False)

    code, found = run(capsys, "salvage", path, "--frames", "-o", tmp_path / "all.bin")
    account = found["account"]
    assert account["recovered"] + account["skipped_bytes"] == account["size"] == path.stat().st_size
    assert len(found["frames"]) == account["frames"]
    assert code == (0 if damage in NO_BYTE_DAMAGED else 1)
    pieces = [one.payload for one in journal.put if one.code in (Raw.CODE, RawMore.CODE)]
    assert is_made_of((tmp_path / "all.bin").read_bytes(), pieces)

    code, done = run(capsys, "export", path, "--to", "raw,csv,gpx", "-o", tmp_path / "track")
    assert code == (0 if damage in NO_BYTE_DAMAGED else 1)
    assert done or damage in ("out of step", "random")
    for run_number in {one.run for one in journal.put}:
        raw = tmp_path / f"track_run{run_number}.bin"
        here = [one.payload for one in journal.put if one.run == run_number and one.code in (Raw.CODE, RawMore.CODE)]
        assert not raw.exists() or is_made_of(raw.read_bytes(), here)
    # Whatever was read, the journal's own file is as it was.
    assert path.read_bytes() == damages(journal)[damage]


@pytest.mark.parametrize("content", NOTHING)
@pytest.mark.parametrize("verb", ["verify", "salvage", "export"])
def test_every_verb_on_what_is_no_journal(
    verb: str, content: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "senseless.jnl"
    path.write_bytes(NOTHING[content])
    more = ["--to", "csv", "-o", str(tmp_path / "out")] if verb == "export" else []
    assert cli.main([verb, str(path), *more]) == 1
    told = capsys.readouterr()
    assert "Traceback" not in told.err
    if told.err:
        # What is refused is refused with the file, the place and what was expected.
        assert str(path) in told.err.replace("\n  ", " ").replace("\n", " ") or path.name in told.err
        assert "expected" in told.err


def test_a_label_of_control_characters_is_not_sent_to_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content = bytearray(recorded("made straight").block(0)[:-4])
    content[31:63] = b"\x1b[2Jhello\r\n\x07".ljust(32, b"\0")
    path = tmp_path / "label.jnl"
    path.write_bytes(seal(bytes(content)) + recorded("made straight").data[BLOCK_SIZE:])
    assert cli.main(["verify", str(path)]) == 0
    told = capsys.readouterr().out
    assert "hello" in told
    assert not any(ord(char) < 32 and char != "\n" for char in told)
