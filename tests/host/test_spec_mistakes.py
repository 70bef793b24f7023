"""Every kind of mistake in shared_spec: the message names the file, the key path and what was expected."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from offtake.errors import InputOutputError, SpecError
from offtake.spec.load import find_spec_folder, load_spec

ROOT = Path(__file__).resolve().parents[2] / "shared_spec"
Edit = Callable[[str, str, str], None]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of shared_spec to spoil."""
    return Path(shutil.copytree(ROOT, tmp_path / "shared_spec"))


@pytest.fixture
def edit(folder: Path) -> Edit:
    def replace_once(file: str, old: str, new: str) -> None:
        path = folder / file
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return replace_once


# file, text, what stands there instead, where the message says it is, what the message says
SUPPLY = '{ name = "supply_mv", type = "u16", unit = "mV", doc = "Supply voltage." }'
MISTAKES = {
    "unknown key in a field": (
        "messages.toml",
        SUPPLY,
        SUPPLY.replace("}", ", colour = 1 }"),
        "messages.toml: messages.supply.fields[0] (supply_mv).colour",
        "unknown key",
    ),
    "unknown key in a message": (
        "messages.toml",
        "code = 5",
        "code = 5\nkind = 5",
        "messages.toml: messages.supply.kind",
        "unknown key",
    ),
    "unknown table": ("messages.toml", "[enums.loss_cause]", "[enumz.loss_cause]", "messages.toml: ", "loss_cause"),
    "unknown key of the block": (
        "block.toml",
        "size = 512",
        "size = 512\nsice = 1",
        "block.toml: block.sice",
        "unknown",
    ),
    "unknown key of the frame": (
        "block.toml",
        'head = "u16"',
        'head = "u16"\nfoot = 1',
        "block.toml: frame.foot",
        "unknown",
    ),
    "duplicate message code": (
        "messages.toml",
        "code = 5",
        "code = 4",
        "messages.toml: messages.supply.code",
        "code 4 is taken by loss",
    ),
    "code 0": ("messages.toml", "code = 5", "code = 0", "messages.toml: messages.supply.code", "1 to 127"),
    "code above the head's bits": (
        "messages.toml",
        "code = 5",
        "code = 128",
        "messages.toml: messages.supply.code",
        "127",
    ),
    "code as text": ("messages.toml", "code = 5", 'code = "5"', "messages.toml: messages.supply.code", "whole number"),
    "code as a truth": (
        "messages.toml",
        "code = 5",
        "code = true",
        "messages.toml: messages.supply.code",
        "whole number",
    ),
    "duplicate packet kind": (
        "link.toml",
        "kind = 0x02",
        "kind = 0x01",
        "link.toml: packets.describe.kind",
        "kind 1 is taken by greet",
    ),
    "two fields of one name": (
        "messages.toml",
        'name = "firmware_minor"',
        'name = "firmware_major"',
        "messages.toml: messages.run_start.fields[1] (firmware_major)",
        "overlap",
    ),
    "parts over the word's end": (
        "block.toml",
        "bits = 9",
        "bits = 10",
        "block.toml: block.header[1] (form)",
        "overlap",
    ),
    "parts that leave bits": ("block.toml", "bits = 9", "bits = 8", "block.toml: block.header[1] (form)", "16 bits"),
    "an offset of one's own": (
        "messages.toml",
        SUPPLY,
        SUPPLY.replace("}", ', offset = "1" }'),
        "messages.toml: messages.supply.fields[0] (supply_mv)",
        "offsets follow",
    ),
    "overlong message": (
        "messages.toml",
        SUPPLY,
        '{ name = "much", type = "bytes", size = 483, doc = "Much." }',
        "messages.toml: messages.supply",
        "485 bytes are too many",
    ),
    "overlong field": (
        "messages.toml",
        SUPPLY,
        '{ name = "much", type = "bytes", size = 512, doc = "Much." }',
        "messages.toml: messages.supply.fields[0] (much)",
        "1 to 511",
    ),
    "overlong journal header": (
        "block.toml",
        "size = 32",
        "size = 500",
        "block.toml: journal_header",
        "at most 508 bytes",
    ),
    "unknown type": ("messages.toml", '"u16", unit', '"u24", unit', "fields[9] (close_ms).type", "u8, u16, u32"),
    "bad enum reference": (
        "messages.toml",
        'enum = "loss_cause"',
        'enum = "loss_reason"',
        "messages.toml: messages.loss.fields[0] (cause)",
        "loss_cause",
    ),
    "flag set taken for an enum": (
        "messages.toml",
        'flags = "reset_cause"',
        'enum = "reset_cause"',
        "messages.toml: messages.run_start.fields[11] (reset_cause)",
        "no enum 'reset_cause'",
    ),
    "enum taken for a flag set": (
        "messages.toml",
        'enum = "end_reason"',
        'flags = "end_reason"',
        "messages.toml: messages.run_end.fields[0] (reason)",
        "no flag set 'end_reason'",
    ),
    "variable field not last": (
        "link.toml",
        'type = "u32", unit = "byte", doc = "Its place in the file."',
        'type = "bytes", doc = "Its place in the file."',
        "link.toml: packets.data.fields[0] (offset)",
        "must stand last",
    ),
    "duplicate enum value": (
        "messages.toml",
        "overrun = { value = 2",
        "overrun = { value = 1",
        "messages.toml: enums.loss_cause.overrun",
        "value 1 is taken by ring_full",
    ),
    "duplicate flag bit": (
        "messages.toml",
        "external = { bit = 1",
        "external = { bit = 0",
        "messages.toml: flag_sets.reset_cause.external",
        "bit 0 is taken by power_on",
    ),
    "enum defined twice": (
        "messages.toml",
        "[enums.end_reason]",
        "[enums.when_full]",
        "messages.toml: enums.when_full",
        "exists already",
    ),
    "empty enum": (
        "block.toml",
        '[enums.when_full]\ndoc = "What to do when the journal is full."\n',
        '[enums.empty]\ndoc = "Nothing."\n\n[enums.when_full]\ndoc = "What to do when the journal is full."\n',
        "block.toml: enums.empty",
        "at least one choice",
    ),
    "min that does not fit the type": ("block.toml", "max = 100\n", "max = 256\n", "(gap_bytes)", "0 to 255"),
    "min above max": (
        "block.toml",
        "max = 100\n",
        "max = 1\n",
        "block.toml: journal_header.fields[6] (gap_bytes)",
        "min <= max",
    ),
    "limits of bytes": (
        "messages.toml",
        '{ name = "data", type = "bytes", doc',
        '{ name = "data", type = "bytes", min = 1, doc',
        "messages.toml: messages.raw.fields[0] (data)",
        "a number type",
    ),
    "const of another size": ("block.toml", "4f46544b4a4e4c31", "4f46", "(magic)", "8 bytes"),
    "const that is no hex": ("block.toml", "4f46544b4a4e4c31", "OFTKJNL1", "(magic)", "hex digits"),
    "const that does not fit": ("block.toml", "const = 0xD7", "const = 0x1D7", "block.header[0] (magic)", "0 to 255"),
    "missing documentation": (
        "messages.toml",
        ', doc = "Supply voltage." }',
        " }",
        "messages.toml: messages.supply.fields[0] (supply_mv).doc",
        "missing",
    ),
    "missing fields": ("link.toml", "fields = []", "", "link.toml: packets.describe.fields", "missing"),
    "missing header field": (
        "block.toml",
        'name = "run_number"',
        'name = "session"',
        "block.toml: block.header",
        "run_number",
    ),
    "name with a capital": (
        "messages.toml",
        "[messages.supply]",
        "[messages.Supply]",
        "messages.Supply",
        "small letters",
    ),
    "another check": ("block.toml", 'check = "crc32"', 'check = "crc16"', "block.toml: block.check", "crc32"),
    "odd light pattern": ("boards/atmega328p.toml", "steps = [2, 2]", "steps = [2]", "board.lights.searching", "pairs"),
    "light step of no time": (
        "boards/atmega328p.toml",
        "steps = [2, 2]",
        "steps = [2, 0]",
        "searching.steps",
        "1 to 255",
    ),
    "duplicate board code": (
        "boards/atmega328p.toml",
        "code = 2",
        "code = 1",
        "board.variants",
        "taken by atmega328p_16mhz",
    ),
    "board without RAM": (
        "boards/atmega328p.toml",
        "ram_bytes = 2048\n",
        "",
        "boards/atmega328p.toml: board.ram_bytes",
        "missing",
    ),
    "not TOML": ("link.toml", "[link]", "[link", "link.toml", "not TOML"),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_mistake_is_named(name: str, folder: Path, edit: Edit) -> None:
    file, old, new, where, says = MISTAKES[name]
    edit(file, old, new)
    with pytest.raises(SpecError) as caught:
        load_spec(folder)
    assert where in caught.value.where
    assert file in caught.value.where
    assert says in str(caught.value)
    assert "expected" in str(caught.value)


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
    assert load_spec(folder).layout_hash == before


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("messages.toml", "overrun = { value = 2", "overrun = { value = 9"),
        ("messages.toml", "overrun = { value", "over_run = { value"),
        ("messages.toml", "watchdog = { bit = 3", "watchdog = { bit = 4"),
        ("block.toml", "wrap = { value = 1", "wrap = { value = 2"),
        ("block.toml", "const = 0xD7", "const = 0xD8"),
        ("block.toml", "4f46544b4a4e4c31", "4f46544b4a4e4c32"),
        ("block.toml", "max = 100\n", "max = 99\n"),
        ("messages.toml", "code = 5", "code = 9"),
        ("messages.toml", 'unit = "mV"', 'unit = "V"'),
        ("link.toml", "kind = 0x02", "kind = 0x22"),
        ("link.toml", "past_end = { value = 5", "past_end = { value = 7"),
    ],
)
def test_what_decides_a_byte_or_its_meaning_changes_the_layout_hash(
    file: str, old: str, new: str, folder: Path, edit: Edit
) -> None:
    before = load_spec(folder).layout_hash
    edit(file, old, new)
    assert load_spec(folder).layout_hash != before


def test_sizes_and_offsets_follow_from_the_fields() -> None:
    spec = load_spec(ROOT)
    assert (spec.block.header.fixed_size, spec.block.space, spec.journal_header.fixed_size) == (17, 491, 63)
    run_start = spec.messages[0]
    assert [field.offset for field in run_start.fields] == [0, 1, 2, 3, 4, 8, 12, 16, 17, 18, 20, 22]
