"""For each rule of evolution: edits that break it, where that is told, and edits that follow it."""

from __future__ import annotations

from typing import NamedTuple

MESSAGES, BLOCK, LINK, LOCK = "messages.toml", "block.toml", "link.toml", "published.lock"
BOARD = "boards/atmega328p.toml"
Edit = tuple[str, str, str]
"""File, text, what stands there afterwards."""


class Case(NamedTuple):
    """``broken`` are the edits; the rule is told of ``file``, on a line with ``line``; ``followed`` keep it."""

    broken: tuple[Edit, ...]
    file: str
    line: str
    followed: tuple[Edit, ...]


DEPTH = '{ name = "depth", type = "i16", unit = "cm", min = -100, max = 100, doc = "A number with limits." }'
PLACE = '    { name = "place", type = "text", size = 6, doc = "Text." },\n'
WORDS = '{ name = "words", type = "text", doc = "What happened." }'
CALM, WILD = 'calm = { value = 0, doc = "Calm." }\n', 'wild = { value = 1, doc = "Wild." }\n'
LATER = '{ name = "later", type = "u8", doc = "New." }'
DONE = '{ name = "offset", type = "u32", unit = "byte", doc = "First byte that was not sent." }'
MOOD_OF = '"u8", enum = "mood"'
APPENDED = (MESSAGES, PLACE, f"{PLACE}    {LATER},\n")


def _message(name: str) -> str:
    return f'[messages.{name}]\ncode = 66\ndoc = "New."\nfields = [{LATER}]\n\n'


def _packet(name: str) -> str:
    return f'[packets.{name}]\nkind = 0x09\ndoc = "New."\nfields = [{LATER}]\n\n'


def _before(file: str, table: str, text: str) -> Edit:
    return file, table, text + table


def _header(limit: str) -> Edit:
    field = f'[[journal_header.fields]]\nname = "later"\ntype = "u8"\n{limit}\ndoc = "New."\n\n'
    return _before(BLOCK, "[enums.when_full]", field)


def _probe(old: str, new: str, line: str, followed: Edit = APPENDED) -> Case:
    """One edit in messages.toml."""
    return Case(((MESSAGES, old, new),), MESSAGES, line, (followed,))


def _words(old: str, new: str) -> Edit:
    return MESSAGES, old, new


