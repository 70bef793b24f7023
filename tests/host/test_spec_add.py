"""`offtake spec add`: the text it writes, that nothing else in the file moves, and what it refuses."""

from __future__ import annotations

from difflib import ndiff
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from kit_definitions import kit_copy
from offtake.errors import SpecError, UsageError
from offtake.jobs.spec import check
from offtake.jobs.spec_add import add_message, free_code, open_spec
from offtake.spec.load import load_spec
from offtake.spec.model import Scale
from offtake.spec.new_message import NewChoices, NewField, NewMessage, inserted, quoted, read_choices, read_field
from spec_worlds import edit

FIELDS = (
    "moisture u16 % 0..100 scale=0.01: Water by volume, such as 12.34: two digits.",
    "heat i16 unit=degC -40..85 fraction_bits=8: Soil's warmth.",
    "level u8 enum=wetness: In words.",
    "marks u8 flags=marks: What was seen.",
    "series u16 count=4: The last four.",
    "serial bytes size=4: Which probe.",
    "note text: What else.",
)
CHOICES = ("wetness: dry = Dry as dust.; wet = Wet.", 'marks: worm = A "worm" or two.; root = Roots.')
EXPECTED = """\
[messages.soil]
code = 64
doc = "Soil."
at_most_hz = 0.5
fields = [
    { name = "moisture", type = "u16", unit = "%", scale = 0.01, min = 0, max = 100, doc = "Water by volume, such as 12.34: two digits." },
    { name = "heat", type = "i16", unit = "degC", fraction_bits = 8, min = -40, max = 85, doc = "Soil's warmth." },
    { name = "level", type = "u8", enum = "wetness", doc = "In words." },
    { name = "marks", type = "u8", flags = "marks", doc = "What was seen." },
    { name = "series", type = "u16", count = 4, doc = "The last four." },
    { name = "serial", type = "bytes", size = 4, doc = "Which probe." },
    { name = "note", type = "text", doc = "What else." },
]
"""  # noqa: E501


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The kit's definitions, their lock with them."""
    return kit_copy(tmp_path)


def _soil(*fields: str, name: str = "soil", code: int = 64) -> NewMessage:
    return NewMessage(name, code, "Soil.", "0.5", "", tuple(read_field(text) for text in fields))


def test_every_kind_of_field_is_written_and_read_back(folder: Path) -> None:
    before = (folder / "messages.toml").read_text(encoding="utf-8")
    loaded = open_spec(folder.parent)
    choices = (read_choices(CHOICES[0], False), read_choices(CHOICES[1], True))
    message = NewMessage("soil", free_code(loaded), "Soil.", "0.5", "", tuple(map(read_field, FIELDS)), choices)
    added = add_message(loaded, message, folder.parent, write=True)
    assert added.text.startswith(EXPECTED)
    assert (added.code, added.call) == (64, "ot_log_soil(tick, &record, bytes, size);")

    after = (folder / "messages.toml").read_text(encoding="utf-8")
    assert EXPECTED in after
    assert after.splitlines()[added.line - 1] == "[messages.soil]"
    assert not [line for line in ndiff(before.splitlines(), after.splitlines()) if line.startswith("-")]
    soil = load_spec(folder).messages[-1]
    assert [(f.name, f.type, f.size, f.unit, f.minimum, f.maximum) for f in soil.fields] == [
        ("moisture", "u16", 2, "%", 0, 10000),
        ("heat", "i16", 2, "degC", -40 * 256, 85 * 256),
        ("level", "u8", 1, "", None, None),
        ("marks", "u8", 1, "", None, None),
        ("series", "u16", 8, "", None, None),
        ("serial", "bytes", 4, "", None, None),
        ("note", "text", None, "", None, None),
    ]
    assert [f.scale for f in soil.fields[:3]] == [Scale(1, -2), Scale(1, 0, 8), None]
    assert (soil.fields[4].count, soil.at_most_hz) == (4, 0.5)
    assert check(folder.parent).broken == ()


def test_a_message_of_one_field_takes_few_lines(folder: Path) -> None:
    loaded = open_spec(folder.parent)
    added = add_message(loaded, _soil("moisture u16: Water."), folder.parent, write=True)
    # The issue allows 12 lines in the definition for a new message.
    assert len(added.text.splitlines()) == 7
    assert _soil("words text: All of it.").call() == "ot_log_soil(tick, bytes, size);"
    assert _soil("level u8: One.", "words text: All.").call() == "ot_log_soil(tick, &record, bytes, size);"


