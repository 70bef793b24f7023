"""Asks for a new message, one question at a time, each with an answer that will do.

To each question `?` is answered with what it is about, and `back` begins a field anew, or at its name the one before.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

from offtake.errors import OfftakeError, UsageError
from offtake.spec.model import CODE_LAST, OWN_CODE_FIRST, VARIABLE_TYPES, Spec
from offtake.spec.names import NAME_LENGTH_MAX, check_member
from offtake.spec.new_message import (
    FIXED_POINT,
    TYPES,
    NewChoices,
    NewField,
    NewMessage,
    read_choices,
    read_name,
    read_number,
    read_type,
)

NONE = "-"
"""The answer for what a field does not have."""
BACK, EXPLAIN = "back", "?"
"""Answers that begin a field anew, and that ask what the question is about."""
OF_BITS = " of bits"
"""What stands behind the name of a new flag set, where choices are asked for."""
_CHOICES_HELP = (
    "names for its values. Of an enum one holds at a time, of a flag set any. Answer the name of one that is there, or"
    " make one: NAME: a = words; b = words is an enum with values from 0 up, NAME of bits: a = words; b = words is a"
    " flag set with bits from 0 up"
)
_Read = TypeVar("_Read")


class BackError(Exception):
    """What was asked for before shall be asked for again."""


@dataclass(frozen=True)
class Asker:
    """How questions reach a person: ``ask`` gives the answer to a question with a default ("" for the default), and
    ``tell`` says why an answer will not do."""

    ask: Callable[[str, str], str]
    tell: Callable[[str], None]

    def __call__(self, question: str, default: str, read: Callable[[str], _Read], explained: str) -> _Read:
        """What ``read`` makes of the answer; asked again while it raises an error. BackError where the answer is
        :data:`BACK`."""
        while True:
            answer = self.ask(question, default).strip() or default
            if answer == EXPLAIN:
                self.tell(f"{explained}. Nothing: {default}. {BACK}: this field anew, at its name the one before")
                continue
            if answer == BACK:
                raise BackError
            try:
                return read(answer)
            except OfftakeError as error:
                self.tell(f"{error.what} (expected {error.expected})" if error.expected else error.what)


def ask_message(
    asker: Asker, spec: Spec, name: str, free_code: int, judge: Callable[[NewMessage], object]
) -> NewMessage:
    """Every part of a message that may be called ``name`` already.

    ``judge`` raises for a message that will not do; the field that was asked for last is then asked for again.
    """
    while True:
        try:
            message = _ask_head(asker, spec, name, free_code)
            break
        except BackError:
            asker.tell("from the beginning")
    grown = [message]
    while not (message.fields and message.fields[-1].is_tail):
        try:
            field = _ask_named(asker, spec, message)
        except BackError:
            grown = grown[:-1] if len(grown) > 1 else grown
            message = grown[-1]
            asker.tell(f"back to field {len(message.fields) + 1}")
            continue
        if field is None:
            break
        try:
            judge(field)
            message = field
            grown.append(message)
        except OfftakeError as error:
            asker.tell(f"{error}; this field once more")
    return message


def _ask_head(asker: Asker, spec: Spec, name: str, free_code: int) -> NewMessage:
    taken = {message.name for message in spec.messages}
    question = f"name of the message ({EXPLAIN} explains a question, {BACK} redoes a field)"
    what = "the name by which firmware and exported files call it, such as soil: small letters, digits and _"
    name = name or asker(question, "reading", lambda text: _free(read_name(text), taken), what)
    what = f"the number that stands for it in the log, {OWN_CODE_FIRST} to {CODE_LAST}; once released it stays"
    code = asker("code", str(free_code), lambda text: read_code(text, spec), what)
    doc = asker("what it says, in words", f"{_words(name)}.", _some, "a sentence for those who read the log")
    what = "the highest rate at which you will log it: a promise by which `spec check` works out what it costs"
    hz = asker("at most so many a second, 0 for now and then", "1", lambda text: read_number(text, "rate"), what)
    return NewMessage(name, code, doc, hz, "", ())


def _ask_named(asker: Asker, spec: Spec, message: NewMessage) -> NewMessage | None:
    """``message`` with a field more; None where there is none more. BackError inside of a field starts it anew."""
    names = {field.name for field in message.fields}
    question = f"field {len(names) + 1}, its name" + (f", {NONE} for no more" if names else "")
    what = "one value of the message, such as moisture: small letters, digits and _"
    while True:
        name = asker(question, NONE if names else "value", partial(_field_name, taken=names), what)
        if not name:
            return None
        try:
            field, new = _ask_field(asker, spec, name, {one.name: one for one in message.choices})
        except BackError:
            asker.tell("this field once more")
            continue
        choices = (*message.choices, *((new,) if new else ()))
        return replace(message, fields=(*message.fields, field), choices=choices)


def read_code(text: str, spec: Spec) -> int:
    """A code for one's own messages that none has. UsageError if it is none."""
    if not re.fullmatch(r"[0-9]{1,3}", text) or not OWN_CODE_FIRST <= int(text) <= CODE_LAST:
        expected = f"{OWN_CODE_FIRST} to {CODE_LAST}; those below are the kit's own"
        raise UsageError(f"{text!r} is no code for a message of your own", expected=expected)
    for message in spec.messages:
        if message.code == int(text):
            raise UsageError(f"code {text} is taken by {message.name}", expected="a code of its own")
    return int(text)


