"""A message that is about to be added: what a person said of it, and the text that says it in messages.toml.

Nothing is judged here but what could not be written down at all; the definition with the text in it is loaded and
checked before anything is written.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

from offtake.errors import UsageError
from offtake.spec.lines import key_lines
from offtake.spec.model import VARIABLE_TYPES, WIRE_SIZES

FIELD_FORM = "NAME TYPE [UNIT] [LOW..HIGH] [scale=S] [fraction_bits=N] [count=N] [size=N] [enum=E] [flags=F]: WORDS"
CHOICES_FORM = "NAME: choice = words; choice = words"
TYPES = (*WIRE_SIZES, *VARIABLE_TYPES)
_NAME = re.compile(r"[a-z][a-z0-9_]*\Z")
_NUMBER = re.compile(r"-?[0-9]{1,20}(\.[0-9]{1,20})?(e-?[0-9]{1,2})?\Z")
FIXED_POINT = re.compile(r"2\^-([1-9]|[12][0-9]|3[01])\Z")
"""A scale of 2^-N."""
_RANGE = re.compile(r"(?P<low>-?[0-9][0-9.e-]*?)?\.\.(?P<high>-?[0-9][0-9.e-]*)?\Z")
_NUMBER_KEYS = ("scale", "fraction_bits", "count", "size")
_NAME_KEYS = ("enum", "flags")


@dataclass(frozen=True)
class NewField:
    """One field; numbers are kept as they were written. An empty text stands for what was not said."""

    name: str
    type: str
    doc: str
    unit: str = ""
    numbers: tuple[tuple[str, str], ...] = ()
    low: str = ""
    high: str = ""
    choices: tuple[str, str] | None = None
    """"enum" or "flags", and its name."""

    @property
    def is_tail(self) -> bool:
        """Whether it is of any length."""
        return self.type in VARIABLE_TYPES and "size" not in dict(self.numbers)

    def line(self) -> str:
        """The field as it stands in the list ``fields``."""
        facts = [f'name = "{self.name}"', f'type = "{self.type}"']
        facts += [f"{key} = {number}" for key, number in self.numbers if key in ("count", "size")]
        facts += [f"unit = {quoted(self.unit)}"] if self.unit else []
        facts += [f"{key} = {number}" for key, number in self.numbers if key not in ("count", "size")]
        facts += [f"min = {self.low}"] if self.low else []
        facts += [f"max = {self.high}"] if self.high else []
        facts += [f'{self.choices[0]} = "{self.choices[1]}"'] if self.choices else []
        return f"    {{ {', '.join([*facts, f'doc = {quoted(self.doc)}'])} }},"


@dataclass(frozen=True)
class NewChoices:
    """A new enumeration or flag set; its values or bits count from 0."""

    name: str
    is_flags: bool
    choices: tuple[tuple[str, str], ...]

    def text(self) -> str:
        """Its table."""
        group, key = ("flag_sets", "bit") if self.is_flags else ("enums", "value")
        words = self.name.replace("_", " ").capitalize()
        lines = [f"{name} = {{ {key} = {n}, doc = {quoted(doc)} }}" for n, (name, doc) in enumerate(self.choices)]
        return "\n".join([f"[{group}.{self.name}]", f"doc = {quoted(words + '.')}", *lines, ""])


@dataclass(frozen=True)
class NewMessage:
    """A message with its fields, and the enumerations and flag sets that come with it."""

    name: str
    code: int
    doc: str
    at_most_hz: str
    interval: str
    fields: tuple[NewField, ...]
    choices: tuple[NewChoices, ...] = ()

    def text(self) -> str:
        """Its table, as the other messages are written."""
        lines = [f"[messages.{self.name}]", f"code = {self.code}", f"doc = {quoted(self.doc)}"]
        lines += [f"at_most_hz = {self.at_most_hz}"] if self.at_most_hz else []
        lines += [f"interval = {quoted(self.interval)}"] if self.interval else []
        return "\n".join([*lines, "fields = [", *(field.line() for field in self.fields), "]", ""])

    def call(self) -> str:
        """How the firmware logs it."""
        tail = bool(self.fields) and self.fields[-1].is_tail
        record = ", &record" if len(self.fields) > tail else ""
        return f"ot_log_{self.name}(tick{record}{', bytes, size' if tail else ''});"


def quoted(words: str) -> str:
    """A string of TOML."""
    return json.dumps(words, ensure_ascii=False)


def read_name(text: str, what: str = "name") -> str:
    """``text`` if it can be a name. UsageError if not."""
    if not _NAME.match(text):
        raise UsageError(f"{text!r} is no {what}", expected="small letters, digits and _, a letter first")
    return text


def read_number(text: str, what: str) -> str:
    """``text`` if it is a number as TOML has it. UsageError if not."""
    if not _NUMBER.match(text) or re.match(r"-?0[0-9]", text):
        raise UsageError(f"{text!r} is no {what}", expected="a number, such as 5, -40 or 0.01")
    return text


def read_type(text: str) -> str:
    """``text`` if it is a type. UsageError if not."""
    if text not in TYPES:
        raise UsageError(f"{text!r} is no type", expected=f"one of {', '.join(TYPES)}")
    return text


def read_field(text: str) -> NewField:
    """A field out of ``text`` in the form :data:`FIELD_FORM`. UsageError with what is wrong."""
    facts, colon, doc = text.partition(":")
    words = facts.split()
    if not colon or len(words) < 2 or not doc.strip():
        raise UsageError(f"{text!r} is no field", expected=FIELD_FORM)
    name, kind = read_name(words[0], "name of a field"), read_type(words[1])
    numbers: dict[str, str] = {}
    unit, low, high = "", "", ""
    choices: tuple[str, str] | None = None
    for word in words[2:]:
        key, equals, value = word.partition("=")
        bounds = _RANGE.match(word)
        if bounds and not equals:
            low, high = (read_number(one, "limit") if one else "" for one in bounds.group("low", "high"))
        elif key == "scale" and FIXED_POINT.match(value) and not {"scale", "fraction_bits"} & numbers.keys():
            numbers["fraction_bits"] = value.removeprefix("2^-")
        elif equals and key in _NUMBER_KEYS and key not in numbers:
            numbers[key] = read_number(value, key)
        elif equals and key in _NAME_KEYS and choices is None:
            choices = key, read_name(value, key)
        elif not unit and (key == "unit" if equals else ".." not in word):
            unit = value if equals else word
        else:
            hint = f"; its unit is {unit!r} already, and must be one word, such as m/s" if unit and not equals else ""
            raise UsageError(f"{word!r} of field {name} is not understood{hint}", expected=FIELD_FORM)
    return NewField(name, kind, doc.strip(), unit, tuple(numbers.items()), low, high, choices)


def read_choices(text: str, is_flags: bool) -> NewChoices:
    """An enumeration or flag set out of ``text`` in the form :data:`CHOICES_FORM`. UsageError with what is wrong."""
    name, colon, rest = text.partition(":")
    pairs = []
    for item in rest.split(";") if colon else []:
        choice, equals, doc = item.partition("=")
        if not equals or not doc.strip():
            raise UsageError(f"{item.strip()!r} is no choice", expected=CHOICES_FORM)
        pairs.append((read_name(choice.strip(), "name of a choice"), doc.strip()))
    if not pairs:
        raise UsageError(f"{text!r} has no choices", expected=CHOICES_FORM)
    return NewChoices(read_name(name.strip()), is_flags, tuple(pairs))


def inserted(text: str, message: NewMessage) -> tuple[str, int]:
    """``text`` of messages.toml with ``message`` after the last of its kind, and the line where it then begins.

    Everything else stays as it is, byte for byte; the file's ends of lines are kept.
    """
    for choices in message.choices:
        text, _ = _inserted(text, "flag_sets" if choices.is_flags else "enums", choices.text())
    return _inserted(text, "messages", message.text())


def _inserted(text: str, group: str, addition: str) -> tuple[str, int]:
    """``addition`` after the last table of ``group`` and comments right below it; at the end where there is none."""
    lines = text.split("\n")
    ended = lines[-1] == ""
    lines = lines[:-1] if ended else lines
    found = key_lines(text.replace("\r\n", "\n"))
    own = [path for path, _ in found.headers if path[0] == group]
    at = found.ends[own[-1]] if own else len(lines)
    while at < len(lines) and lines[at].startswith("#"):
        at += 1
    mark = "\r" if "\r\n" in text else ""
    before, after = lines[:at], lines[at:]
    if before and not before[-1].endswith(mark):
        before[-1] += mark
    new = [line + mark for line in ("", *addition.rstrip("\n").split("\n"))]
    new += [mark] if after and after[0].strip() else []
    return "\n".join([*before, *new, *after, *([""] if ended or not after else [])]), at + 2