def test_it_stands_after_the_last_message_and_before_the_choices(folder: Path) -> None:
    loaded = open_spec(folder.parent)
    last = loaded.spec.messages[-1].name
    added = add_message(loaded, _soil("a u8: A."), folder.parent, write=True)
    headers = [line for line in (folder / "messages.toml").read_text("utf-8").splitlines() if line.startswith("[")]
    assert headers[headers.index("[messages.soil]") - 1] == f"[messages.{last}]"
    assert headers[headers.index("[messages.soil]") + 1].startswith("[enums.")
    again = open_spec(folder.parent)
    assert free_code(again) == 65
    second = add_message(again, _soil("a u8: A.", name="sand", code=65), folder.parent, write=True)
    assert second.line > added.line


def test_a_code_once_released_is_not_free_again(folder: Path) -> None:
    from offtake.jobs.spec import publish

    add_message(open_spec(folder.parent), _soil("a u8: A."), folder.parent, write=True)
    publish(folder.parent, write=True)
    text = (folder / "messages.toml").read_text(encoding="utf-8")
    start = text.index("[messages.soil]")
    (folder / "messages.toml").write_text(text[:start] + text[text.index("[enums", start) :], encoding="utf-8")
    with pytest.raises(SpecError, match="message soil of release"):
        open_spec(folder.parent)


REFUSED = {
    "a code of the kit's": (_soil("a u8: A.", code=20), "64 to 127"),
    "a code too high": (_soil("a u8: A.", code=128), "64 to 127"),
    "a name that is taken": (_soil("a u8: A.", name="raw"), "there is a message raw"),
    "a limit between two steps": (_soil("a u16 0..0.015 scale=0.01: A."), "messages.soil.fields[0] (a).max"),
    "a limit that does not fit": (_soil("a u8 0..256: A."), "256 does not fit u8"),
    "an enum nobody has": (_soil("a u8 enum=none: A."), "no enum 'none'"),
    "a tail in the middle": (_soil("a text: A.", "b u8: B."), "must stand last"),
    "two fields of one name": (_soil("a u8: A.", "a u8: A."), "overlap"),
    "a name that C has": (_soil("a u8: A.", name="code_last"), "OT_MESSAGE_CODE_LAST in C"),
    "a word of C": (_soil("short u8: A."), "another name"),
    "more than the shelf holds": (_soil("a bytes size=120: A."), "do not fit"),
    "more than a message holds": (_soil("a bytes size=129: A."), "at most 128"),
    "more than the card takes": (
        NewMessage("soil", 64, "Soil.", "2000", "", (read_field("a u32 count=8: A."),)), "at_most_hz"
    ),
    "an interval nobody sets": (NewMessage("soil", 64, "Soil.", "", "tea_ms", (read_field("a u8: A."),)), "tea_ms"),
    "names too long for a run's start": (
        _soil(*(f"{'a' * 30}_{n} u8 {'m' * 15}: A." for n in range(9))), "at most 255"
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_the_checks_refuse_is_not_written(name: str, folder: Path) -> None:
    message, says = REFUSED[name]
    before = (folder / "messages.toml").read_bytes()
    with pytest.raises(UsageError) as caught:
        add_message(open_spec(folder.parent), message, folder.parent, write=True)
    assert says in str(caught.value)
    # A line of a text that was never written would lead nowhere.
    assert " line " not in caught.value.where
    assert (folder / "messages.toml").read_bytes() == before


NO_FIELD = (
    "moisture u16", "moisture u16:", "u16: Words.", "Moisture u16: Words.", "moisture u24: Words.",
    "moisture u16 scale=2^-32: Words.",
    "moisture u16 % m: Two units.", "moisture u16 scale=x: Words.", "moisture u16 scale=01: Words.",
    "moisture u16 0..x: Words.", "moisture u16 colour=1: Words.", "moisture u16 enum=A: Words.", "",
    "moisture u16 scale=1 scale=2: Words.", "moisture u16 enum=a enum=b: Words.", "moisture u16 1..2..3: Words.",
)  # fmt: skip


@pytest.mark.parametrize("text", NO_FIELD)
def test_what_is_no_field_is_told(text: str) -> None:
    with pytest.raises(UsageError, match="expected"):
        read_field(text)


@pytest.mark.parametrize("text", ["mood", "mood:", "mood: calm", "mood: calm =", "Mood: calm = C.", "mood: 1 = One."])
def test_what_is_no_choices_is_told(text: str) -> None:
    with pytest.raises(UsageError, match="expected"):
        read_choices(text, False)


def test_open_limits_are_read() -> None:
    assert (read_field("a i8 ..5: A.").low, read_field("a i8 ..5: A.").high) == ("", "5")
    assert (read_field("a i8 -5..: A.").low, read_field("a i8 -5..: A.").high) == ("-5", "")
    assert read_field("a i8 -1.5e2..2e-1: A.") == NewField("a", "i8", "A.", low="-1.5e2", high="2e-1")


def test_a_power_of_two_is_a_scale_too() -> None:
    assert read_field("a i16 scale=2^-4: A.").numbers == (("fraction_bits", "4"),)
    with pytest.raises(UsageError, match="expected"):
        read_field("a i16 fraction_bits=4 scale=2^-4: A.")


def test_a_unit_of_two_words_is_told_as_such() -> None:
    with pytest.raises(UsageError, match="its unit is 'deg' already, and must be one word"):
        read_field("a i16 deg C: A.")


MESSAGE = NewMessage("soil", 64, "Soil.", "", "", (NewField("a", "u8", "A."),))
TABLE = '[messages.soil]\ncode = 64\ndoc = "Soil."\nfields = [\n    { name = "a", type = "u8", doc = "A." },\n]\n'


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("[messages.a]\nx = 1\n", f"[messages.a]\nx = 1\n\n{TABLE}"),
        ("[messages.a]\nx = 1", f"[messages.a]\nx = 1\n\n{TABLE}"),
        ("[messages.a]\nx = 1\n[enums.b]\ny = 2", f"[messages.a]\nx = 1\n\n{TABLE}\n[enums.b]\ny = 2"),
        (
            "[messages.a] # one\nx = [\n1,\n] # two\n# three\n\n# four\n[enums.b]\n",
            f"[messages.a] # one\nx = [\n1,\n] # two\n# three\n\n{TABLE}\n# four\n[enums.b]\n",
        ),
        ("[enums.b]\n[messages.a]\n[flag_sets.c]\n", f"[enums.b]\n[messages.a]\n\n{TABLE}\n[flag_sets.c]\n"),
        ("# nothing yet\n", f"# nothing yet\n\n{TABLE}"),
    ],
)
def test_the_rest_of_the_file_stays_as_it_is(before: str, after: str) -> None:
    text, line = inserted(before, MESSAGE)
    assert text == after
    assert text.splitlines()[line - 1] == "[messages.soil]"
    crlf, _ = inserted(before.replace("\n", "\r\n"), MESSAGE)
    assert crlf == after.replace("\n", "\r\n")


