"""The dialect loader refuses what it does not understand and says where; generated tables equal the TOML."""

from __future__ import annotations

import re
from functools import reduce
from operator import xor
from pathlib import Path

import pytest
from offtake.codegen.dialects_py import render
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.dialects.tables import Dialect
from offtake.errors import InputOutputError, SpecError, UsageError
from offtake.generated.dialects import DIALECTS, NMEA0183
from offtake.spec.dialect import load_dialect, load_dialects, parse_dialect

DIRECTORY = Path(__file__).resolve().parents[2] / "shared_spec" / "dialects"

SMALL = """
[dialect]
name = "small"
title = "Small"
family = "sentence"
doc = "A dialect for tests."

[framing]
starts = "$"
separator = ","
check = "xor8"
check_mark = "*"
line_end = "\\r\\n"
max_length = 82

[address]
talker_letters = 2
name_letters = 3
proprietary = "P"

[letters.state]
doc = "States."
codes = { A = "on", V = "off" }

[sentences.TMP]
doc = "Water temperature."
fields = [
    { at = 1, name = "h_m", kind = "number", unit = "m", unit_letter = "M", min = 0, max = 100, doc = "Dip" },
    { at = 3, name = "state", kind = "letter", letters = "state", doc = "State." },
    { at = 4, name = "probes", kind = "list", count = 2, min = 0, max = 9, doc = "Probes." },
    { at = 6, name = "note", kind = "text", optional = true, doc = "Note." },
]
"""


def sentence(body: str) -> bytes:
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


def test_generated_tables_equal_the_spec() -> None:
    assert {dialect.name: dialect for dialect in load_dialects(DIRECTORY)} == DIALECTS


def test_render_is_deterministic_and_reads_back() -> None:
    dialects = (*load_dialects(DIRECTORY), parse_dialect(SMALL, "small.toml"))
    text = render(dialects, "one line\nand another")
    assert text == render(dialects, "one line\nand another")
    assert text.startswith("# one line\n# and another\n")
    names: dict[str, object] = {}
    exec(compile(text, "generated", "exec"), names)
    assert names["DIALECTS"] == {dialect.name: dialect for dialect in dialects}


def test_all_sentences_asked_for_are_declared() -> None:
    names = {sentence.name for sentence in NMEA0183.sentences}
    assert names >= {"GGA", "RMC", "GNS", "GLL", "GSA", "GSV", "VTG", "ZDA", "GST", "GBS", "HDT", "DTM"}


def test_a_sentence_added_in_toml_is_decoded() -> None:
    decoder = StreamDecoder([parse_dialect(SMALL, "small.toml")])
    (message,) = decoder.feed(sentence("WWTMP,3.5,M,A,7,,"))
    assert message.state == "decoded"
    assert message.values == {"h_m": 3.5, "state": "on", "probes": (7,), "note": None}


def test_a_proprietary_sentence_can_be_declared() -> None:
    text = SMALL.replace("[sentences.TMP]", "[sentences.PTMP]")
    decoder = StreamDecoder([parse_dialect(text, "small.toml")])
    (message,) = decoder.feed(sentence("PTMP,3.5,M,A,7,,"))
    assert (message.state, message.values["h_m"]) == ("decoded", 3.5)


@pytest.mark.parametrize(
    ("old", "new", "key", "expected"),
    [
        ("[framing]", "[framing]\ncolour = 1", "framing.colour", "one of check"),
        ('name = "small"\n', "", "dialect.name", "a name"),
        ('name = "small"', 'name = "Small"', "dialect.name", "small letters"),
        ('name = "small"', 'name = "small"\nextra = 1', "dialect.extra", "one of doc, family"),
        ('family = "sentence"', 'family = "spoken"', "dialect.family", "'sentence'"),
        ('doc = "A dialect for tests."', 'doc = ""', "dialect.doc", "not empty"),
        ("max_length = 82", "max_length = 4", "framing.max_length", "from 16 to 65535"),
        ("max_length = 82", "max_length = true", "framing.max_length", "whole number"),
        ('check = "xor8"', 'check = "crc"', "framing.check", "'xor8'"),
        ('check_mark = "*"', 'check_mark = ","', "framing.starts", "all different"),
        ('starts = "$"', 'starts = "é"', "framing.starts", "printable ASCII"),
        ('starts = "$"', "starts = 36", "framing.starts", "printable ASCII"),
        ("talker_letters = 2", 'talker_letters = "2"', "address.talker_letters", "whole number"),
        ("[letters.state]", "[letters.State]", "letters.State", "small letters"),
        ('V = "off"', 'VV = "off"', "letters.state.codes.VV", "single ASCII character"),
        ('V = "off"', 'V = "on"', "letters.state.codes", "a name of its own"),
        ('V = "off"', 'V = "Off!"', "letters.state.codes.V", "small letters"),
        ('{ A = "on", V = "off" }', "{}", "letters.state.codes", "at least one"),
        ('{ A = "on", V = "off" }', "1", "letters.state.codes", "a table"),
        ("[sentences.TMP]", "[sentences.tmp]", "sentences.tmp", "capital letters"),
        ("[sentences.TMP]", "[sentences.TEMP]", "sentences.TEMP", "3 capital letters"),
        ("at = 3", "at = 2", "sentences.TMP.fields[1].at", "3 or more"),
        ("at = 6", "at = 5", "sentences.TMP.fields[3].at", "6 or more"),
        ("at = 6", "at = 101", "sentences.TMP.fields[3].at", "from 1 to 100"),
        ("count = 2", "count = 98", "sentences.TMP.fields[2].at", "at most 100"),
        ("count = 2, ", "", "sentences.TMP.fields[2].count", "whole number"),
        ('name = "state"', 'name = "h_m"', "sentences.TMP.fields[1].name", "a name of its own"),
        ('name = "h_m"', 'name = "h"', "sentences.TMP.fields[0].name", "'_m'"),
        ('unit = "m"', 'unit = "fathom"', "sentences.TMP.fields[0].unit", "'deg'"),
        ('kind = "text"', 'kind = "words"', "sentences.TMP.fields[3].kind", "'time_of_day'"),
        ('kind = "text"', 'kind = "text", min = 1', "sentences.TMP.fields[3].min", "one of at, name"),
        ('letters = "state"', 'letters = "modes"', "sentences.TMP.fields[1].letters", "'state'"),
        ("max = 100", "max = -1", "sentences.TMP.fields[0].max", "0 or more"),
        ("max = 100", "max = inf", "sentences.TMP.fields[0].max", "a number"),
        ("min = 0, max = 9", "min = 0, max = 9, base = 8", "sentences.TMP.fields[2].base", "10 or 16"),
        ("optional = true", "optional = 1", "sentences.TMP.fields[3].optional", "true or false"),
        (
            'unit_letter = "M", min = 0, max = 100',
            "optional = true",
            "sentences.TMP.fields[1].optional",
            "true",
        ),
        ("fields = [", "fields = [\n    3,", "sentences.TMP.fields", "a list of tables"),
        (
            'doc = "Water temperature."',
            'doc = "Water."\nunits = 1',
            "sentences.TMP.units",
            "one of doc, fields",
        ),
    ],
)
def test_a_wrong_definition_names_file_key_and_expectation(old: str, new: str, key: str, expected: str) -> None:
    assert old in SMALL
    with pytest.raises(SpecError) as caught:
        parse_dialect(SMALL.replace(old, new, 1), "dialects/small.toml")
    assert re.fullmatch(rf"dialects/small\.toml line [0-9]+: {re.escape(key)}", caught.value.where)
    assert expected in caught.value.expected


