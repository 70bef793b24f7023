"""Many payloads at once are the same as each by itself; and names, units and choices are harmless."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from frame_tables import payloads_of
from hypothesis import given
from hypothesis import strategies as st
from offtake.generated.records import MESSAGES
from offtake.journal.columns import NAME_LENGTH_MAX, NO_PAYLOADS, RESERVED_NAMES, Column, columns_of, scaled
from offtake.journal.description import KINDS, DescribedField, DescribedMessage, parse_description
from offtake.journal.layouts import by_spec, is_loggers
from offtake.spec.model import WIRE_SIZES, Scale

SCALES = st.one_of(
    st.builds(Scale, st.integers(1, 65_535), st.integers(-9, 9)),
    st.builds(lambda bits: Scale(1, 0, bits), st.integers(1, 31)),
)


@st.composite
def messages(draw: st.DrawFn) -> DescribedMessage:
    fields = []
    for number in range(draw(st.integers(0, 5))):
        name = f"f{number}"
        kind = draw(st.sampled_from(KINDS[:6]))
        size = WIRE_SIZES[kind]
        what = draw(st.sampled_from(["plain", "array", "scaled", "array scaled", "word", "flags", "string"]))
        if what == "string":
            width = draw(st.integers(1, 9))
            fields.append(DescribedField(name, draw(st.sampled_from(KINDS[6:])), width))
            continue
        count = draw(st.integers(1, 4)) if "array" in what else None
        scale = draw(SCALES) if "scaled" in what else None
        choices = None
        if what in ("word", "flags"):
            values = draw(st.sets(st.integers(0, 31), max_size=4))
            choices = {value: f"name_{value}" for value in values}
        fields.append(DescribedField(name, kind, size * (count or 1), count, scale, "", choices, what == "flags"))
    if draw(st.booleans()):
        fields.append(DescribedField("tail", draw(st.sampled_from(KINDS[6:])), None))
    return DescribedMessage(100, "made_up", tuple(fields))


def row(columns: tuple[Column, ...], index: int) -> dict[str, Any]:
    """The values of one row by field, in the words of DescribedMessage.decode."""
    values: dict[str, Any] = {}
    for column in columns:
        if not column.present[index]:
            continue
        value: Any = column.values[index]
        if column.kind == "word":
            value = dict(column.choices).get(value, int(value))
        elif column.kind == "flags":
            text = column.texts()[index]
            value = () if text == "0" else tuple((text or "").split("+"))
        elif column.numeric:
            value = value.item()
        if column.name == column.field:
            values[column.field] = value
        else:
            values[column.field] = (*values.get(column.field, ()), value)
    return values


@given(messages(), st.lists(st.binary(max_size=60), max_size=6))
def test_columns_are_what_each_payload_says(message: DescribedMessage, payloads: list[bytes]) -> None:
    """Payloads of any length: those that end early lack fields, as frames of older releases do."""
    columns = columns_of(message, payloads_of(payloads))
    for index, payload in enumerate(payloads):
        assert row(columns, index) == message.decode(payload)[1]
    assert all(len(column.values) == len(column.present) == len(payloads) for column in columns)


@given(SCALES, st.lists(st.integers(-(2**31), 2**32 - 1), min_size=1))
def test_a_scaled_number_is_the_nearest_double(scale: Scale, raw: list[int]) -> None:
    assert scaled(np.array(raw, dtype=np.int64), scale).tolist() == [scale.apply(one) for one in raw]


@pytest.mark.parametrize("exponent", [-64, -23, -22, 22, 23, 63])
def test_also_with_exponents_that_only_a_foreign_log_has(exponent: int) -> None:
    scale = Scale(65_535, exponent)
    raw = [1, 3, 2**32 - 1, -(2**31)]
    assert scaled(np.array(raw, dtype=np.int64), scale).tolist() == [scale.apply(one) for one in raw]


@pytest.mark.parametrize("code", [code for code in MESSAGES if not is_loggers(code)])
def test_the_specs_word_is_that_of_the_generated_class(code: int) -> None:
    record = MESSAGES[code]
    message = by_spec(code)
    # Choices are small numbers, so that every byte is one.
    payload = bytes(n % 2 for n in range(record.FIXED_SIZE))
    decoded = record.decode(payload)[1]
    assert decoded is not None
    assert message.decode(payload)[1] == decoded.values()
    assert [one.unit for one in message.fields] == [info.unit for info in record.FIELDS]


def test_every_column_has_a_harmless_name_of_its_own() -> None:
    names = ["run", "utc", "tick_us", "a", "a_0", "a_1", "a_1_2", "b" * 200, "b" * 200 + "c"]
    fields = [DescribedField(name, "u8", 1) for name in names]
    fields[3] = DescribedField("a", "u16", 4, 2)
    columns = columns_of(DescribedMessage(100, "m", tuple(fields)), NO_PAYLOADS)
    given_names = [column.name for column in columns]
    assert given_names[:3] == ["run_2", "utc_2", "tick_us_2"]
    assert given_names[3:8] == ["a_0", "a_1", "a_0_2", "a_1_2", "a_1_2_2"]
    assert len(set(given_names)) == len(given_names) == len(names) + 1
    assert not set(given_names) & set(RESERVED_NAMES)
    assert all(re.fullmatch(r"[a-z][a-z0-9_]*", name) and len(name) <= NAME_LENGTH_MAX + 4 for name in given_names)


def test_a_description_that_promises_more_than_a_frame_holds_makes_no_columns_for_it() -> None:
    """Seven bytes of a log can promise an array of 255 numbers; a description holds over a hundred such fields."""
    payload = b"\x01\x64\x01m" + b"".join(b"\x12\x02%c%c\xff" % (97 + n // 26, 97 + n % 26) for n in range(90))
    message = parse_description(payload)
    assert message is not None
    assert len(message.fields) == 90
    assert len(columns_of(message, NO_PAYLOADS)) <= 512


def test_words_of_choices() -> None:
    fields = (
        DescribedField("level", "u8", 1, choices={0: "low", 1: "high"}),
        DescribedField("state", "u8", 1, choices={0: "wet", 2: "hot"}, is_flags=True),
        DescribedField("blob", "bytes", None),
    )
    payloads = payloads_of((b"\x01\x05\xca\xfe", b"\x07\x00", b"\x00\x02", b"\x00", b""))
    level, state, blob = columns_of(DescribedMessage(100, "m", fields), payloads)
    assert level.texts() == ["high", "7", "low", "low", None]
    assert state.texts() == ["wet+hot", "0", "bit_1", None, None]
    assert blob.texts() == ["cafe", "", "", None, None]
    assert (level.kind, state.kind, blob.kind) == ("word", "flags", "bytes")