def _ask_field(asker: Asker, spec: Spec, name: str, new: dict[str, NewChoices]) -> tuple[NewField, NewChoices | None]:
    what = f"{', '.join(TYPES)}: u for counting numbers, i for those below 0 too, with their bits; bytes and text"
    kind = asker("its type", "u16", read_type, what)
    field, made = NewField(name, kind, ""), None
    if kind in VARIABLE_TYPES:
        question = f"its size in bytes, or {NONE} for any, up to the frame's end"
        what = "with a size, shorter texts are padded with zeros; without, it ends the message, which can never grow"
        size = asker(question, NONE, _whole, what)
        field = replace(field, numbers=(("size", size),) if size else ())
    else:
        count = asker("how many such numbers", "1", _whole, "more than 1: an array of so many numbers of this type")
        field = replace(field, numbers=(("count", count),) if count not in ("", "1") else ())
        if kind[0] == "u" and not field.numbers:
            question = f"{NONE}, or an enum or flag set: its name, or a new one ({EXPLAIN} says how)"
            choices, made = asker(question, NONE, lambda text: _choices(text, spec, new), _CHOICES_HELP)
            field = replace(field, choices=choices)
        if not field.choices:
            field = _ask_number(asker, field)
    doc = asker("what it is, in words", f"{_words(name)}.", _some, "a sentence for those who read the value")
    return replace(field, doc=doc), made


def _ask_number(asker: Asker, field: NewField) -> NewField:
    unit = asker("its unit", NONE, _or_none, "such as mV, degC or m/s")
    what = "what 1 in the log stands for: 0.01 for hundredths of the unit, 2^-8 for fixed-point numbers"
    scale = asker("one step in that unit, such as 0.01 or 2^-8", "1", _scale, what)
    low = asker("smallest value", NONE, _limit, f"in the unit; {NONE} where the type is limit enough")
    high = asker("largest value", NONE, _limit, f"in the unit; {NONE} where the type is limit enough")
    return replace(field, unit=unit, numbers=(*field.numbers, *scale), low=low, high=high)


def _free(name: str, taken: Collection[str]) -> str:
    if name in taken or len(name) > NAME_LENGTH_MAX:
        raise UsageError(f"{name!r} is taken or too long", expected="a name of its own")
    return name


def _field_name(text: str, taken: Collection[str]) -> str:
    if taken and text == NONE:
        return ""
    check_member(read_name(text), "")
    return _free(text, taken)


def _some(text: str) -> str:
    if not text.isprintable() or text == NONE:
        raise UsageError("that is no text", expected="some words")
    return text


def _or_none(text: str) -> str:
    return "" if text == NONE else _some(text)


def _whole(text: str) -> str:
    if text == NONE:
        return ""
    if not re.fullmatch(r"[1-9][0-9]{0,2}", text):
        raise UsageError(f"{text!r} is no size or count", expected="a whole number from 1 on")
    return text


def _limit(text: str) -> str:
    return "" if text == NONE else read_number(text, "limit")


def _scale(text: str) -> tuple[tuple[str, str], ...]:
    fixed = FIXED_POINT.match(text)
    if fixed:
        return (("fraction_bits", str(int(fixed[1]))),)
    return () if text == "1" else (("scale", read_number(text, "scale")),)


def _choices(text: str, spec: Spec, new: dict[str, NewChoices]) -> tuple[tuple[str, str] | None, NewChoices | None]:
    """What the field refers to, and what has to be made for it."""
    if text == NONE:
        return None, None
    if ":" in text:
        head, _, rest = text.partition(":")
        is_flags = head.rstrip().endswith(OF_BITS)
        made = read_choices(f"{head.rstrip().removesuffix(OF_BITS)}:{rest}", is_flags=is_flags)
        _free(made.name, {*spec.enums, *new})
        return ("flags" if is_flags else "enum", made.name), made
    if text not in spec.enums and text not in new:
        raise UsageError(f"no enum or flag set {text!r}", expected=", ".join(sorted(spec.enums)))
    is_flags = spec.enums[text].is_flags if text in spec.enums else new[text].is_flags
    return ("flags" if is_flags else "enum", text), None


def _words(name: str) -> str:
    return name.replace("_", " ").capitalize()
