"""Test vectors for every message: bytes, values and verdicts at the edges of what the spec allows.

The bytes are laid out here from the spec, apart from the encoders that are tested with them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import count

from offtake.spec.model import Enumeration, Field, Record, Spec


@dataclass(frozen=True)
class _Case:
    """One case. ``raw`` has the raw numbers or bytes of the fields that are there, ``after`` what follows them."""

    name: str
    record: Record
    raw: dict[str, list[int] | bytes] = field(default_factory=dict)
    after: bytes = b""
    status: str = "ok"

    def lines(self) -> list[str]:
        """The case in TOML."""
        there = [f for f in self.record.fields if f.name in self.raw]
        data = b"".join(_bytes_of(f, self.raw[f.name]) for f in there) + self.after
        out = ["", "[[case]]", f"name = {json.dumps(f'{self.record.name} {self.name}')}", 'layer = "payload"']
        out += [f"code = {self.record.code}", f'bytes = "{data.hex()}"', f'status = "{self.status}"']
        if self.status == "ok":
            values = ", ".join(f"{f.name} = {_shown(f, self.raw[f.name])}" for f in there)
            out.append(f"values = {{ {values} }}" if values else "values = {}")
        return out


def render(spec: Spec, banner: str) -> str:
    """Text of ``shared_spec/vectors/messages.toml``; the same spec gives the same text. ``banner`` becomes comments."""
    out = [f"# {line}" for line in banner.splitlines()] + ["# Every message at its edges. See README.md for the form."]
    room = spec.block.space - spec.frame.head_size - 1 - spec.frame.check_size
    for record in spec.messages:
        for case in _cases(record, spec.enums, room):
            out += case.lines()
    return "\n".join([*out, ""])


def _cases(record: Record, enums: dict[str, Enumeration], room: int) -> Iterator[_Case]:
    ends = {f.name: _ends(f, enums) for f in record.fields}
    low = {f.name: _filled(f, ends[f.name][0], b"\0", 0) for f in record.fields}
    high = {f.name: _filled(f, ends[f.name][1], b"\xff", room - record.fixed_size) for f in record.fields}
    yield _Case("at its lowest", record, low)
    yield _Case("at its highest", record, high)
    zero = {f.name: _filled(f, 0, b"\0", 0) for f in record.fields}
    if zero != low and all(at[0] <= 0 <= at[1] for at in ends.values()):
        yield _Case("of zeros", record, zero)
    yield _Case("of unlike bytes", record, _unlike(record, ends))
    if record.tail is None:
        yield _Case("that grew by a byte", record, low, after=b"\xaa")
    yield from _older(record, high)
    yield from _cut(record, low)
    for f in record.fields:
        if f.is_number:
            yield from _outside(record, f, ends[f.name], low)


def _older(record: Record, high: dict[str, list[int] | bytes]) -> Iterator[_Case]:
    """Bytes of every older layout, and bytes that end within a field."""
    for index, f in enumerate(record.fields):
        if not f.optional:
            continue
        there = {one.name: high[one.name] for one in record.fields[:index]}
        # Without a size it is the tail: empty, for all that can be told from the bytes.
        absent = there if f.size is not None else {**there, f.name: b""}
        yield _Case(f"as it was before {f.name}", record, absent)
        if f.size is not None and f.size > 1:
            yield _Case(f"that grew by all but a byte of {f.name}", record, there, after=b"\xaa" * (f.size - 1))


def _cut(record: Record, low: dict[str, list[int] | bytes]) -> Iterator[_Case]:
    if record.size_min == 0:
        return
    data = b"".join(_bytes_of(f, low[f.name]) for f in record.fields)
    yield _Case("without its last byte", record, after=data[: record.size_min - 1], status="short_payload")
    if record.size_min > 1:
        yield _Case("of no bytes", record, status="short_payload")


def _outside(
    record: Record, f: Field, ends: tuple[int, int], low: dict[str, list[int] | bytes]
) -> Iterator[_Case]:
    type_ends = replace(f, minimum=None, maximum=None).bounds
    for word, number, fits in (
        ("below", ends[0] - 1, ends[0] > type_ends[0]),
        ("above", ends[1] + 1, ends[1] < type_ends[1]),
    ):
        if fits:
            numbers = _filled(f, ends[0], b"", 0)
            assert isinstance(numbers, list)
            raw = {**low, f.name: [*numbers[:-1], number]}
            yield _Case(f"with {f.name} {word} its range", record, raw, status="out_of_range")


def _ends(f: Field, enums: dict[str, Enumeration]) -> tuple[int, int]:
    """Lowest and highest raw number of a field; (0, 0) for bytes."""
    if not f.is_number:
        return 0, 0
    if f.enum:
        values = [choice.value for choice in enums[f.enum].choices]
        return min(values), max(values)
    return f.bounds


def _filled(f: Field, number: int, byte: bytes, tail: int) -> list[int] | bytes:
    if f.is_number:
        return [number] * (f.count or 1)
    # Text is not full of FF: that is no UTF-8, and would not come back.
    return (b"x" if f.type == "text" and byte != b"\0" else byte) * (tail if f.size is None else f.size)


def _unlike(record: Record, ends: dict[str, tuple[int, int]]) -> dict[str, list[int] | bytes]:
    """Numbers whose bytes all differ, as far as their ranges let them: a swapped byte shows."""
    steps = count(1)
    raw: dict[str, list[int] | bytes] = {}
    for f in record.fields:
        one = f.element_size or 0
        if not f.is_number:
            letters = bytes(0x61 + next(steps) % 26 for _ in range(3 if f.size is None else f.size))
            raw[f.name] = letters
            continue
        low, high = ends[f.name]
        numbers = [
            int.from_bytes(bytes(next(steps) % 256 for _ in range(one)), "little") for _ in range(f.count or 1)
        ]
        raw[f.name] = [low + (number - low) % (high - low + 1) for number in numbers]
    return raw


def _bytes_of(f: Field, raw: list[int] | bytes) -> bytes:
    if isinstance(raw, bytes):
        return raw
    one = f.element_size or 0
    return b"".join(number.to_bytes(one, "little", signed=f.type[0] == "i") for number in raw)


def _shown(f: Field, raw: list[int] | bytes) -> str:
    if isinstance(raw, bytes):
        return json.dumps(raw.rstrip(b"\0").decode("utf-8") if f.type == "text" else raw.hex())
    return str(raw[0]) if f.count is None else f"[{', '.join(map(str, raw))}]"