CASES = {
    "code_reused": Case(
        (_words("[messages.probe]\ncode = 64", "[messages.other]\ncode = 64"), _words('"depth"', '"level"')),
        MESSAGES,
        "code = 64",
        (_before(MESSAGES, "[messages.note]", _message("other")),),
    ),
    "record_renamed": _probe(
        "[messages.probe]", "[messages.soil]", "[messages.soil]", _words("Every kind of field", "Soil")
    ),
    "record_removed": Case(
        ((LINK, "[packets.leave]\nkind = 0x08", "[packets.depart]\nkind = 0x09"),),
        LOCK,
        "[packets.leave]",
        (_before(LINK, "[packets.leave]", _packet("depart")),),
    ),
    "code_changed": _probe("code = 65", "code = 66", "code = 66", _words("any length", "whatever length")),
    "role_changed": _probe("code = 64\n", 'code = 64\nrole = "logger"\n', "role ="),
    "grown_past_tail": _probe(
        WORDS, f"{LATER},\n{WORDS}", "later", _before(MESSAGES, "[enums.mood]", _message("note_with_more"))
    ),
    "packet_grown": Case(
        ((LINK, f"fields = [{DONE}]", f"fields = [{DONE},\n{LATER}]"),),
        LINK,
        "later",
        (_before(LINK, "[packets.leave]", _packet("done_with_more")),),
    ),
    "block_changed": Case(
        (_before(BLOCK, "[frame]", '[[block.header]]\nname = "later"\ntype = "u8"\ndoc = "New."\n\n'),),
        BLOCK,
        "[[block.header]]",
        (APPENDED,),
    ),
    "field_removed": Case((_words(PLACE, ""),), LOCK, '"place"', (_words('"Text."', '"No more written."'),)),
    "field_renamed": _probe('"place"', '"spot"', '"spot"', _words('"Text."', '"The spot."')),
    "field_reordered": Case(
        (_words(PLACE, ""), _words(DEPTH, f"{PLACE.strip()}\n{DEPTH}")), MESSAGES, '"place"', (APPENDED,)
    ),
    "field_inserted": _probe(DEPTH, f"{LATER},\n{DEPTH}", '"later"'),
    "field_retyped": _probe('"depth", type = "i16"', '"depth", type = "i32"', '"depth"'),
    "unit_changed": _probe('unit = "cm"', 'unit = "mm"', '"depth"'),
    "choices_swapped": _probe(
        MOOD_OF, '"u8", enum = "when_full"', '"mood"', _words(WILD, f'{WILD}odd = {{ value = 2, doc = "Odd." }}\n')
    ),
    "const_changed": Case(
        ((BLOCK, "4f46544b4a4e4c31", "4f46544b4a4e4c32"),), BLOCK, "[[journal_header.fields]]", (APPENDED,)
    ),
    "parts_changed": Case(
        ((BLOCK, "bits = 9, doc", "bits = 10, doc"), (BLOCK, "bits = 7, doc", "bits = 6, doc")),
        BLOCK,
        "[[block.header]]",
        (APPENDED,),
    ),
    "range_narrowed": _probe(
        "min = -100, max = 100", "min = -100, max = 99", '"depth"', _words("min = -100, max = 100", "min = -200")
    ),
    "zero_refused": Case((_header("min = 1"),), BLOCK, "[[journal_header.fields]]", (_header("max = 9"),)),
    "enum_removed": Case(
        (_words("[enums.mood]", "[enums.humour]"), _words(MOOD_OF, '"u8", enum = "humour"')),
        LOCK,
        "[enums.mood]",
        (_before(MESSAGES, "[enums.mood]", f'[enums.humour]\ndoc = "New."\n{CALM}\n'),),
    ),
    "enum_kind_changed": Case(
        (
            _words("[enums.mood]", "[flag_sets.mood]"),
            _words(CALM + WILD, (CALM + WILD).replace("value", "bit")),
            _words(MOOD_OF, '"u8", flags = "mood"'),
        ),
        MESSAGES,
        "[flag_sets.mood]",
        (APPENDED,),
    ),
    "choice_removed": Case((_words(WILD, ""),), LOCK, '"wild"', (_words('"Wild."', '"No more."'),)),
    "choice_renamed": _probe("wild =", "mad =", "mad =", _words('"Wild."', '"Mad."')),
    "choice_value_changed": _probe(
        CALM + WILD,
        'odd = { value = 0, doc = "Odd." }\n' + (CALM + WILD).replace("value = 1", "value = 2").replace("= 0", "= 1"),
        "calm",
        _words(CALM, f'odd = {{ value = 2, doc = "Odd." }}\n{CALM}'),
    ),
}

# More edits that each break one rule.
MORE = (
    ("role_changed", MESSAGES, 'code = 5\nrole = "logger"', "code = 5"),
    ("unit_changed", MESSAGES, "scale = 0.01, max = 100", "scale = 0.1, max = 100"),
    ("unit_changed", MESSAGES, "fraction_bits = 8", "fraction_bits = 7"),
    ("field_retyped", MESSAGES, "count = 3", "count = 4"),
    ("field_retyped", MESSAGES, '"bytes", size = 4', '"bytes", size = 5'),
    ("field_retyped", MESSAGES, '"text", size = 6', '"bytes", size = 6'),
    ("field_retyped", MESSAGES, WORDS, WORDS.replace('"text"', '"text", size = 9')),
    ("choices_swapped", MESSAGES, ', enum = "mood"', ""),
    ("choices_swapped", MESSAGES, ', flags = "marks"', ', flags = "reset_cause"'),
    ("range_narrowed", MESSAGES, "min = -100", "min = -99"),
    ("range_narrowed", MESSAGES, "scale = 0.01, max = 100", "scale = 0.01, max = 99.99"),
    ("range_narrowed", MESSAGES, "fraction_bits = 8", "fraction_bits = 8, min = 0"),
    ("choice_value_changed", MESSAGES, "first = { bit = 0", "first = { bit = 2"),
    ("choice_renamed", MESSAGES, "second =", "last ="),
    ("block_changed", BLOCK, "size = 512\nversion = 1", "size = 512\nversion = 2"),
    ("record_renamed", LINK, "[packets.leave]\n", "[packets.go]\n"),
    ("code_changed", LINK, "kind = 0x08", "kind = 0x09"),
    ("choice_value_changed", BOARD, "code = 2", "code = 3"),
    ("choice_renamed", BOARD, '"atmega328p_8mhz"', '"atmega328p_slow"'),
    ("range_narrowed", BLOCK, "max = 100\n", "max = 99\n"),
    ("field_renamed", BLOCK, 'name = "created_utc_s"', 'name = "made_utc_s"'),
)
