"""Messages as a run describes them: the form byte by byte, what is refused, and values as the spec gives them."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from offtake.codegen.description import PAYLOAD_MAX, TOTAL_MAX, describe, descriptions, size
from offtake.errors import SpecError
from offtake.generated.records import MESSAGES, Event, Level, Loss, LossCause, Pulses, RunStart, Sensor, Status
from offtake.journal.description import DescribedMessage, parse_description
from offtake.records import flag_names
from offtake.spec.load import load_spec
from offtake.spec.model import Field, Record, Scale, Spec

ROOT = Path(__file__).resolve().parents[2]
SPEC = load_spec(ROOT / "shared_spec")
BY_NAME = {record.name: record for record in SPEC.messages}


def described(name: str) -> DescribedMessage:
    message = parse_description(describe(BY_NAME[name], SPEC.enums))
    assert message is not None
    return message


def text(words: str) -> bytes:
    return bytes([len(words.encode())]) + words.encode()


# Laid out by hand from the form's words: an array, both kinds of scale, units, both kinds of choices, a tail.
SOIL = (
    bytes([1, 64]) + text("soil")
    + bytes([0x71]) + text("moisture") + bytes([4]) + bytes([64 - 2]) + (5).to_bytes(2, "little") + text("%")
    + bytes([0x24]) + text("heat") + bytes([0x80 + 8])
    + bytes([0x80]) + text("state") + bytes([2, 0]) + text("dry") + bytes([1]) + text("wet")
    + bytes([0x80]) + text("faults") + bytes([0x82, 0]) + text("open") + bytes([7]) + text("short")
    + bytes([0x17]) + text("plot") + bytes([3])
    + bytes([0x06]) + text("rest")
)  # fmt: skip


def test_the_form_is_read_as_its_words_say() -> None:
    message = parse_description(SOIL)
    assert message is not None
    assert (message.code, message.name, message.fixed_size) == (64, "soil", 8 + 2 + 1 + 1 + 3)
    assert [f.name for f in message.fields] == ["moisture", "heat", "state", "faults", "plot", "rest"]
    assert message.fields[0].unit == "%"
    payload = bytes.fromhex("0100 0200 0300 ffff 80ff 01 81 613200 0102")
    assert message.decode(payload) == (
        Status.OK,
        {
            "moisture": (0.05, 0.1, 0.15, 3276.75),
            "heat": -0.5,
            "state": "wet",
            "faults": ("open", "short"),
            "plot": "a2",
            "rest": b"\x01\x02",
        },
    )
    unknown = bytes.fromhex("0100 0200 0300 ffff 80ff 09 02 613200")
    assert message.decode(unknown)[1] | {"moisture": 0} == {
        "moisture": 0, "heat": -0.5, "state": 9, "faults": ("bit_1",), "plot": "a2", "rest": b"",
    }  # fmt: skip


@pytest.mark.parametrize(("bytes_there", "fields"), [(0, 0), (7, 0), (8, 1), (9, 1), (10, 2), (11, 3), (14, 4)])
def test_a_short_payload_gives_the_fields_that_are_wholly_there(bytes_there: int, fields: int) -> None:
    message = parse_description(SOIL)
    assert message is not None
    status, values = message.decode(bytes(bytes_there))
    assert (status, list(values)) == (Status.SHORT_PAYLOAD, [f.name for f in message.fields][:fields])


BAD = {
    "nothing": b"",
    "another form": b"\x02" + SOIL[1:],
    "code 0": b"\x01\x00" + SOIL[2:],
    "code 128": b"\x01\x80" + SOIL[2:],
    "no name": bytes([1, 64, 0]),
    "a name that ends too early": bytes([1, 64, 9]) + b"soil",
    "a name with a slash": bytes([1, 64]) + text("../x"),
    "a name that begins with a digit": bytes([1, 64]) + text("1x"),
    "a name that is no ASCII": bytes([1, 64]) + text("so\u00e9"),
    "a kind that is not known": bytes([1, 64]) + text("soil") + bytes([0x08]) + text("x"),
    "a field without a name": bytes([1, 64]) + text("soil") + bytes([0x00]),
    "two fields of a name": bytes([1, 64]) + text("soil") + 2 * (bytes([0x00]) + text("x")),
    "an array of none": bytes([1, 64]) + text("soil") + bytes([0x10]) + text("x") + b"\x00",
    "a count cut off": bytes([1, 64]) + text("soil") + bytes([0x10]) + text("x"),
    "a scale of 0": bytes([1, 64]) + text("soil") + bytes([0x20]) + text("x") + bytes([64, 0, 0]),
    "a scale cut off": bytes([1, 64]) + text("soil") + bytes([0x20]) + text("x") + bytes([64, 1]),
    "no fraction bits": bytes([1, 64]) + text("soil") + bytes([0x20]) + text("x") + bytes([0x80]),
    "too many fraction bits": bytes([1, 64]) + text("soil") + bytes([0x20]) + text("x") + bytes([0xA0]),
    "a scaled text": bytes([1, 64]) + text("soil") + bytes([0x27]) + text("x") + bytes([64, 1, 0]),
    "choices of bytes": bytes([1, 64]) + text("soil") + bytes([0x86]) + text("x") + bytes([1, 0]) + text("a"),
    "choices of an array": bytes([1, 64]) + text("soil") + bytes([0x90]) + text("x") + bytes([2, 1, 0]) + text("a"),
    "scaled choices": bytes([1, 64]) + text("soil") + bytes([0xA0]) + text("x") + bytes([0x81, 1, 0]) + text("a"),
    "two choices of a value": bytes([1, 64]) + text("soil") + bytes([0x80]) + text("x") + b"\x02"
    + 2 * (b"\x00" + text("a")),
    "a flag of bit 32": bytes([1, 64]) + text("soil") + bytes([0x80]) + text("x") + bytes([0x81, 32]) + text("a"),
    "a unit that breaks lines": bytes([1, 64]) + text("soil") + bytes([0x40]) + text("x") + text("a\nb"),
    "a unit that is no UTF-8": bytes([1, 64]) + text("soil") + bytes([0x40]) + text("x") + b"\x01\xff",
    "a field after the tail": bytes([1, 64]) + text("soil") + bytes([0x06]) + text("x") + bytes([0x00]) + text("y"),
}  # fmt: skip


@pytest.mark.parametrize("payload", BAD.values(), ids=BAD)
def test_what_is_no_description_is_refused(payload: bytes) -> None:
    assert parse_description(payload) is None


@given(st.binary(max_size=60), st.binary(max_size=60))
def test_any_bytes_are_read_or_refused(data: bytes, payload: bytes) -> None:
    for content in (data, SOIL[:7] + data):
        message = parse_description(content)
        if message is not None:
            message.decode(payload)


@given(st.integers(0, len(SOIL) - 1), st.integers(0, 255), st.binary(max_size=60))
def test_a_damaged_description_is_read_or_refused(at: int, byte: int, payload: bytes) -> None:
    damaged = SOIL[:at] + bytes([byte]) + SOIL[at + 1 :]
    for content in (damaged, SOIL[:at]):
        message = parse_description(content)
        if message is not None:
            status, values = message.decode(payload)
            assert (status is Status.OK) == (set(values) == {f.name for f in message.fields})


def test_every_message_of_the_spec_describes_itself() -> None:
    for payload, record in zip(descriptions(SPEC), sorted(SPEC.messages, key=lambda one: one.code), strict=True):
        message = parse_description(payload)
        assert message is not None
        assert (message.code, message.name, message.fixed_size) == (record.code, record.name, record.fixed_size)
        for found, field in zip(message.fields, record.fields, strict=True):
            assert (found.name, found.kind, found.size, found.count) == (
                field.name, field.type, field.size, field.count,
            )  # fmt: skip
            assert found.scale == field.scale
            # The logger's own messages are always read by the spec, and say less of themselves.
            assert found.unit == (field.unit if record.role == "sensor" else "")
            enum = SPEC.enums.get(field.enum or field.flags) if record.role == "sensor" else None
            assert found.choices == ({one.value: one.name for one in enum.choices} if enum else None)
            assert found.is_flags == bool(enum and field.flags)


def test_spec_and_description_give_the_same_values() -> None:
    event = Event(Level.HIGH, 7)
    assert described("event").decode(event.encode()) == (Status.OK, event.values())
    assert event.values() == {"level": "high", "ignored": 7}
    pulses = Pulses(2**32 - 1, 0)
    assert described("pulses").decode(pulses.encode()) == (Status.OK, pulses.values())


def test_values_of_the_loggers_own_messages() -> None:
    assert Loss(LossCause.SENSOR_ROOM, 3).values() == {"cause": "sensor_room", "count": 3}
    status, start = RunStart.decode(bytes.fromhex("01020301efbeadde00e10000a00f00000104e8033c0081"))
    assert status is Status.OK
    assert start is not None
    assert start.sensors is None
    values = start.values()
    assert (values["board"], values["when_full"]) == ("atmega328p_16mhz", "wrap")
    assert values["reset_cause"] == ("power_on", "bit_7")
    assert not {"sensors", "analogue_ms", "pressure_ms"} & set(values)
    assert replace(start, sensors=Sensor.EVENT | Sensor.PRESSURE).values()["sensors"] == ("event", "pressure")


def test_flags_beyond_the_names_stay_visible() -> None:
    assert flag_names(0, {0: "a"}) == ()
    assert flag_names(0b1011, {0: "a", 1: "b"}) == ("a", "b", "bit_3")


def test_the_kits_descriptions_leave_room_for_more() -> None:
    # 64 bytes of each: room for one more field of run_start, and for messages of those who add some.
    assert size(SPEC) == sum(7 + len(payload) for payload in descriptions(SPEC))
    assert size(SPEC) <= TOTAL_MAX - 200
    own = {code for code, cls in MESSAGES.items() if cls.ROLE == "sensor" and code < 64}
    assert own == {8, 9, 10, 11, 12}


def test_descriptions_that_are_too_long_are_refused() -> None:
    def message(code: int, names: int) -> Record:
        fields = tuple(Field(f"a_long_name_{i:028}", "u8", i, 1, "x") for i in range(names))
        return Record(f"message_{code}", code, "x", fields)

    assert len(describe(message(64, 5), {})) == 1 + 1 + 1 + 10 + 5 * (2 + 40)
    with pytest.raises(SpecError, match=r"messages\.message_64.*at most 255 bytes"):
        describe(message(64, 6), {})
    assert PAYLOAD_MAX == 255
    crowded: Spec = replace(SPEC, messages=tuple(message(64 + i, 5) for i in range(5)))
    with pytest.raises(SpecError, match="1150 bytes at each run's start"):
        descriptions(crowded)
    assert len(descriptions(replace(crowded, messages=crowded.messages[:4]))) == 4


@given(
    st.integers(-(2**31), 2**32 - 1),
    st.one_of(
        st.builds(Scale, st.integers(1, 65_535), st.integers(-9, 9)),
        st.builds(Scale, st.just(1), st.just(0), st.integers(1, 31)),
    ),
)
def test_a_scaled_value_is_the_nearest_double(raw: int, scale: Scale) -> None:
    exact = Fraction(raw) * scale.mantissa * Fraction(10) ** scale.exponent / 2**scale.fraction_bits
    assert scale.exact(raw) == exact
    assert scale.apply(raw) == float(exact)
    # A division of two whole numbers below 2^53 is rounded once: what a column of an array gives.
    down = 10 ** max(0, -scale.exponent) * 2**scale.fraction_bits
    if scale.exponent <= 0:
        assert scale.apply(raw) == (raw * scale.mantissa) / float(down)