def test_ends_of_lines_are_kept(folder: Path) -> None:
    path = folder / "messages.toml"
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    add_message(open_spec(folder.parent), _soil("a u8: A."), folder.parent, write=True)
    data = path.read_bytes()
    assert data.count(b"\n") == data.count(b"\r\n")
    assert load_spec(folder).messages[-1].name == "soil"


def test_a_definition_that_is_wrong_already_is_told_first(folder: Path) -> None:
    edit(folder, "messages.toml", "[messages.supply]\ncode = 5", "[messages.supply]\ncode = 4")
    with pytest.raises(SpecError, match=r"messages\.toml line [0-9]+: messages\.supply\.code"):
        open_spec(folder.parent)


WORDS = st.text(
    st.characters(min_codepoint=32, max_codepoint=0x2FF, exclude_categories=("C", "Z")), min_size=1, max_size=9
)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(doc=WORDS, unit=WORDS.filter(lambda text: len(text.encode()) <= 16), words=WORDS)
def test_any_words_survive(doc: str, unit: str, words: str) -> None:
    """Quotes, backslashes and letters of any kind stand in the file so that TOML gives them back."""
    import tomllib

    choices = NewChoices("mood", False, (("calm", words),))
    message = NewMessage("soil", 64, doc, "", "", (NewField("a", "u8", words, unit=unit),), (choices,))
    tree = tomllib.loads(inserted("[messages.a]\nx = 1\n", message)[0])
    assert tree["messages"]["soil"]["doc"] == doc
    assert tree["messages"]["soil"]["fields"] == [{"name": "a", "type": "u8", "unit": unit, "doc": words}]
    assert tree["enums"]["mood"]["calm"] == {"value": 0, "doc": words}
    assert tomllib.loads(f"a = {quoted(doc)}")["a"] == doc
