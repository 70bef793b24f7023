"""Seeded streams of any dialect, made from its tables, hostile values and damage included."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import reduce
from operator import xor

from mixed_streams import noise
from offtake.dialects.checks import CHECKS
from offtake.dialects.tables import (
    AnyDialect,
    BinaryDialect,
    BinaryField,
    BinaryFraming,
    BinaryMessage,
    Dialect,
    Field,
    Sentence,
)

# Texts that look like a number, a time or a date and are none, or are one only just.
ODD = (
    "", "", "0", "00", "-0", "+0", "-0.0", "+.5", "5.", ".", "-", "+", "+-1", "--1", "1e5", "nan", "inf", "0x1", "1_0",
    " 1", "1 ", "00000000000000000000000001", "9007199254740993", "9007199254740993.0", "18446744073709551616",
    "9223372036854775808", "-9223372036854775809", "0.1234567890123456789012345", "123456789012345.678", "1" * 25,
    "99999999999999999999999999.9", "235960", "235960.5", "235959.9999999", "240000", "120060", "126000", "12:00:00",
    "120000.", "120000.1234567", "120000..5", "310404", "290200", "290201", "000101", "010180", "010179", "1.2.3",
    "0000", "9000", "9000.", "9000.0000000001", "0060.0", "18000.00000", "18000.00001", "00000.0", "0 ",
    "0059.99999999999999999", "4500.000000000000000000000001", "8959.9999999999999999999999", "A", "a", "AB", "N", "S",
    "E", "W", "M", "m", "~", "F" * 20, "fF", "-F", "\x7e", "1980", "2200",
)  # fmt: skip


@dataclass
class Maker:
    """Makes messages of ``dialects``. ``oddness`` is the chance that a value is hostile: other in each message."""

    rng: random.Random
    dialects: Sequence[AnyDialect]
    oddness: float = 0.0

    def message(self) -> bytes:
        """Some message of some dialect, known or not, its check mostly right; a sentence mostly with its line end."""
        self.oddness = self.rng.choice([0.0, 0.01, 0.05, 0.2])
        dialect = self.rng.choice(self.dialects)
        if isinstance(dialect, BinaryDialect):
            return self._frame(dialect)
        return self._sentence(dialect)

    def stream(self, messages: int, damage: float = 0.1) -> bytes:
        """Messages with noise between, cut, joined, repeated inside one another."""
        parts: list[bytes] = []
        for _ in range(messages):
            part = self.message()
            if self.rng.random() < damage:
                at = self.rng.randrange(len(part) + 1)
                inserted = self.rng.choice([b"", self.message(), noise(self.rng, 5), part[:at]])
                part = part[:at] + inserted + part[at + self.rng.choice([0, 0, 1, 5, 50]) :]
            if self.rng.random() < damage:
                part += noise(self.rng, 8)
            parts.append(part)
        return b"".join(parts)

    def portions(self, size: int, count: int) -> list[tuple[int, int]]:
        """Cuts of ``size`` bytes into portions from start to end."""
        places = sorted(self.rng.randrange(size + 1) for _ in range(count))
        return list(zip([0, *places], [*places, size], strict=True))

    def _odd(self) -> bool:
        return self.rng.random() < self.oddness

    def _sentence(self, dialect: Dialect) -> bytes:
        rng, framing, rule = self.rng, dialect.framing, dialect.address
        sentence = rng.choice(dialect.sentences)
        talker = "".join(rng.choice("GPNAB") for _ in range(rule.talker_letters))
        address = sentence.name if sentence.name.startswith(rule.proprietary) else talker + sentence.name
        if self._odd():
            shorter = talker[: rng.randrange(len(talker) + 1)] + sentence.name
            others = ["", "P", talker, address + "X", address[:-1], address.lower(), shorter, "P" + sentence.name]
            address = rng.choice([*others, sentence.name, "P" + rule.talker_letters * "X" + sentence.name, "G~GGA"])
        columns = [address, *self._columns(sentence, dialect)]
        if self._odd():
            cut = rng.randrange(1, len(columns) + 1)
            columns = rng.choice([columns[:cut], [*columns, *[""] * rng.randrange(1, 5)], [*columns, "7"]])
        body = framing.separator.join(columns).encode("ascii")
        check = b"%02X" % reduce(xor, body, 0)
        if self._odd():
            check = rng.choice([check.lower(), check[:1], b"G0", b"00", check])
        start, end = rng.choice(framing.starts).encode(), framing.line_end.encode()
        return start + body + framing.check_mark.encode() + check + rng.choice([end, end, end, b""])

    def _columns(self, sentence: Sentence, dialect: Dialect) -> list[str]:
        full = [""] * sentence.columns_full
        for field in sentence.fields:
            texts = self._texts(field, dialect)
            full[field.at - 1 : field.at - 1 + len(texts)] = texts
        groups = next((field for field in sentence.fields if field.kind == "groups"), None)
        if groups is None:
            return full[: self.rng.choice([len(full), len(full), sentence.columns_min])]
        # Fewer groups: all that remain stand before the columns behind them.
        first = groups.at - 1 + groups.group_columns * self.rng.randrange(groups.count + 1)
        return full[:first] + full[groups.end :]

    def _texts(self, field: Field, dialect: Dialect) -> list[str]:
        rng = self.rng
        if field.kind == "groups":
            texts: list[str] = []
            for _ in range(field.count):
                group = [""] * field.group_columns
                for inner in field.fields if rng.random() < 0.9 else ():
                    inner_texts = self._texts(inner, dialect)
                    group[inner.at - 1 : inner.at - 1 + len(inner_texts)] = inner_texts
                texts += group
            return texts
        columns = field.columns
        if self._odd():
            return [rng.choice(ODD) for _ in range(columns)]
        if rng.random() < 0.1:
            return [""] * columns
        return self._sound(field, dialect)

    def _sound(self, field: Field, dialect: Dialect) -> list[str]:
        rng, kind = self.rng, field.kind
        if kind == "time_of_day":
            fraction = rng.choice(["", ".", f".{rng.randrange(100):02d}", f".{rng.randrange(10**7)}"])
            return [f"{rng.randrange(24):02d}{rng.randrange(60):02d}{rng.randrange(60):02d}{fraction}"]
        if kind == "date_ddmmyy":
            return [f"{self._day():02d}{rng.randrange(1, 13):02d}{rng.randrange(100):02d}"]
        if kind == "date_parts":
            return [str(self._day()), f"{rng.randrange(1, 13):02d}", str(rng.choice([1979, 1980, 2024, 2199, 2200]))]
        if kind in ("latitude", "longitude"):
            degrees = f"{rng.randrange(90):02d}" if kind == "latitude" else f"{rng.randrange(180):03d}"
            minutes = f"{rng.randrange(60):02d}" + self._decimals(20)
            return [degrees + minutes, rng.choice("NS" if kind == "latitude" else "EW")]
        if kind == "letter":
            return [rng.choice(dialect.letter_set(field.letters).codes)[0]]
        if kind == "letters":
            codes = [code for code, _ in dialect.letter_set(field.letters).codes]
            return ["".join(rng.choice(codes) for _ in range(rng.randrange(5)))]
        if kind == "text":
            return ["".join(rng.choice("AZaz09 -_<&'\"~") for _ in range(rng.randrange(8)))]
        if kind in ("integer", "list"):
            return [self._integer(field) for _ in range(field.columns)]
        number = self._number(field)
        if kind == "signed_number":
            return [number, rng.choice([field.positive, field.negative])]
        return [number, rng.choice([field.unit_letter] * 3 + [""])] if field.unit_letter else [number]

    def _day(self) -> int:
        return self.rng.choice([1, 2, 28, 28, 29, 30, 31]) if self._odd() else self.rng.randrange(1, 29)

    def _decimals(self, most: int) -> str:
        digits = self.rng.choice([0, 1, 2, 4, 5, 8, self.rng.randrange(most)])
        return "." + "".join(self.rng.choice("0123456789") for _ in range(digits)) if self.rng.random() < 0.9 else ""

    def _number(self, field: Field) -> str:
        rng = self.rng
        edges = [edge for edge in (field.minimum, field.maximum) if edge is not None]
        if edges:
            outside = [0.001, -0.001, 1, -1] if self._odd() else [0]
            inside = str(rng.uniform(max([*edges[:1], 0.2]), min([*edges[1:], 0.9])))
            return rng.choice([str(rng.choice(edges) + rng.choice(outside)), inside, inside[: rng.randrange(3, 9)]])
        sign = rng.choice(["", "", "", "-", "+"])
        return sign + str(rng.randrange(10 ** rng.choice([1, 2, 3, 5, 9, 16]))) + self._decimals(18)

    def _integer(self, field: Field) -> str:
        rng = self.rng
        edges = [int(edge) for edge in (field.minimum, field.maximum) if edge is not None]
        outside = [0, 1, -1] if self._odd() else [0]
        value = rng.choice([*edges, rng.randrange(1, 9)]) + rng.choice(outside) if edges else rng.randrange(120)
        if field.base == 16:
            return f"{abs(value):x}" if rng.random() < 0.5 else f"{abs(value):02X}"
        return rng.choice([str(value), f"{value:02d}", "+" + str(abs(value)), ""])

    def _frame(self, dialect: BinaryDialect) -> bytes:
        message = self.rng.choice(dialect.messages)
        return self.frame(dialect, self.rng.choice(message.keys), self._payload(message, dialect))

    def frame(self, dialect: BinaryDialect, key: int, payload: bytes) -> bytes:
        """A frame of ``dialect`` around ``payload``."""
        rng, framing = self.rng, dialect.framing
        header = {field.name: rng.randrange(2**field.bits) for field in framing.header}
        header.update({field.name: field.must_be for field in framing.header if field.must_be is not None})
        if self._odd():
            header[rng.choice(framing.header).name] = 1
            key = key + 1 if key == 0 else key - 1
        if framing.key_bits:
            first = key << -framing.key_bits % 8
            size = (framing.key_bits + 7) // 8
            rest = payload[size - 1] & (1 << -framing.key_bits % 8) - 1 if len(payload) >= size else 0
            payload = (first | rest).to_bytes(size, "big")[: len(payload)] + payload[size:]
        else:
            for name in reversed(framing.key):
                bits = next(field.bits for field in framing.header if field.name == name)
                header[name] = key & 2**bits - 1
                key >>= bits
        length = next(field for field in framing.header if field.name == "length")
        header["length"] = min(len(payload) + framing.length_extra, 2**length.bits - 1)
        return _sealed(framing, header, payload, wrong=rng.random() < self.oddness / 3)

    def _payload(self, message: BinaryMessage, dialect: BinaryDialect) -> bytes:
        rng = self.rng
        groups = message.fields[-1] if message.fields[-1].kind == "groups" else None
        count = rng.choice([0, 1, 2, 3, rng.randrange(12)])
        size = message.payload_min if groups is None else (groups.bit + count * groups.bits + 7) // 8
        if self.oddness and rng.random() < 0.15:
            size = max(0, size + rng.choice([-2, -1, -1, -1, 1, 2, 7, 30]))
        size = min(size, dialect.framing.payload_max)
        filler = rng.choice([rng.randbytes(size), bytes(size), b"\xff" * size])
        bits = _Bits(bytearray(filler), dialect.framing.byte_order)
        counted = groups.count_field if groups else ""
        for field in message.fields:
            if field.name == counted:
                wrong = self._odd()
                bits.put(field.bit, field.bits, count + (rng.choice([-1, 1, 200]) if wrong else 0))
            elif field.kind != "groups":
                self._fill(bits, field, 0)
        if groups:
            for index in range(count):
                for field in groups.fields:
                    self._fill(bits, field, groups.bit + index * groups.bits)
        return bytes(bits.data)

    def _fill(self, bits: _Bits, field: BinaryField, base: int) -> None:
        """Mostly something sound, with its range's ends and its absent values among it."""
        rng = self.rng
        if field.kind == "date":
            odd = self._odd()
            bits.put(base + field.bit, 16, rng.choice([0, 1979, 2200] if odd else [1980, 2023, 2024, 2199]))
            bits.put(base + field.bit + 16, 8, rng.choice([0, 1, 2, 2, 6, 12, 13] if odd else [1, 2, 12]))
            bits.put(base + field.bit + 24, 8, rng.choice([0, 28, 29, 30, 31, 32] if odd else [1, 2, 28]))
            if rng.random() < 0.05:
                bits.put(base + field.bit, 32, 0)
        elif field.kind == "time_of_day":
            wrong = [(24, 0, 0), (0, 60, 0), (5, 5, 60), (5, 5, 61)]
            parts = rng.choice(wrong if self._odd() else [(0, 0, 0), (23, 59, 60), (23, 59, 59), (12, 34, 56)])
            for index, part in enumerate(parts):
                bits.put(base + field.bit + 8 * index, 8, part)
            if field.fraction_bit >= 0 and rng.random() < 0.8:
                fraction = rng.choice([0, 1, -1, -999, -1000, 10**9 - 1, -(2**31), 2**31 - 1])
                bits.put(base + field.fraction_bit, 32, fraction)
        elif field.kind == "text":
            letters = rng.choice([b"AB\0CD", b"\xe9\xff\x80 <", b"", b"name"])
            for index, byte in enumerate(letters.ljust(field.bits // 8, b"\0")[: field.bits // 8]):
                bits.put(base + field.bit + 8 * index, 8, byte)
        elif not self._odd():
            bits.put(base + field.bit, field.bits, rng.choice(list(self._raws(field))))

    def _raws(self, field: BinaryField) -> Iterator[int]:
        rng, bits = self.rng, field.bits
        yield from (0, 1)
        yield from field.absent
        edges = [edge for edge in (field.minimum, field.maximum) if edge is not None]
        if not edges and field.kind != "code":
            yield from (2**bits - 1, 2 ** (bits - 1), 2 ** (bits - 1) - 1)
            yield from (rng.randrange(2**bits), rng.randrange(2 ** ((bits + 1) // 2)))
        for edge in edges:
            raw = int(Fraction(edge) * field.scale_down / field.scale_up)
            yield from (raw - 1, raw + 1) if self._odd() else (raw,)


@dataclass(frozen=True)
class _Bits:
    """Writes numbers into bytes, apart from the code that reads them."""

    data: bytearray
    order: str

    def put(self, bit: int, bits: int, value: int) -> None:
        if bit + bits > 8 * len(self.data):
            return
        value &= 2**bits - 1
        for index in range(bits):
            at = bit + index
            if self.order == "little":
                mask, set_bit = 1 << at % 8, value >> index & 1
            else:
                mask, set_bit = 0x80 >> at % 8, value >> bits - 1 - index & 1
            self.data[at // 8] = self.data[at // 8] & ~mask | (mask if set_bit else 0)


def _sealed(framing: BinaryFraming, header: dict[str, int], payload: bytes, wrong: bool) -> bytes:
    if framing.byte_order == "little":
        head = b"".join(header[field.name].to_bytes(field.bits // 8, "little") for field in framing.header)
    else:
        number = 0
        for field in framing.header:
            number = number << field.bits | header[field.name]
        head = number.to_bytes(framing.header_size, "big")
    sync, check = bytes.fromhex(framing.sync), CHECKS[framing.check]
    covered = (sync if framing.check_from == "sync" else b"") + head + payload
    number = check.compute(covered) ^ (1 if wrong else 0)
    return sync + head + payload + number.to_bytes(check.size, framing.check_order)
