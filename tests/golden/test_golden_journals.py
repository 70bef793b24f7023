"""Journals of every release, made by that release's firmware, say for ever what they said when they were made."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from golden_by_hand import read_frames, read_header
from golden_decode import decode, dumps, plain
from kit_definitions import kit_lock
from make_golden import make
from offtake.errors import UsageError
from offtake.generated.records import MESSAGES, Description, Status
from offtake.journal.description import DescribedMessage, parse_description
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from offtake.spec.lock import read_lock
from offtake.spec.lock_model import Lock, Release

HERE = Path(__file__).resolve().parent
JOURNALS = sorted(HERE.glob("release_*/*.jnl"))
IDS = [f"{path.parent.name}/{path.name}" for path in JOURNALS]

each_journal = pytest.mark.parametrize("path", JOURNALS, ids=IDS)


def golden(path: Path) -> dict[str, Any]:
    """What the journal's file of values says."""
    content: dict[str, Any] = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    return content


@pytest.fixture(scope="module")
def lock(repo_root: Path) -> Lock:
    """What the kit has released; releases that only add messages from code 64 on are somebody's own."""
    found = read_lock(repo_root / "shared_spec")
    assert found is not None
    return kit_lock(found)


def test_every_release_of_the_kit_has_golden_journals_with_all_its_messages(lock: Lock) -> None:
    for release in lock.releases:
        kept = [golden(path) for path in JOURNALS if path.parent.name == f"release_{release.number}"]
        assert kept, f"release {release.number} has no golden journal: tests/golden/make_golden.py makes it"
        assert {one["spec_hash"] for one in kept} == {f"{release.layout_hash:08x}"}
        written = {name for one in kept for name in one["frames_by_message"]}
        assert written == {name for name, record in lock.messages.items() if record.since <= release.number}
    assert {path.parent.name for path in JOURNALS} == {f"release_{one.number}" for one in lock.releases}


def test_a_golden_journal_tells_of_its_own_release_only(lock: Lock) -> None:
    for path in JOURNALS:
        content = golden(path)
        number = content["release"]
        settings = [one for one in lock.journal_header.fields if one.field.const is None]
        assert set(content["header"]) == {one.field.name for one in settings if one.since <= number}
        for frame in content["frames"]:
            fields = lock.messages[frame["name"]].fields
            assert set(frame["values"]) == {one.field.name for one in fields if one.since <= number}, frame


@each_journal
def test_a_golden_journal_is_the_one_that_was_made(path: Path) -> None:
    content = golden(path)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == content["sha256"]
    assert path.with_suffix(".json").read_text(encoding="utf-8") == dumps(content)
    assert (content["journal"], f"release_{content['release']}") == (path.name, path.parent.name)


@each_journal
def test_a_golden_journal_decodes_to_what_it_said(path: Path) -> None:
    then, now = golden(path), decode(path.read_bytes(), path.name)
    # Settings and sums that came later are zero in an older journal.
    header, runs = now.pop("header"), now.pop("runs")
    assert header == with_zeros(header, then["header"])
    assert runs == [with_zeros(one, older) for one, older in zip(runs, then["runs"], strict=True)]
    for key, value in now.items():
        assert value == then[key], key


def with_zeros(now: dict[str, Any], then: dict[str, Any]) -> dict[str, Any]:
    """``then``, and of what only ``now`` has the zero of its kind."""
    return {name: then[name] if name in then else type(value)() for name, value in now.items()} | then


@each_journal
def test_every_byte_of_a_golden_journal_is_accounted_for(path: Path) -> None:
    account = golden(path)["account"]
    assert account["size"] == path.stat().st_size
    assert account["frame_bytes"] + account["structure_bytes"] + sum(account["skipped"].values()) == account["size"]


@each_journal
def test_the_values_are_what_a_reader_by_hand_finds(path: Path) -> None:
    content, data = golden(path), path.read_bytes()
    header = read_header(data[:512])
    assert {name: header[name] for name in content["header"]} == content["header"]
    assert not any(value for name, value in header.items() if name not in content["header"])
    intact = [dict(frame) for frame in content["frames"] if frame.pop("intact")]
    assert read_frames(data) == intact


@each_journal
def test_what_a_run_says_of_its_sensors_frames_gives_the_same_values(path: Path) -> None:
    content = golden(path)
    frames = list(salvage(BytesSource(path.read_bytes()), path.name).frames())
    described: dict[tuple[int | None, int], DescribedMessage] = {}
    for frame in frames:
        if frame.code == Description.CODE:
            message = parse_description(frame.payload)
            assert message is not None
            described[frame.likely_run, message.code] = message
    # Runs of release 1 described nothing, and had no sensors.
    for frame, then in zip(frames, content["frames"], strict=True):
        if MESSAGES[frame.code].ROLE == "sensor":
            message = described[frame.likely_run, frame.code]
            status, values = message.decode(frame.payload)
            assert (status, message.name) == (Status.OK, then["name"])
            assert {name: plain(value) for name, value in values.items()} == then["values"]


def test_what_was_released_is_never_made_anew(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="stays as it is"):
        make(Release(1, 0x927529EB), HERE / "release_1", tmp_path / "none.elf")
