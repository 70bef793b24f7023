"""What must hold for any definition: its C, its Python and its descriptions agree on every byte and value."""

from __future__ import annotations

import random
import shutil
import sys
import tomllib
import types
from collections.abc import Iterator
from contextlib import contextmanager
from enum import IntFlag
from pathlib import Path
from typing import Any

import numpy as np
from offtake.codegen import description, python_records, vectors
from offtake.generated.records import Status
from offtake.journal import codec
from offtake.journal.description import DescribedMessage, parse_description
from offtake.records import FieldInfo, Record
from offtake.spec import model
from offtake.spec.evolution import broken_rules
from offtake.spec.load import load_spec, load_with_sources
from whole_spec_c import CompiledSpec, compile_for_the_chip
from whole_specs import DESCRIPTIONS_MAX, DrawnSpec

_RECORDS = 6
_PAYLOADS = 25


@contextmanager
def generated_python(spec: model.Spec) -> Iterator[types.ModuleType]:
    """The generated module of ``spec``; dataclasses look theirs up by name."""
    module = types.ModuleType("records_of_a_whole_spec")
    sys.modules[module.__name__] = module
    try:
        exec(compile(python_records.render(spec, "Of a test."), module.__name__, "exec"), module.__dict__)
        yield module
    finally:
        del sys.modules[module.__name__]


def decoded(cls: type[Record], data: bytes) -> Record:
    """The record in ``data``, which must be one."""
    status, record = cls.decode(data)
    # The module has a Status of its own.
    assert status == Status.OK
    assert record is not None
    return record


def random_record(draw: random.Random, cls: type[Record], missing: int) -> Record:
    """A record of ``cls`` with values at random, its last ``missing`` optional members absent."""
    later = [info.name for info in cls.FIELDS if info.optional]
    absent = later[len(later) - missing :]
    return cls(**{info.name: None if info.name in absent else _random_value(draw, info) for info in cls.FIELDS})


def _random_value(draw: random.Random, info: FieldInfo) -> Any:
    if info.kind == "text":
        size = draw.randint(0, info.size or 40)
        return "".join(draw.choice("ab \u00e9\u6c34") for _ in range(size)).encode()[:size].decode(errors="ignore")
    if info.kind == "bytes":
        return draw.randbytes(draw.randint(0, 40) if info.size is None else info.size)
    if info.count is not None:
        return tuple(_random_number(draw, info) for _ in range(info.count))
    return info.choices(_random_number(draw, info)) if info.choices else _random_number(draw, info)


def _random_number(draw: random.Random, info: FieldInfo) -> int:
    if info.choices is not None and not issubclass(info.choices, IntFlag):
        return int(draw.choice(list(info.choices)))
    return draw.choice([info.low, info.high, draw.randint(info.low, info.high)])


def members(record: Record) -> tuple[list[int], bytes, bytes]:
    """A record as the C side takes it: numbers, fixed byte strings in one piece, the tail. Absent ones are zeros."""
    numbers: list[int] = []
    strings = tail = b""
    for info in type(record).FIELDS:
        value: Any = getattr(record, info.name)
        if info.is_number:
            numbers += _elements(info, 0 if value is None else value)
            continue
        raw = value.encode() if isinstance(value, str) else value or b""
        if info.size is None:
            tail = raw
        else:
            strings += raw.ljust(info.size, b"\0")
    return numbers, strings, tail


def _elements(info: FieldInfo, value: Any) -> list[int]:
    """A member's numbers, one by one; a single number stands for all elements of an array."""
    return [int(one) for one in value] if isinstance(value, tuple) else [int(value)] * (info.count or 1)


def check_record(compiled: CompiledSpec, about: model.Record, record: Record, draw: random.Random) -> None:
    """The same bytes and values in C and Python, alone and in a frame, both ways."""
    cls = type(record)
    data = record.encode()
    numbers, strings, tail = members(record)
    # C writes every field; what Python leaves out are zeros there.
    fixed = compiled.encode(about, numbers, strings)
    assert fixed.startswith(data[: cls.FIXED_SIZE])
    assert not any(fixed[len(data) :])
    found = compiled.decode(about, data, 0)
    assert (found.status, found.numbers, found.strings) == (Status.OK, numbers, strings)
    assert column_numbers(cls, fixed) == numbers
    place = draw.getrandbits(32), draw.getrandbits(32)
    tick = draw.choice([0, 127, 128, 2**32 - 1])
    frame = compiled.build_frame(about.code, tick, data, *place)
    assert frame == codec.encode_frame(about.code, tick, data, *place)
    status, parsed = codec.parse_frame(frame, 0, len(frame), codec.frame_seed(*place))
    assert (status, parsed.code, parsed.tick_offset) == (Status.OK, about.code, tick)
    payload = frame[parsed.payload_at : parsed.payload_at + parsed.payload_size]
    assert decoded(cls, payload).encode() == data
    assert compiled.parse_frame(frame, *place) == (Status.OK, about.code, tick, data)
    if about.role == "sensor" and len(data) >= cls.FIXED_SIZE:
        assert compiled.log(about, tick, numbers, strings, tail) == (about.code, tick, data)


def column_numbers(cls: type[Record], fixed: bytes) -> list[int]:
    """A record's numbers as NumPy reads them."""
    row = np.frombuffer(fixed, cls.DTYPE, count=1)[0] if cls.FIXED_SIZE else None
    fields = [info.name for info in cls.FIELDS if info.is_number]
    return [int(one) for name in fields if row is not None for one in np.atleast_1d(row[name])]


