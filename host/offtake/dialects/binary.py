"""Binary family: frames of sync bytes, a header with a length, a payload and a check."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from typing import cast

from offtake.dialects.checks import CHECKS
from offtake.dialects.fields import YEAR_MAX, YEAR_MIN, FieldError
from offtake.dialects.framer import MORE, NOT_A_START, Broken, Verdict
from offtake.dialects.message import FieldValue, Message
from offtake.dialects.tables import BinaryDialect, BinaryField, BinaryMessage

Values = dict[str, FieldValue]
_Extract = Callable[[bytes, int], int]
_Convert = Callable[[bytes, int, Values], FieldValue]

# What a whole frame is called whose payload is too short to say what it is; such frames fill a line.
WITHOUT_KEY = "(no key)"
_DAY_NS = 86_400_000_000_000


class BinaryFramer:
    """Judges frames of ``dialect``; see :class:`offtake.dialects.framer.Framer`."""

    def __init__(self, dialect: BinaryDialect) -> None:
        self.name = dialect.name
        self._dialect = dialect
        framing = self._framing = dialect.framing
        self._sync = bytes.fromhex(framing.sync)
        self.first_bytes = frozenset(self._sync[:1])
        self._payload_at = len(self._sync) + framing.header_size
        self._check = CHECKS[framing.check]
        self._check_from = len(self._sync) if framing.check_from == "header" else 0
        self.reach = self._payload_at + framing.payload_max + self._check.size
        self._header: dict[str, tuple[int, int]] = {}
        self._constants: list[tuple[str, int]] = []
        at = 0
        for field in framing.header:
            self._header[field.name] = (at, field.bits)
            at += field.bits
            if field.must_be is not None:
                self._constants.append((field.name, field.must_be))
        layouts = [_Layout(message, dialect) for message in dialect.messages]
        self._layouts = {key: layout for layout in layouts for key in layout.message.keys}

    def judge(self, buffer: bytes, start: int, offset: int) -> Verdict:
        """Judge the frame at ``start``."""
        sync = buffer[start : start + len(self._sync)]
        if sync != self._sync:
            return MORE if self._sync.startswith(sync) and start + len(sync) == len(buffer) else NOT_A_START
        header = buffer[start + len(self._sync) : start + self._payload_at]
        if len(header) < self._framing.header_size:
            return MORE
        for name, must_be in self._constants:
            if self._of_header(header, name) != must_be:
                return NOT_A_START
        length = self._of_header(header, "length") - self._framing.length_extra
        if not 0 <= length <= self._framing.payload_max:
            return NOT_A_START
        end = start + self._payload_at + length + self._check.size
        if end > len(buffer):
            return MORE
        raw = buffer[start:end]
        payload = raw[self._payload_at : len(raw) - self._check.size]
        key = self._key(header, payload)
        stored = int.from_bytes(raw[-self._check.size :], self._framing.check_order)
        computed = self._check.compute(raw[self._check_from : -self._check.size])
        if stored != computed:
            # Two sync bytes come by chance too: only what could be a known message counts as one with a bad check.
            layout = self._layouts.get(key)
            likely = layout is not None and length >= layout.message.payload_min
            width = 2 * self._check.size
            detail = f"check {stored:0{width}X}, computed {computed:0{width}X} over a length of {length}"
            return Broken("bad_checksum" if likely else "broken", detail)
        return self._decode(raw, payload, key, offset)

    def _of_header(self, header: bytes, name: str) -> int:
        at, bits = self._header[name]
        if self._framing.byte_order == "little":
            return int.from_bytes(header[at // 8 : (at + bits) // 8], "little")
        return int.from_bytes(header, "big") >> (8 * len(header) - at - bits) & ((1 << bits) - 1)

    def _key(self, header: bytes, payload: bytes) -> int:
        key = 0
        for name in self._framing.key:
            key = key << self._header[name][1] | self._of_header(header, name)
        if self._framing.key_bits and 8 * len(payload) >= self._framing.key_bits:
            key = int.from_bytes(payload, "big") >> (8 * len(payload) - self._framing.key_bits)
        return key

    def _decode(self, raw: bytes, payload: bytes, key: int, offset: int) -> Message:
        too_short = 8 * len(payload) < self._framing.key_bits
        text = WITHOUT_KEY if too_short else self._dialect.key_text(key)
        layout = self._layouts.get(key)
        if layout is None or too_short:
            return Message(self.name, "", text, offset, raw, "unknown", "", {}, text)
        values, reason = layout.decode(payload)
        name = layout.message.name
        return Message(self.name, "", name, offset, raw, "invalid" if reason else "decoded", reason, values, text)


class _Layout:
    """One message's converters, ready to run."""

    def __init__(self, message: BinaryMessage, dialect: BinaryDialect) -> None:
        self.message = message
        self._converters = _compile(message.fields, dialect)

    def decode(self, payload: bytes) -> tuple[Values, str]:
        """Return values by name, and the first reason why the message is invalid (empty: it is valid)."""
        if len(payload) < self.message.payload_min:
            return {}, f"a payload of {len(payload)} bytes, expected at least {self.message.payload_min}"
        return _convert_all(self._converters, payload, 0)


