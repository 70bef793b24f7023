"""What every record generated from shared_spec shares: fields to bytes and back, by one construct description.

The generated classes (:mod:`offtake.generated.records`) carry the tables; this is the small runtime over them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import TYPE_CHECKING, Any, ClassVar, Self, TypeAlias

import construct  # type: ignore[import-untyped]
import numpy as np

from offtake.errors import UsageError
from offtake.spec.model import Scale

if TYPE_CHECKING:
    from offtake.generated.records import Status


Value: TypeAlias = int | float | str | bytes | tuple[int, ...] | tuple[float, ...] | tuple[str, ...]
"""What a field means: a number in its unit, the name of a choice, names of flags, text, bytes, an array's numbers."""


@dataclass(frozen=True, slots=True)
class FieldInfo:
    """One member of a record.

    ``size`` is in bytes, of the whole field, None for the variable tail. ``low`` and ``high`` bound a number, of an
    array each; ``choices`` is the enumeration or flag set it belongs to. ``word`` names the packed word that the
    member is a part of. ``count`` is the number of elements of an array, None for a single value. ``scale`` makes a
    value in the field's unit from the raw number. ``optional``: appended after the record's first release. ``unit`` is
    of the scaled value.
    """

    name: str
    kind: str
    size: int | None
    low: int = 0
    high: int = 0
    choices: type[IntEnum] | type[IntFlag] | None = None
    word: str = ""
    count: int | None = None
    scale: Scale | None = None
    optional: bool = False
    unit: str = ""

    @property
    def is_number(self) -> bool:
        """True for numbers, single or in an array."""
        return self.kind not in ("bytes", "text")


class Record:
    """Base of the generated records: frozen dataclasses whose constant fields are not members.

    Members hold raw numbers, arrays tuples of them; :meth:`values` gives what they mean. A member that a message got
    after its first release is None where the bytes end before it, as they do in frames of older firmware; in the
    journal's header, which is padded with zeros, it is 0. ``ROLE`` is "sensor", or "logger" for what is not measured.
    ``AT_MOST_HZ`` is how often a second a message comes at the most, 0 for now and then.
    """

    __slots__ = ()

    STATUS: ClassVar[type[Status]]
    NAME: ClassVar[str]
    CODE: ClassVar[int]
    ROLE: ClassVar[str]
    AT_MOST_HZ: ClassVar[float]
    FIXED_SIZE: ClassVar[int]
    SIZE_MIN: ClassVar[int]
    HAS_TAIL: ClassVar[bool]
    LAYOUT: ClassVar[construct.Struct]
    DTYPE: ClassVar[np.dtype[np.void]]
    FIELDS: ClassVar[tuple[FieldInfo, ...]]

    def encode(self) -> bytes:
        """The record's bytes, up to the first member that is None. UsageError for a value that does not fit."""
        values: dict[str, Any] = {}
        end: int | None = None
        for info in self.FIELDS:
            if info.optional and getattr(self, info.name) is None:
                # What is not there is built as zeros and cut off: bytes before it must not depend on it.
                end = self._place(info) if end is None else end
                value = _nothing(info)
            elif end is not None:
                raise UsageError("a value after one that is missing", where=f"{self.NAME}.{info.name}", expected="None")
            else:
                value = self._raw_value(info)
            if info.word:
                values.setdefault(info.word, {})[info.name] = value
            else:
                values[info.name] = value
        data: bytes = self.LAYOUT.build(values)
        return data if end is None else data[:end]

    @classmethod
    def _place(cls, wanted: FieldInfo) -> int:
        """Where an optional member begins: from the end, for constants before it are no members."""
        after = cls.FIELDS[cls.FIELDS.index(wanted) :]
        return cls.FIXED_SIZE - sum(info.size for info in after if info.size is not None)

    def _raw_value(self, info: FieldInfo) -> int | bytes | tuple[int, ...]:
        value = getattr(self, info.name)
        where = f"{self.NAME}.{info.name}"
        if info.kind == "text":
            value = value.encode("utf-8")
        if not info.is_number:
            return _fitted(info, value, where)
        if info.count is None:
            return _checked(info, int(value), where)
        if len(value) != info.count:
            raise UsageError(f"{len(value)} numbers", where=where, expected=f"{info.count} numbers")
        return tuple(_checked(info, int(number), where) for number in value)

    @classmethod
    def decode(cls, data: bytes, *, exact: bool = False) -> tuple[Status, Self | None]:
        """Read a record from ``data``: OK and the record, or SHORT_PAYLOAD or OUT_OF_RANGE and None.

        Layouts grow at the end. So bytes after a record without a variable tail are ignored; with ``exact`` they
        are SHORT_PAYLOAD as well. And from the size of the first release on (SIZE_MIN) a record may be shorter: what
        is not wholly there is None. Text is decoded as UTF-8 up to its first zero, broken sequences replaced: it is
        for people.
        """
        size = len(data)
        if size < cls.SIZE_MIN or (exact and not cls.HAS_TAIL and size != cls.FIXED_SIZE):
            return cls.STATUS.SHORT_PAYLOAD, None
        missing = cls.FIXED_SIZE - size
        try:
            parsed = cls.LAYOUT.parse(data + bytes(missing) if missing > 0 else data)
        except construct.ConstError:
            return cls.STATUS.OUT_OF_RANGE, None
        values: dict[str, Any] = {}
        for info in cls.FIELDS:
            if missing > 0 and info.optional and (info.size is None or cls._place(info) + info.size > size):
                break
            raw = parsed[info.word][info.name] if info.word else parsed[info.name]
            if info.kind == "text":
                raw = text_of(raw)
            elif info.count is not None:
                raw = tuple(int(number) for number in raw)
                if not all(_allowed(info, number) for number in raw):
                    return cls.STATUS.OUT_OF_RANGE, None
            elif info.kind != "bytes":
                if not _allowed(info, raw):
                    return cls.STATUS.OUT_OF_RANGE, None
                raw = info.choices(raw) if info.choices else raw
            values[info.name] = raw
        return cls.STATUS.OK, cls(**values)

    def values(self) -> dict[str, Value]:
        """What the members mean, by name: numbers in their unit, choices and flags by name, None left out."""
        members = ((info, getattr(self, info.name)) for info in self.FIELDS)
        return {info.name: _meaning(info, value) for info, value in members if value is not None}