def check_payload(compiled: CompiledSpec, about: model.Record, cls: type[Record], payload: bytes) -> None:
    """The same verdict on any bytes, and the same fields there; in C the others stay as they were."""
    status, record = cls.decode(payload)
    for fill in (0, 0xA5):
        found = compiled.decode(about, payload, fill)
        assert found.status == status
        numbers, strings = found.numbers, found.strings
        for info in cls.FIELDS if record else ():
            value: Any = getattr(record, info.name)
            if info.is_number:
                count = info.count or 1
                filled = bytes([fill]) * ((info.size or 0) // count)
                untouched = int.from_bytes(filled, "little", signed=info.kind[0] == "i")
                assert numbers[:count] == _elements(info, untouched if value is None else value)
                numbers = numbers[count:]
            elif info.size is not None:
                raw, strings = strings[: info.size], strings[info.size :]
                # Text is shown up to its first zero and mended, so its bytes cannot be told from it.
                assert info.kind == "text" or raw == (bytes([fill]) * info.size if value is None else value)


def check_described(about: model.Record, described: DescribedMessage, record: Record) -> None:
    """A run's own description gives the values that the spec gives; of the logger's messages choices are numbers."""
    status, values = described.decode(record.encode())
    expected = record.values()
    whole = len(record.encode()) >= type(record).FIXED_SIZE
    assert status is (Status.OK if whole else Status.SHORT_PAYLOAD)
    for f in about.fields:
        if about.role == "logger" and (f.enum or f.flags) and f.name in expected:
            expected[f.name] = int(getattr(record, f.name))
    assert values == expected
    assert {name: type(value) for name, value in values.items()} == {name: type(one) for name, one in expected.items()}


def check_vectors(compiled: CompiledSpec, spec: model.Spec, module: types.ModuleType) -> None:
    """The generated vectors hold in both languages."""
    by_code = {record.code: record for record in spec.messages}
    for case in tomllib.loads(vectors.render(spec, "Of a test."))["case"]:
        payload, name = bytes.fromhex(case["bytes"]), case["name"]
        status, record = module.MESSAGES[case["code"]].decode(payload)
        assert status.name.lower() == case["status"], name
        assert compiled.decode(by_code[case["code"]], payload, 0).status == status, name
        if record is not None:
            shown = {info.name: getattr(record, info.name) for info in record.FIELDS}
            assert {key: _plain(value) for key, value in shown.items() if value is not None} == case["values"], name


def _plain(value: Any) -> Any:
    """A value in the form of the vectors."""
    return value.hex() if isinstance(value, bytes) else list(value) if isinstance(value, tuple) else value


def check_texts(compiled: CompiledSpec, spec: model.Spec) -> list[bytes]:
    """What the firmware holds in flash is what the generator says; returns the descriptions."""
    payloads = compiled.descriptions()
    assert payloads == description.descriptions(spec)
    assert compiled.size_of_descriptions() == description.size(spec) == sum(7 + len(one) for one in payloads)
    assert description.size(spec) <= DESCRIPTIONS_MAX
    assert compiled.choice_values(spec) == [
        1 << choice.value if enum.is_flags else choice.value for enum in spec.enums.values() for choice in enum.choices
    ]
    return payloads


def check_spec(drawn: DrawnSpec, folder: Path) -> None:
    """Everything, for one definition."""
    drawn.write_grown(folder / "spec")
    loaded = load_with_sources(folder / "spec")
    spec = loaded.spec
    assert broken_rules(spec, loaded.lock, loaded.sources) == ()
    compiled = CompiledSpec(spec, folder)
    if shutil.which("avr-gcc"):
        compile_for_the_chip(folder)
    described = {one.code: one for one in map(parse_description, check_texts(compiled, spec)) if one is not None}
    assert sorted(described) == sorted(record.code for record in spec.messages)
    drawn.write(folder / "old", old=True)
    old = load_spec(folder / "old")
    draw = random.Random(drawn.seed)
    with generated_python(spec) as module:
        check_vectors(compiled, spec, module)
        for about in spec.messages:
            cls = module.MESSAGES[about.code]
            later = sum(info.optional for info in cls.FIELDS)
            for missing in [*range(later + 1), *[0] * _RECORDS]:
                record = random_record(draw, cls, missing)
                check_record(compiled, about, record, draw)
                check_described(about, described[about.code], decoded(cls, record.encode()))
            for _ in range(_PAYLOADS):
                check_payload(compiled, about, cls, draw.randbytes(draw.randint(0, cls.FIXED_SIZE + 3)))
        check_old_frames(old, module, draw)


def check_old_frames(old: model.Spec, module: types.ModuleType, draw: random.Random) -> None:
    """A frame of the old release, read by today's spec and by the description that its own run carries."""
    for about in old.messages:
        cls = module.MESSAGES[about.code]
        record = random_record(draw, cls, sum(info.optional for info in cls.FIELDS))
        own = parse_description(description.describe(about, old.enums))
        assert own is not None
        status, values = own.decode(record.encode())
        assert (status, list(values)) == (Status.OK, [f.name for f in about.fields])
        # A choice that came later has no name in the old description; its number is in the log all the same.
        meant = decoded(cls, record.encode()).values()
        for f in about.fields:
            if not (f.enum or f.flags):
                assert values[f.name] == meant[f.name]
