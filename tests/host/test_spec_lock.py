"""`published.lock`: what a release writes, that only a release writes it, and what readers take from it."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import pytest
from kit_definitions import ROOT, kit_copy
from offtake.errors import InputOutputError, SpecError
from offtake.jobs.spec import check, publish
from offtake.spec.load import load_spec, load_with_sources
from offtake.spec.lock import FILE, mark_optional, read_lock, render_lock
from offtake.spec.lock import publish as released
from spec_worlds import edit, released_copy

FIRST_RELEASE = 0x927529EB
"""Layout hash of the first release (published.lock, release 1)."""
LATER = '    { name = "later", type = "u16", count = 2, unit = "m", scale = 0.5, doc = "New." },\n'
PLACE = '    { name = "place", type = "text", size = 6, doc = "Text." },\n'


def test_the_first_release_stands() -> None:
    lock = read_lock(ROOT)
    assert lock is not None
    assert lock.releases[0].layout_hash == FIRST_RELEASE
    first = {name: record.code for name, record in lock.messages.items() if record.since == 1}
    # As the first release had them; they stay so for ever.
    assert first == {"run_start": 1, "raw": 2, "raw_more": 3, "loss": 4, "supply": 5, "run_end": 6}
    assert (lock.messages["run_start"].first_fields, lock.journal_header.first_fields) == (12, 11)


def test_what_came_after_the_first_release_is_optional() -> None:
    spec = load_spec(ROOT)
    run_start = spec.messages[0]
    assert [field.optional for field in run_start.fields] == [False] * 12 + [True] * (len(run_start.fields) - 12)
    assert (run_start.size_min, spec.journal_header.size_min) == (23, 63)
    assert all(one.size_min == one.fixed_size for one in spec.messages[1:6])
    assert not any(field.optional for packet in spec.link.packets for field in packet.fields)


def test_the_file_is_what_its_content_is_written_as() -> None:
    lock = read_lock(ROOT)
    assert lock is not None
    assert render_lock(lock) == (ROOT / FILE).read_text(encoding="utf-8")


def test_every_kind_of_fact_comes_back(tmp_path: Path) -> None:
    folder = released_copy(tmp_path)
    loaded = load_with_sources(folder)
    again = read_lock(folder)
    assert again is not None
    made = released(loaded.spec, None)
    for part in ("releases", "block_version", "block_header", "journal_header", "messages", "packets", "enums"):
        assert getattr(again, part) == getattr(made, part), part


def test_without_a_lock_nothing_is_optional_and_the_first_release_is_1(tmp_path: Path) -> None:
    folder = kit_copy(tmp_path)
    (folder / FILE).unlink()
    spec = load_spec(folder)
    assert mark_optional(spec, None) is spec
    assert not any(field.optional for record in (*spec.messages, spec.journal_header) for field in record.fields)
    assert check(tmp_path).release is None
    done = publish(tmp_path, write=True)
    assert (done.number, done.is_new, done.written) == (1, True, True)
    assert "message raw, code 2, 1 field" in done.added
    assert check(tmp_path).release == 1


def test_publishing_twice_adds_nothing_and_a_change_makes_the_next_release(tmp_path: Path) -> None:
    folder = released_copy(tmp_path)
    before = (folder / FILE).read_text(encoding="utf-8")
    done = publish(tmp_path, write=True)
    assert (done.number, done.added, done.is_new, done.written) == (1, (), False, False)
    assert (folder / FILE).read_text(encoding="utf-8") == before

    edit(folder, "messages.toml", PLACE, PLACE + LATER)
    edit(folder, "messages.toml", "min = -100, max = 100", "min = -200, max = 100")
    edit(folder, "messages.toml", "first = {", 'third = { bit = 2, doc = "Third." }\nfirst = {')
    asked = publish(tmp_path, write=False)
    assert (asked.number, asked.is_new, asked.written) == (2, True, False)
    assert (folder / FILE).read_text(encoding="utf-8") == before
    done = publish(tmp_path, write=True)
    assert done.added == (
        "message probe: depth may be raw -200 to 100",
        "message probe: later u16",
        "marks.third, bit 2",
    )
    # Nothing that was there has moved: a difference of the two files shows what came.
    lines = (folder / FILE).read_text(encoding="utf-8").splitlines()
    kept = [line for line in before.splitlines() if line in lines]
    assert [
        line for line in before.splitlines() if line not in kept and "check =" not in line and '"depth"' not in line
    ] == []
    assert '    { name = "later", type = "u16", count = 2, unit = "m", scale = 0.5, since = 2 },' in lines

    lock = read_lock(folder)
    assert lock is not None
    assert [one.number for one in lock.releases] == [1, 2]
    assert lock.latest.layout_hash == load_spec(folder).layout_hash
    edit(folder, "messages.toml", "min = -200", "min = -150")
    assert [finding.rule for finding in check(tmp_path).broken] == ["range_narrowed"]
    with pytest.raises(SpecError, match="-200"):
        publish(tmp_path, write=True)


def test_a_file_that_tells_no_roles_is_read(tmp_path: Path) -> None:
    folder = released_copy(tmp_path)
    lock = read_lock(folder)
    assert lock is not None
    assert (lock.messages["supply"].role, lock.messages["probe"].role) == ("logger", "sensor")
    messages = {name: replace(one, role="") for name, one in lock.messages.items()}
    (folder / FILE).write_text(render_lock(replace(lock, messages=messages)), encoding="utf-8")
    assert "role" not in (folder / FILE).read_text(encoding="utf-8")
    assert check(tmp_path).broken == ()


def test_words_are_no_release(tmp_path: Path) -> None:
    folder = released_copy(tmp_path)
    edit(folder, "messages.toml", "Every kind of field.", "All kinds of fields.")
    assert not publish(tmp_path, write=True).is_new


def test_what_is_not_published_yet_is_optional_in_a_released_message_only(tmp_path: Path) -> None:
    folder = released_copy(tmp_path)
    edit(folder, "messages.toml", PLACE, PLACE + LATER)
    edit(
        folder,
        "messages.toml",
        "[messages.note]",
        f'[messages.fresh]\ncode = 70\ndoc = "New."\nfields = [\n{LATER}]\n\n[messages.note]',
    )
    for _ in range(2):
        spec = {record.name: record for record in load_spec(folder).messages}
        assert [field.name for field in spec["probe"].fields if field.optional] == ["later"]
        assert spec["probe"].size_min == spec["probe"].fixed_size - 4
        assert spec["fresh"].size_min == spec["fresh"].fixed_size == 4
        publish(tmp_path, write=True)


def test_a_lock_that_cannot_be_written_is_told_and_the_old_one_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = released_copy(tmp_path)
    edit(folder, "messages.toml", PLACE, PLACE + LATER)
    before = (folder / FILE).read_bytes()

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(InputOutputError, match=r"published\.lock: cannot write: No space left"):
        publish(tmp_path, write=True)
    assert (folder / FILE).read_bytes() == before
    assert sorted(path.name for path in folder.iterdir()) == sorted(path.name for path in ROOT.iterdir())


TAMPERED = {
    "a code": ("code = 64", "code = 63", "by hand, or merged"),
    "a release": ("number = 1", "number = 2", "by hand"),
    "a type": ('"depth", type = "i16"', '"depth", type = "i8"', "by hand"),
    "a field less": ('    { name = "level", type = "u8", since = 1 },\n', "", "by hand"),
    "a comment": ("[messages.probe]", "# mine\n[messages.probe]", "by hand"),
    "merge marks": ("[messages.probe]", "<<<<<<< ours\n[messages.probe]", "by hand"),
    "its check": ('check = "', 'check = "0', "no line with its check"),
    "its check's line": ("check =", "checked =", "no line with its check"),
}


@pytest.mark.parametrize("name", TAMPERED)
def test_a_lock_changed_by_hand_is_refused(name: str, tmp_path: Path) -> None:
    old, new, says = TAMPERED[name]
    folder = released_copy(tmp_path)
    text = (folder / FILE).read_text(encoding="utf-8")
    assert old in text
    (folder / FILE).write_text(text.replace(old, new, 1), encoding="utf-8")
    for call in (lambda: load_spec(folder), lambda: check(tmp_path), lambda: publish(tmp_path, write=True)):
        with pytest.raises(SpecError, match=says) as caught:
            call()
        assert caught.value.where.startswith("published.lock line ")
        assert "version control" in caught.value.expected


def test_a_lock_that_ends_early_or_is_no_text_is_refused(tmp_path: Path) -> None:
    folder = released_copy(tmp_path)
    data = (folder / FILE).read_bytes()
    for size in (0, 10, 400, len(data) - 1):
        (folder / FILE).write_bytes(data[:size])
        with pytest.raises(SpecError, match=r"published\.lock line"):
            load_spec(folder)
    (folder / FILE).write_bytes(b"\xff" + data)
    with pytest.raises(InputOutputError, match=r"published\.lock"):
        load_spec(folder)


FORGED = {
    "a release of the future": ("code = 65\nsince = 1", "code = 65\nsince = 9"),
    "an unknown type": ('"depth", type = "i16"', '"depth", type = "i24"'),
    "releases that do not count from 1": ("number = 1", "number = 3"),
    "no release": ('    { number = 1, layout = "', '    # { number = 1, layout = "'),
    "a layout that is none": ('layout = "', 'layout = "x'),
    "a constant that is none": ('const = "4f', 'const = "zz'),
    "a constant of another kind": ('const = "4f46544b4a4e4c31"', "const = []"),
    "an unknown key": ('{ name = "depth",', '{ nome = "depth",'),
    "one key more": ('{ name = "depth",', '{ name = "depth", colour = 1,'),
    "a record without its release": ("code = 64\nsince = 1", "code = 64"),
    "a number as text": ("code = 64", 'code = "64"'),
    "no messages": ("[messages.", "[massages."),
    "no TOML": ("[messages.probe]", "[messages.probe"),
}


@pytest.mark.parametrize("name", FORGED)
def test_a_forged_lock_is_refused_with_its_line(name: str, tmp_path: Path) -> None:
    """With a check that fits: whoever works that out by hand gets an error all the same."""
    old, new = FORGED[name]
    folder = released_copy(tmp_path)
    text = (folder / FILE).read_text(encoding="utf-8")
    head, _, content = text.partition('check = "')
    content = content.split("\n\n", 1)[1]
    assert old in content
    content = content.replace(old, new)
    digest = hashlib.sha256(content.encode()).hexdigest()[:16]
    (folder / FILE).write_text(f'{head}check = "{digest}"\n\n{content}', encoding="utf-8")
    with pytest.raises(SpecError, match=r"published\.lock line [0-9]+"):
        load_spec(folder)