SETS = "sentences.GRP.fields[0]"
GROUPS = """
[sentences.GRP]
doc = "Groups."
fields = [
    { at = 1, name = "sets", kind = "groups", count = 2, doc = "Sets.", fields = [
        { at = 1, name = "one", kind = "integer", doc = "One." },
        { at = 2, name = "two", kind = "integer", doc = "Two." },
    ] },
    { at = 5, name = "tail", kind = "integer", optional = true, doc = "Tail." },
]
"""


def test_groups_are_read() -> None:
    dialect = parse_dialect(SMALL + GROUPS, "small.toml")
    assert isinstance(dialect, Dialect)
    assert dialect.sentences[-1].columns_full == 5
    assert dialect.sentences[-1].columns_min == 0


@pytest.mark.parametrize(
    ("old", "new", "key", "expected"),
    [
        (
            '{ at = 5, name = "tail", kind',
            '{ at = 6, name = "tail", kind',
            "sentences.GRP.fields",
            "fewer than 2",
        ),
        ('"one", kind = "integer"', '"one", kind = "groups"', f"{SETS}.fields[0].kind", "plain"),
        ('at = 2, name = "two"', 'at = 1, name = "two"', f"{SETS}.fields[1].at", "2 or more"),
        ('name = "two"', 'name = "one"', f"{SETS}.fields[1].name", "a name of its own"),
    ],
)
def test_wrong_groups_are_refused(old: str, new: str, key: str, expected: str) -> None:
    assert old in GROUPS
    with pytest.raises(SpecError) as caught:
        parse_dialect(SMALL + GROUPS.replace(old, new, 1), "small.toml")
    assert re.fullmatch(rf"small\.toml line [0-9]+: {re.escape(key)}", caught.value.where)
    assert expected in caught.value.expected


def test_a_sentence_declared_twice_is_refused_with_its_line() -> None:
    twice = SMALL + "\n[sentences.TMP]\ndoc = 'Again.'\nfields = []\n"
    with pytest.raises(SpecError, match=r"small\.toml line \d+, column \d+: not TOML: "):
        parse_dialect(twice, "small.toml")


def test_no_sentence_and_no_field_are_refused() -> None:
    head = SMALL[: SMALL.index("[sentences.TMP]")]
    with pytest.raises(SpecError, match=r"small\.toml line [0-9]+: sentences: missing"):
        parse_dialect(head, "small.toml")
    with pytest.raises(SpecError, match=r"sentences\.TMP\.fields: no field"):
        parse_dialect(head + "[sentences.TMP]\ndoc = 'Empty.'\nfields = []\n", "small.toml")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(InputOutputError, match=r"none\.toml"):
        load_dialect(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b"# \xe9\n")
    with pytest.raises(SpecError, match=r"latin\.toml: byte 2 is not UTF-8"):
        load_dialect(tmp_path / "latin.toml")


def test_two_files_with_one_dialect_name_and_an_empty_folder(tmp_path: Path) -> None:
    with pytest.raises(SpecError, match="no dialect"):
        load_dialects(tmp_path)
    (tmp_path / "a.toml").write_text(SMALL)
    (tmp_path / "b.toml").write_text(SMALL)
    with pytest.raises(SpecError, match=r"b\.toml line [0-9]+: dialect\.name: 'small' is taken"):
        load_dialects(tmp_path)
    (tmp_path / "b.toml").unlink()
    dialects = load_dialects(tmp_path)
    assert [dialect.name for dialect in dialects] == ["small"]


def test_unknown_dialect_name() -> None:
    with pytest.raises(UsageError, match="nmea0183"):
        StreamDecoder(chosen_dialects("morse"))
