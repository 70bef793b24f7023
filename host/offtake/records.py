"""What every record generated from shared_spec shares: fields to bytes and back, by one construct description.

The generated classes (:mod:`offtake.generated.records`) carry the tables; this is the small runtime over them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import TYPE_CHECKING, Any, ClassVar, Self

import construct  # type: ignore[import-untyped]
import numpy as np

from offtake.errors import UsageError

if TYPE_CHECKING:
    from offtake.generated.records import Status


@dataclass(frozen=True, slots=True)
class FieldInfo:
    """One member of a record.

    ``size`` is in bytes, None for the variable tail. ``low`` and ``high`` bound a number; ``choices`` is the
    enumeration or flag set it belongs to. ``word`` names the packed word that the member is a part of.
    """

    name: str
    kind: str
    size: int | None
    low: int = 0
    high: int = 0
    choices: type[IntEnum] | type[IntFlag] | None = None
    word: str = ""


class Record:
    """Base of the generated records: frozen dataclasses whose constant fields are not members."""

    __slots__ = ()

    STATUS: ClassVar[type[Status]]
    NAME: ClassVar[str]
    CODE: ClassVar[int]
    FIXED_SIZE: ClassVar[int]
    HAS_TAIL: ClassVar[bool]
    LAYOUT: ClassVar[construct.Struct]
    DTYPE: ClassVar[np.dtype[np.void]]
    FIELDS: ClassVar[tuple[FieldInfo, ...]]

    def encode(self) -> bytes:
        """The record's bytes. Raises UsageError for a value that its field cannot hold."""
        values: dict[str, Any] = {}
        for info in self.FIELDS:
            value = self._raw_value(info)
            if info.word:
                values.setdefault(info.word, {})[info.name] = value
            else:
                values[info.name] = value
        data: bytes = self.LAYOUT.build(values)
        return data

    def _raw_value(self, info: FieldInfo) -> int | bytes:
        value = getattr(self, info.name)
        where = f"{self.NAME}.{info.name}"
        if info.kind == "text":
            value = value.encode("utf-8")
        if info.kind in ("bytes", "text"):
            if not isinstance(value, bytes):
                raise UsageError(f"{value!r} is not bytes", where=where, expected="bytes")
            if info.size is None:
                return value
            if len(value) > info.size or (info.kind == "bytes" and len(value) != info.size):
                raise UsageError(f"{len(value)} bytes do not fit", where=where, expected=f"{info.size} bytes")
            return value.ljust(info.size, b"\0")
        number = int(value)
        if not _allowed(info, number):
            expected = "a listed choice" if info.choices else f"{info.low} to {info.high}"
            raise UsageError(f"{number} is out of range", where=where, expected=expected)
        return number

    @classmethod
    def decode(cls, data: bytes, *, exact: bool = False) -> tuple[Status, Self | None]:
        """Read a record from ``data``: OK and the record, or SHORT_PAYLOAD or OUT_OF_RANGE and None.

        Layouts grow at the end, so bytes after a record without a variable tail are ignored; with ``exact`` they
        are SHORT_PAYLOAD as well. Text is decoded as UTF-8 up to its first zero, broken sequences replaced: it is
        for people.
        """
        if len(data) < cls.FIXED_SIZE or (exact and not cls.HAS_TAIL and len(data) != cls.FIXED_SIZE):
            return cls.STATUS.SHORT_PAYLOAD, None
        try:
            parsed = cls.LAYOUT.parse(data)
        except construct.ConstError:
            return cls.STATUS.OUT_OF_RANGE, None
        values: dict[str, Any] = {}
        for info in cls.FIELDS:
            raw = parsed[info.word][info.name] if info.word else parsed[info.name]
            if info.kind == "text":
                raw = raw.split(b"\0", 1)[0].decode("utf-8", errors="replace")
            elif info.kind != "bytes":
                if not _allowed(info, raw):
                    return cls.STATUS.OUT_OF_RANGE, None
                raw = info.choices(raw) if info.choices else raw
            values[info.name] = raw
        return cls.STATUS.OK, cls(**values)


def _allowed(info: FieldInfo, number: int) -> bool:
    if not info.low <= number <= info.high:
        return False
    # A flag set takes any bits: a later chip may report more.
    if info.choices is None or issubclass(info.choices, IntFlag):
        return True
    return number in info.choices.__members__.values()
