"""Every kind of mistake in shared_spec: the message names the file, the key path and what was expected."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from kit_definitions import kit_copy, kit_spec
from offtake.errors import InputOutputError, SpecError
from offtake.jobs.spec import check
from offtake.spec.load import find_spec_folder, load_spec
from spec_mistakes import MISTAKES, NOT_TOML

Edit = Callable[[str, str, str], None]
PLACE = re.compile(r"(?P<file>\S+) line (?P<line>[0-9]+): (?P<path>.*)")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The kit's definitions to spoil."""
    return kit_copy(tmp_path)


@pytest.fixture
def edit(folder: Path) -> Edit:
    def replace_once(file: str, old: str, new: str) -> None:
        path = folder / file
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return replace_once


@pytest.mark.parametrize("name", MISTAKES)
def test_mistake_is_named(name: str, folder: Path, edit: Edit) -> None:
    mistake = MISTAKES[name]
    edit(mistake.file, mistake.old, mistake.new)
    with pytest.raises(SpecError) as caught:
        load_spec(folder)
    told = PLACE.fullmatch(caught.value.where)
    assert told, caught.value.where
    assert told["file"] == mistake.file
    assert told["path"].startswith(mistake.path)
    line = (folder / mistake.file).read_text(encoding="utf-8").splitlines()[int(told["line"]) - 1]
    assert mistake.line in line
    assert mistake.says in str(caught.value)
    assert "expected" in str(caught.value)


@pytest.mark.parametrize("name", NOT_TOML)
def test_what_is_not_toml_is_told_with_its_line(name: str, folder: Path, edit: Edit) -> None:
    file, old, new, piece, says = NOT_TOML[name]
    edit(file, old, new)
    with pytest.raises(SpecError, match=says) as caught:
        load_spec(folder)
    told = re.fullmatch(rf"{re.escape(file)}(?: line ([0-9]+)(?:, column [0-9]+)?)?", caught.value.where)
    assert told, caught.value.where
    if piece:
        assert piece in (folder / file).read_text(encoding="utf-8").splitlines()[int(told[1]) - 1]


@pytest.mark.parametrize(
    ("file", "old", "new", "path", "line"),
    [
        ("nmea0183.toml", 'kind = "latitude"', 'kind = "lattice"', "sentences.GGA.fields[1].kind", "lattice"),
        ("b562.toml", 'sync = "', 'sync = "X', "framing.sync", "sync"),
        ("rtcm3.toml", "[framing]", "[framing]\nsurprise = 1", "framing.surprise", "surprise"),
    ],
)
def test_mistake_in_a_dialect_tells_its_line(
    file: str, old: str, new: str, path: str, line: str, folder: Path, edit: Edit
) -> None:
    edit(f"dialects/{file}", old, new)
    with pytest.raises(SpecError) as caught:
        check(folder.parent)
    told = PLACE.fullmatch(caught.value.where)
    assert told, caught.value.where
    assert told["path"] == path
    assert line in (folder / "dialects" / file).read_text(encoding="utf-8").splitlines()[int(told["line"]) - 1]


def test_no_board_is_an_error(folder: Path) -> None:
    (folder / "boards" / "atmega328p.toml").unlink()
    with pytest.raises(SpecError, match="no board"):
        load_spec(folder)


def test_missing_file_is_named(folder: Path) -> None:
    (folder / "link.toml").unlink()
    with pytest.raises(InputOutputError, match=r"link\.toml"):
        load_spec(folder)


def test_file_that_is_not_text_is_named(folder: Path) -> None:
    (folder / "link.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(InputOutputError, match=r"link\.toml"):
        load_spec(folder)


def test_spec_folder_is_found_from_below_and_missed_elsewhere(
    folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    assert find_spec_folder(folder.parent) == folder
    with pytest.raises(InputOutputError, match="no shared_spec"):
        find_spec_folder(tmp_path_factory.mktemp("nowhere"))


def test_words_do_not_change_the_layout_hash(folder: Path, edit: Edit) -> None:
    before = load_spec(folder).layout_hash
    edit("messages.toml", "Why the run ended.", "The reason for the run's end.")
    edit("boards/atmega328p.toml", "steps = [2, 2]", "steps = [3, 3]")
    edit("messages.toml", "[messages.supply]", "[messages.supply]\n# what says how often")
    assert load_spec(folder).layout_hash == before


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("messages.toml", "desk = { value = 2", "desk = { value = 0"),
        ("messages.toml", "overrun = { value", "over_run = { value"),
        ("messages.toml", "watchdog = { bit = 3", "watchdog = { bit = 4"),
        ("block.toml", "stop = { value = 0", "stop = { value = 2"),
        ("block.toml", "const = 0xD7", "const = 0xD8"),
        ("block.toml", "4f46544b4a4e4c31", "4f46544b4a4e4c32"),
        ("block.toml", "max = 100\n", "max = 99\n"),
        ("messages.toml", "code = 5", "code = 127"),
        ("messages.toml", 'unit = "mV"', 'unit = "V"'),
        ("link.toml", "kind = 0x02", "kind = 0x22"),
        ("messages.toml", 'unit = "mV"', 'unit = "mV", scale = 0.5'),
        ("messages.toml", 'unit = "mV"', 'unit = "mV", fraction_bits = 1'),
        ("messages.toml", 'unit = "mV"', 'unit = "mV", count = 2'),
        ("link.toml", "bad_header = { value = 6", "bad_header = { value = 0"),
    ],
)
def test_what_decides_a_byte_or_its_meaning_changes_the_layout_hash(
    file: str, old: str, new: str, folder: Path, edit: Edit
) -> None:
    before = load_spec(folder).layout_hash
    edit(file, old, new)
    assert load_spec(folder).layout_hash != before


def test_sizes_and_offsets_follow_from_the_fields() -> None:
    spec = kit_spec()
    assert (spec.block.header.fixed_size, spec.block.space, spec.journal_header.fixed_size) == (17, 491, 75)
    run_start = spec.messages[0]
    assert [field.offset for field in run_start.fields[:12]] == [0, 1, 2, 3, 4, 8, 12, 16, 17, 18, 20, 22]
