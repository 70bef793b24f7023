"""The number by which a log says what layout it was written with."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from offtake.spec.model import Field, Record, Spec


def layout_hash(spec: Spec) -> int:
    """First 4 bytes, big-endian, of the SHA-256 of all that decides a byte or its meaning; words do not count.

    What the spec language learnt later counts only where it is used, so that an older definition keeps its number.
    """
    block, header = spec.block, spec.journal_header
    canonical = {
        "block": [block.size, block.version, _fields(block.header)],
        "frame": [spec.frame.length_bits, spec.frame.code_bits],
        "journal_header": _fields(header),
        "messages": {record.name: [record.code, _fields(record)] for record in spec.messages},
        "link": [spec.link.version, {record.name: [record.code, _fields(record)] for record in spec.link.packets}],
        "enums": {
            enum.name: [enum.is_flags, [[choice.name, choice.value] for choice in enum.choices]]
            for enum in spec.enums.values()
        },
    }
    text = json.dumps(canonical, sort_keys=True, separators=(",", ":"))
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big")


def _fields(record: Record) -> list[Any]:
    return [_field(f) for f in record.fields]


def _field(f: Field) -> list[Any]:
    const = f.const.hex() if isinstance(f.const, bytes) else f.const
    parts = [[part.name, part.bits] for part in f.parts]
    facts: list[Any] = [f.name, f.type, f.size, f.unit, f.enum, f.flags, const, f.minimum, f.maximum, parts]
    if f.scale:
        facts.append({"scale": [f.scale.mantissa, f.scale.exponent, f.scale.fraction_bits]})
    if f.count is not None:
        facts.append({"count": f.count})
    return facts