def _convert_all(converters: Sequence[tuple[str, _Convert]], payload: bytes, base: int) -> tuple[Values, str]:
    values: Values = {}
    reason = ""
    for name, convert in converters:
        try:
            values[name] = convert(payload, base, values)
        except FieldError as error:
            reason = reason or str(error)
    return values, reason


def _compile(fields: Sequence[BinaryField], dialect: BinaryDialect) -> list[tuple[str, _Convert]]:
    return [(field.name, _conditional(field, _PLAIN[field.kind](field, dialect))) for field in fields]


def _conditional(field: BinaryField, convert: _Convert) -> _Convert:
    if not field.when:
        return convert

    def converted(payload: bytes, base: int, values: Values) -> FieldValue:
        return convert(payload, base, values) if values.get(field.when) is True else None

    return converted


def _extractor(dialect: BinaryDialect, bit: int, bits: int, signed: bool = False) -> _Extract:
    """A function of the payload and the first bit of the group that returns a raw integer."""
    if dialect.framing.byte_order == "little":
        at, size = bit // 8, bits // 8

        def little(payload: bytes, base: int) -> int:
            start = at + base // 8
            return int.from_bytes(payload[start : start + size], "little", signed=signed)

        return little
    mask, half = (1 << bits) - 1, 1 << bits - 1

    def big(payload: bytes, base: int) -> int:
        first = base + bit
        part = payload[first // 8 : (first + bits + 7) // 8]
        value = int.from_bytes(part, "big") >> (-(first + bits) % 8) & mask
        return value - (1 << bits) if signed and value >= half else value

    return big


def _raw(field: BinaryField, dialect: BinaryDialect) -> _Extract:
    extract = _extractor(dialect, field.bit, field.bits, field.encoding == "signed")
    if field.part_bits:
        low, mask = field.part_low, (1 << field.part_bits) - 1
        return lambda payload, base: extract(payload, base) >> low & mask
    if field.encoding == "sign_magnitude":
        half = 1 << field.bits - 1

        def magnitude(payload: bytes, base: int) -> int:
            value = extract(payload, base)
            return half - value if value >= half else value

        return magnitude
    return extract


def _number(field: BinaryField, dialect: BinaryDialect) -> _Convert:
    raw = _raw(field, dialect)
    fine = _extractor(dialect, field.fine_bit, 8, True) if field.fine_bit >= 0 else None
    absent, up, down, whole, ratio = field.absent, field.scale_up, field.scale_down, field.is_whole, field.fine_ratio
    minimum, maximum = field.minimum, field.maximum

    def convert(payload: bytes, base: int, _values: Values) -> FieldValue:
        number = raw(payload, base)
        if number in absent:
            return None
        if fine is not None:
            number = number * ratio + fine(payload, base)
        # One division of whole numbers: Python rounds it correctly.
        value = number * up if whole else number * up / down
        if minimum is not None and value < minimum:
            raise FieldError(f"{field.name}: {value} is below {minimum}")
        if maximum is not None and value > maximum:
            raise FieldError(f"{field.name}: {value} is above {maximum}")
        return value

    return convert


def _code(field: BinaryField, dialect: BinaryDialect) -> _Convert:
    raw = _raw(field, dialect)
    letters = dialect.letter_set(field.letters)
    names = {int(code): name for code, name in letters.codes}

    def convert(payload: bytes, base: int, _values: Values) -> FieldValue:
        number = raw(payload, base)
        if number in field.absent:
            return None
        name = names.get(number, letters.other)
        if name is None:
            raise FieldError(f"{field.name}: {number} is none of {', '.join(map(str, names))}")
        return name

    return convert


def _flag(field: BinaryField, dialect: BinaryDialect) -> _Convert:
    raw = _raw(field, dialect)
    return lambda payload, base, _values: raw(payload, base) != 0


def _mask(field: BinaryField, dialect: BinaryDialect) -> _Convert:
    """Numbers of the bits that are set, the first (highest) bit being number 1."""
    raw = _raw(field, dialect)

    def convert(payload: bytes, base: int, _values: Values) -> FieldValue:
        bits = f"{raw(payload, base):0{field.bits}b}"
        return tuple(number for number, bit in enumerate(bits, start=1) if bit == "1")

    return convert


def _text(field: BinaryField, dialect: BinaryDialect) -> _Convert:
    """Characters of Latin-1 up to the first zero byte; whoever shows them cleans them."""

    def convert(payload: bytes, base: int, _values: Values) -> FieldValue:
        start = (base + field.bit) // 8
        return payload[start : start + field.bits // 8].split(b"\0")[0].decode("latin-1") or None

    return convert


def _nanoseconds(field: BinaryField, bit: int, dialect: BinaryDialect) -> _Extract:
    """Nanoseconds from midnight, which may lie before it or after the next one."""
    parts = [_extractor(dialect, bit + 8 * index, 8) for index in range(3)]
    fraction = _extractor(dialect, field.fraction_bit, 32, True) if field.fraction_bit >= 0 else None

    def extract(payload: bytes, base: int) -> int:
        hour, minute, second = (part(payload, base) for part in parts)
        if hour > 23 or minute > 59 or second > 60 or (second == 60 and (hour, minute) != (23, 59)):
            raise FieldError(f"{field.name}: {hour:02d}:{minute:02d}:{second:02d} is not a time of day")
        seconds = (hour * 60 + minute) * 60 + second
        return seconds * 1_000_000_000 + (fraction(payload, base) if fraction else 0)

    return extract


def _time_of_day(field: BinaryField, dialect: BinaryDialect) -> _Convert:
    """Microseconds from UTC midnight, rounded down."""
    nanoseconds = _nanoseconds(field, field.bit, dialect)

    def convert(payload: bytes, base: int, _values: Values) -> FieldValue:
        time = nanoseconds(payload, base)
        if not -_DAY_NS <= time < 2 * _DAY_NS:
            raise FieldError(f"{field.name}: the fraction of a second is more than a day")
        return (time + _DAY_NS if time < 0 else time) // 1000

    return convert


def _date(field: BinaryField, dialect: BinaryDialect) -> _Convert:
    year = _extractor(dialect, field.bit, 16)
    month, day = (_extractor(dialect, field.bit + at, 8) for at in (16, 24))
    nanoseconds = _nanoseconds(field, field.time_bit, dialect) if field.time_bit >= 0 else None

    def convert(payload: bytes, base: int, _values: Values) -> FieldValue:
        parts = year(payload, base), month(payload, base), day(payload, base)
        if parts == (0, 0, 0):
            return None
        if not YEAR_MIN <= parts[0] <= YEAR_MAX:
            raise FieldError(f"{field.name}: year {parts[0]} is outside {YEAR_MIN} to {YEAR_MAX}")
        try:
            date = dt.date(*parts)
        except ValueError:
            raise FieldError(f"{field.name}: day {parts[2]}, month {parts[1]}, year {parts[0]} is no date") from None
        before_midnight = nanoseconds is not None and nanoseconds(payload, base) < 0
        return date - dt.timedelta(days=1) if before_midnight else date

    return convert


def _groups(field: BinaryField, dialect: BinaryDialect) -> _Convert:
    inner = _compile(field.fields, dialect)

    def convert(payload: bytes, base: int, values: Values) -> FieldValue:
        start = base + field.bit
        room = max(0, 8 * len(payload) - start) // field.bits
        count = values.get(field.count_field) if field.count_field else room
        if not isinstance(count, int) or count > room:
            raise FieldError(f"{field.name}: {count} of them said, the payload has room for {room}")
        groups = []
        for index in range(count):
            group, reason = _convert_all(inner, payload, start + index * field.bits)
            if reason:
                raise FieldError(f"{field.name}[{index}].{reason}")
            groups.append(group)
        return cast("tuple[Mapping[str, FieldValue], ...]", tuple(groups))

    return convert


_PLAIN: dict[str, Callable[[BinaryField, BinaryDialect], _Convert]] = {
    "number": _number,
    "code": _code,
    "flag": _flag,
    "mask": _mask,
    "text": _text,
    "date": _date,
    "time_of_day": _time_of_day,
    "groups": _groups,
}
