"""What a run says of its own frames: the payload of each message's ``description`` frame.

The form stands in :mod:`offtake.journal.description`, which reads it again. Messages of the logger are always read by
the spec, so they come without units and choices.
"""

from __future__ import annotations

from offtake.errors import SpecError
from offtake.journal.description import (
    CHOICES_FOLLOW,
    COUNT_FOLLOWS,
    FORM,
    KINDS,
    SCALE_FIXED_POINT,
    SCALE_FOLLOWS,
    SCALE_ZERO,
    SET_OF_FLAGS,
    UNIT_FOLLOWS,
)
from offtake.spec.model import Enumeration, Field, Record, Scale, Spec

PAYLOAD_MAX = 255
"""Bytes of one description: the firmware keeps its length in a u8."""
TOTAL_MAX = 1024
"""Bytes of all description frames of a run: they cost line bytes at its start."""


def describe(record: Record, enums: dict[str, Enumeration]) -> bytes:
    """The payload that describes message ``record``. SpecError where it is longer than PAYLOAD_MAX."""
    out = b"".join(piece for piece, _ in pieces(record, enums))
    if len(out) > PAYLOAD_MAX:
        raise SpecError(
            f"names, units and choices take {len(out)} bytes in the log",
            where=f"messages.{record.name}",
            expected=f"at most {PAYLOAD_MAX} bytes: shorter names, or a second message",
        )
    return out


def pieces(record: Record, enums: dict[str, Enumeration]) -> list[tuple[bytes, str]]:
    """The payload of :func:`describe` piece by piece, each with what it says in words."""
    out = [(bytes([FORM]), "form"), (bytes([record.code]), "code"), (_text(record.name), f"name `{record.name}`")]
    for f in record.fields:
        out += _field(f, enums if record.role == "sensor" else None)
    return out


def descriptions(spec: Spec) -> list[bytes]:
    """The payloads of all messages, by ascending code. SpecError where they take more than TOTAL_MAX in the log."""
    records = sorted(spec.messages, key=lambda record: record.code)
    payloads = [describe(record, spec.enums) for record in records]
    total = _total(spec, payloads)
    if total > TOTAL_MAX:
        raise SpecError(
            f"the messages' descriptions take {total} bytes at each run's start",
            where="messages",
            expected=f"at most {TOTAL_MAX} bytes: shorter names, units and choices",
        )
    return payloads


def size(spec: Spec) -> int:
    """Bytes of all description frames of a run in the log: heads, ticks of one byte, payloads and checks."""
    return _total(spec, descriptions(spec))


def _total(spec: Spec, payloads: list[bytes]) -> int:
    around = spec.frame.head_size + 1 + spec.frame.check_size
    return sum(around + len(payload) for payload in payloads)


def _field(f: Field, enums: dict[str, Enumeration] | None) -> list[tuple[bytes, str]]:
    """One field; without ``enums`` neither unit nor choices."""
    kind, says, rest = KINDS.index(f.type), [f"`{f.type}`"], []
    count = f.count if f.is_number else f.size
    if count is not None:
        kind, says = kind | COUNT_FOLLOWS, [*says, "a count follows"]
        rest.append((_byte(count, f), f"{count} {'elements' if f.is_number else 'bytes'}"))
    if f.scale:
        kind, says = kind | SCALE_FOLLOWS, [*says, "a scale follows"]
        rest.append(_scale(f.scale))
    if f.unit and enums is not None:
        kind, says = kind | UNIT_FOLLOWS, [*says, "a unit follows"]
        rest.append((_text(f.unit), f"unit `{f.unit}`"))
    if enums is not None and (f.enum or f.flags):
        kind, says = kind | CHOICES_FOLLOW, [*says, "choices follow"]
        rest += _choices(enums[f.enum or f.flags])
    return [(bytes([kind]), ", ".join(says)), (_text(f.name), f"name `{f.name}`"), *rest]


def _scale(scale: Scale) -> tuple[bytes, str]:
    if scale.fraction_bits:
        return bytes([SCALE_FIXED_POINT + scale.fraction_bits]), f"{scale.fraction_bits} fraction bits"
    data = bytes([SCALE_ZERO + scale.exponent]) + scale.mantissa.to_bytes(2, "little")
    return data, f"{scale.mantissa} x 10^{scale.exponent}"


def _choices(enum: Enumeration) -> list[tuple[bytes, str]]:
    if len(enum.choices) >= SET_OF_FLAGS:
        raise SpecError(f"{len(enum.choices)} choices", where=f"enums.{enum.name}", expected=f"below {SET_OF_FLAGS}")
    head = bytes([len(enum.choices) | (SET_OF_FLAGS if enum.is_flags else 0)])
    out = [(head, f"{len(enum.choices)} {'flags' if enum.is_flags else 'choices'}")]
    what = "bit " if enum.is_flags else ""
    return out + [
        (bytes([one.value]) + _text(one.name), f"{what}{one.value} is `{one.name}`") for one in enum.choices
    ]


def _byte(number: int, f: Field) -> bytes:
    if number > 255:
        raise SpecError(f"{number} bytes", where=f.name, expected="at most 255 bytes where the size is fixed")
    return bytes([number])


def _text(words: str) -> bytes:
    data = words.encode("utf-8")
    if len(data) > 255:
        raise SpecError(f"{words[:40]!r}... is too long", where="messages", expected="at most 255 bytes")
    return bytes([len(data)]) + data