def text_of(raw: bytes) -> str:
    """Text as the log holds it: UTF-8 up to the first zero, broken sequences replaced."""
    return raw.split(b"\0", 1)[0].decode("utf-8", errors="replace")


def flag_names(raw: int, names: Mapping[int, str]) -> tuple[str, ...]:
    """Names of the bits set in ``raw``, lowest first; ``bit_3`` for one that ``names`` (by bit) does not have."""
    bits = (bit for bit in range(raw.bit_length()) if raw >> bit & 1)
    return tuple(names.get(bit, f"bit_{bit}") for bit in bits)


def _meaning(info: FieldInfo, value: Any) -> Value:
    if info.choices is not None:
        if issubclass(info.choices, IntFlag):
            return flag_names(int(value), {int(one).bit_length() - 1: str(one.name).lower() for one in info.choices})
        return next((str(one.name).lower() for one in info.choices if one == value), int(value))
    if info.scale is None:
        meaning: Value = value
        return meaning
    if info.count is not None:
        return tuple(info.scale.apply(number) for number in value)
    return info.scale.apply(value)


def _nothing(info: FieldInfo) -> int | bytes | tuple[int, ...]:
    if not info.is_number:
        return bytes(info.size or 0)
    return 0 if info.count is None else (0,) * info.count


def _fitted(info: FieldInfo, value: object, where: str) -> bytes:
    if not isinstance(value, bytes):
        raise UsageError(f"{value!r} is not bytes", where=where, expected="bytes")
    if info.size is None:
        return value
    if len(value) > info.size or (info.kind == "bytes" and len(value) != info.size):
        raise UsageError(f"{len(value)} bytes do not fit", where=where, expected=f"{info.size} bytes")
    return value.ljust(info.size, b"\0")


def _checked(info: FieldInfo, number: int, where: str) -> int:
    if not _allowed(info, number):
        expected = "a listed choice" if info.choices else f"{info.low} to {info.high}"
        raise UsageError(f"{number} is out of range", where=where, expected=expected)
    return number


def _allowed(info: FieldInfo, number: int) -> bool:
    if not info.low <= number <= info.high:
        return False
    # A flag set takes any bits: a later chip may report more.
    if info.choices is None or issubclass(info.choices, IntFlag):
        return True
    return number in info.choices.__members__.values()
