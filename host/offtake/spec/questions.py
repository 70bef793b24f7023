"""Asks for a new message, one question at a time, each with an answer that will do."""

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
_FIXED_POINT = re.compile(r"2\^-([0-9]{1,2})\Z")
_Read = TypeVar("_Read")


@dataclass(frozen=True)
class Asker:
    """How questions reach a person: ``ask`` gives the answer to a question with a default ("" for the default), and
    ``tell`` says why an answer will not do."""

    ask: Callable[[str, str], str]
    tell: Callable[[str], None]

    def __call__(self, question: str, default: str, read: Callable[[str], _Read]) -> _Read:
        """What ``read`` makes of the answer; asked again while it raises an error."""
        while True:
            answer = self.ask(question, default).strip() or default
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
    taken = {message.name for message in spec.messages}
    name = name or asker("name of the message", "reading", lambda text: _free(read_name(text), taken))
    code = asker("code", str(free_code), lambda text: read_code(text, spec))
    doc = asker("what it says, in words", f"{_words(name)}.", _some)
    at_most_hz = asker("at most so many a second, 0 for now and then", "1", lambda text: read_number(text, "rate"))
    message = NewMessage(name, code, doc, at_most_hz, "", ())
    while not (message.fields and message.fields[-1].is_tail):
        names = {field.name for field in message.fields}
        question = f"field {len(names) + 1}, its name" + (f", {NONE} for no more" if names else "")
        field_name = asker(question, NONE if names else "value", partial(_field_name, taken=names))
        if not field_name:
            break
        field, new = _ask_field(asker, spec, field_name, {one.name: one for one in message.choices})
        choices = (*message.choices, *((new,) if new else ()))
        grown = replace(message, fields=(*message.fields, field), choices=choices)
        try:
            judge(grown)
            message = grown
        except OfftakeError as error:
            asker.tell(f"{error}; this field once more")
    return message


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
    kind = asker("its type", "u16", read_type)
    field, made = NewField(name, kind, ""), None
    if kind in VARIABLE_TYPES:
        size = asker(f"its size in bytes, or {NONE} for any, up to the frame's end", NONE, _whole)
        field = replace(field, numbers=(("size", size),) if size else ())
    else:
        count = asker("how many such numbers", "1", _whole)
        field = replace(field, numbers=(("count", count),) if count not in ("", "1") else ())
        if kind[0] == "u" and not field.numbers:
            question = f"{NONE}, or names of its values: an enum, or NAME: a = words; b = words"
            choices, made = asker(question, NONE, lambda text: _choices(text, spec, new))
            field = replace(field, choices=choices)
        if not field.choices:
            field = _ask_number(asker, field)
    return replace(field, doc=asker("what it is, in words", f"{_words(name)}.", _some)), made


def _ask_number(asker: Asker, field: NewField) -> NewField:
    unit = asker("its unit", NONE, _or_none)
    scale = asker("one step in that unit, such as 0.01 or 2^-8", "1", _scale)
    low = asker("smallest value", NONE, _limit)
    high = asker("largest value", NONE, _limit)
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
    fixed = _FIXED_POINT.match(text)
    if fixed:
        return (("fraction_bits", str(int(fixed[1]))),)
    return () if text == "1" else (("scale", read_number(text, "scale")),)


def _choices(text: str, spec: Spec, new: dict[str, NewChoices]) -> tuple[tuple[str, str] | None, NewChoices | None]:
    """What the field refers to, and what has to be made for it."""
    if text == NONE:
        return None, None
    if ":" in text:
        made = read_choices(text, is_flags=False)
        _free(made.name, {*spec.enums, *new})
        return ("enum", made.name), made
    if text not in spec.enums and text not in new:
        raise UsageError(f"no enum or flag set {text!r}", expected=", ".join(sorted(spec.enums)))
    is_flags = spec.enums[text].is_flags if text in spec.enums else new[text].is_flags
    return ("flags" if is_flags else "enum", text), None


def _words(name: str) -> str:
    return name.replace("_", " ").capitalize()
