"""Two invented dialects that use every kind of field in every way a dialect may, and random messages of them."""

from __future__ import annotations

import random
import zlib

from binary_frames import sentence
from offtake.dialects.tables import AnyDialect, BinaryDialect, Dialect
from offtake.spec.dialect import parse_dialect

TEXT = """
[dialect]
name = "every_text"
title = "Every kind of column"
family = "sentence"
doc = "Invented."
[framing]
starts = "$#"
separator = ","
check = "xor8"
check_mark = "*"
line_end = "\\n"
max_length = 300
[address]
talker_letters = 2
name_letters = 3
proprietary = "P"
[letters.state]
doc = "One of two."
codes = { A = "on", V = "off" }
[letters.open]
doc = "Anything else has a name too."
codes = { A = "on", V = "off" }
other = "off"
[sentences.ALL]
doc = "Every kind."
fields = [
  { at = 1, name = "time_of_day_us", kind = "time_of_day", doc = "." },
  { at = 2, name = "date", kind = "date_ddmmyy", doc = "." },
  { at = 3, name = "latitude_deg", kind = "latitude", doc = "." },
  { at = 5, name = "longitude_deg", kind = "longitude", doc = "." },
  { at = 7, name = "parts", kind = "date_parts", doc = "." },
  { at = 10, name = "bounded_m", kind = "number", unit = "m", unit_letter = "M", min = -5.5, max = 100, doc = "." },
  { at = 12, name = "free", kind = "number", doc = "." },
  { at = 13, name = "sided", kind = "signed_number", positive = "E", negative = "W", min = -9, doc = "." },
  { at = 15, name = "whole", kind = "integer", doc = "." },
  { at = 16, name = "hex", kind = "integer", base = 16, min = 0, max = 1000000, doc = "." },
  { at = 17, name = "one", kind = "letter", letters = "state", doc = "." },
  { at = 18, name = "open", kind = "letter", letters = "open", doc = "." },
  { at = 19, name = "each", kind = "letters", letters = "state", doc = "." },
  { at = 20, name = "words", kind = "text", doc = "." },
  { at = 21, name = "numbers", kind = "list", count = 4, min = -3, doc = "." },
  { at = 25, name = "late", kind = "number", optional = true, doc = "." },
]
[sentences.GRP]
doc = "Groups of every kind, and something behind them."
fields = [
  { at = 1, name = "total", kind = "integer", doc = "." },
  { at = 2, name = "groups", kind = "groups", count = 3, doc = ".", fields = [
    { at = 1, name = "one", kind = "letter", letters = "open", doc = "." },
    { at = 2, name = "latitude_deg", kind = "latitude", doc = "." },
    { at = 4, name = "each", kind = "letters", letters = "state", doc = "." },
    { at = 5, name = "words", kind = "text", doc = "." },
    { at = 6, name = "numbers", kind = "list", count = 2, doc = "." },
  ] },
  { at = 23, name = "late", kind = "integer", base = 16, optional = true, doc = "." },
  { at = 24, name = "later", kind = "text", optional = true, doc = "." },
]
[sentences.PQX]
doc = "A usual name that begins like a maker's own."
fields = [{ at = 1, name = "value", kind = "number", doc = "." }]
[sentences.PQXYZ]
doc = "A maker's own."
fields = [{ at = 1, name = "value", kind = "integer", doc = "." }]
"""

LITTLE = """
[dialect]
name = "every_little"
title = "Every kind of field, lowest byte first"
family = "binary"
doc = "Invented."
[framing]
sync = "A7 10"
byte_order = "little"
header = [{ name = "length", bits = 16 }, { name = "kind", bits = 8 }]
key = ["kind"]
payload_max = 400
length_counts = "payload_and_check"
check = "crc32"
check_from = "header"
check_order = "little"
[codes.state]
doc = "One of two."
values = { 0 = "off", 200 = "on" }
[codes.open]
doc = "Anything else has a name too."
values = { 0 = "off", 1 = "on" }
other = "strange"
[messages.all]
key = "01"
doc = "Every kind."
fields = [
  { at = 0, type = "u8", part = [0, 1], kind = "flag", name = "first", doc = "." },
  { at = 0, type = "u8", part = [1, 1], kind = "flag", name = "second", when = "first", doc = "." },
  { at = 1, type = "i8", name = "small", absent = [-1], min = -100, doc = "." },
  { at = 2, type = "i24", scale = "0.001", name = "middle_m", unit = "m", max = 8000, doc = "." },
  { at = 5, type = "s16", scale = "1e-3", name = "magnitude", doc = "." },
  { at = 7, type = "u64", name = "large", absent = [0], doc = "." },
  { at = 15, type = "u64", scale = "1000", name = "beyond", doc = "." },
  { at = 23, type = "i64", scale = "1e-9", name = "fine_fraction", doc = "." },
  { at = 31, type = "i32", fine_at = 35, fine_ratio = 100, scale = "1e-9", name = "precise", min = -1, doc = "." },
  { at = 36, kind = "date", name = "date", time_at = 40, fraction_at = 43, when = "second", doc = "." },
  { at = 40, kind = "time_of_day", name = "time_of_day_us", fraction_at = 43, doc = "." },
  { at = 47, kind = "date", name = "plain_date", doc = "." },
  { at = 51, type = "u8", kind = "code", codes = "state", name = "state", absent = [255], doc = "." },
  { at = 52, type = "u16", part = [3, 2], kind = "code", codes = "open", name = "open", doc = "." },
  { at = 54, type = "u16", kind = "mask", name = "bits", when = "first", doc = "." },
  { at = 56, kind = "text", size = 6, name = "label", doc = "." },
  { at = 62, type = "i8", name = "count", doc = "." },
  { at = 63, kind = "groups", size = 5, count = "count", name = "groups", when = "first", doc = ".", fields = [
    { at = 0, type = "u8", part = [7, 1], kind = "flag", name = "known", doc = "." },
    { at = 1, type = "i16", scale = "0.1", name = "value", min = -3000, when = "known", doc = "." },
    { at = 3, type = "u8", kind = "code", codes = "open", name = "kind", doc = "." },
    { at = 4, kind = "text", size = 1, name = "letter", doc = "." },
  ] },
]
[messages.rest]
key = "02"
doc = "Groups up to the end."
fields = [
  { at = 1, kind = "groups", size = 3, name = "groups", doc = ".", fields = [
    { at = 0, type = "u24", name = "value", max = 16000000, doc = "." },
  ] },
]
"""

BIG = """
[dialect]
name = "every_big"
title = "Every kind of field, highest bit first"
family = "binary"
doc = "Invented."
[framing]
sync = "C3"
byte_order = "big"
header = [{ name = "version", bits = 3, must_be = 5 }, { name = "length", bits = 13 }]
key_bits = 7
payload_max = 300
check = "sum8"
check_from = "sync"
check_order = "big"
[codes.open]
doc = "Anything else has a name too."
values = { 0 = "off", 1 = "on" }
other = "strange"
[messages.bits]
keys = [3, 5]
doc = "Fields of every width."
fields = [
  { type = "u7", name = "number", doc = "." },
  { type = "u1", kind = "flag", name = "known", doc = "." },
  { type = "i38", scale = "0.0001", name = "long_m", unit = "m", doc = "." },
  { type = "s5", name = "magnitude", doc = "." },
  { type = "u64", kind = "mask", name = "ids", doc = "." },
  { type = "i64", name = "wide", when = "known", doc = "." },
  { type = "u3", kind = "code", codes = "open", name = "state", doc = "." },
  { type = "u13", part = [2, 9], scale = "0.5", name = "part", max = 200, doc = "." },
  { type = "u4", name = "count", doc = "." },
  { kind = "groups", size_bits = 11, count = "count", name = "groups", doc = ".", fields = [
    { type = "i6", name = "value", min = -30, doc = "." },
    { type = "u5", kind = "mask", name = "ids", doc = "." },
  ] },
]
"""


def _parsed(text: str) -> AnyDialect:
    return parse_dialect(text, "bulk_dialects.py")


EVERY_TEXT, EVERY_LITTLE, EVERY_BIG = _parsed(TEXT), _parsed(LITTLE), _parsed(BIG)
assert isinstance(EVERY_TEXT, Dialect)
assert isinstance(EVERY_LITTLE, BinaryDialect)
assert isinstance(EVERY_BIG, BinaryDialect)
EVERY = (EVERY_TEXT, EVERY_LITTLE, EVERY_BIG)

NUMBERS = (
    "", "0", "-0", "-0.0", "+1.5", ".5", "-.25", "5.", "12.345", "100", "100.00001", "-5.5", "-5.51", "12345678.9",
    "123456789", "123456789.123456789", "0.1234567", "0.12345678", "0.123456789", "99999999.99999999", "9" * 18,
    "9" * 19, "-" + "9" * 30, "1" * 101, ".", "-", "+-1", "1.2.3", "1..2",
    "+", "1:3", "12/4.5", "1.2;", "1e5", "0x1", " 1", "1 ", "00012.500",
    "-7", "3", "7",
)  # fmt: skip
COLUMNS: dict[str, tuple[str, ...]] = {
    "time": (
        "", "000000", "235959.999999", "235960.5", "235960", "225960", "120060", "240000", "126000", "120000.",
        "120000.1234567", "120000.12345678", "120000.123456789", "12000", "1200000", "-12000", "12000a",
        "120000.1.2", "12.0000",
    ),
    "date": (
        "", "010203", "10203", "00010203", "290224", "290223", "311299", "000101", "010001",
        "320101", "0102034", "1.0203",
        "31128a", "310480",
    ),
    "latitude": (
        "", "4530.5", "9000.000", "9000.0001", "8959.9999999", "0000.00000", "4560.0", "4559.123456789", "453.5",
        "04530.5", "4530", "4530.", "-4530", "+530.5", "45x0.5",
    ),
    "longitude": (
        "", "12330.5", "18000.0", "18000.00000001", "00000.0", "17959.12345678", "12360", "1233.5", "-2330.5",
    ),
    "part": (
        "", "1", "01", "31", "0", "001", "12", "13", "a", "1" * 30, "2000", "1979", "2199", "2200", "20000", "-200",
    ),
    "side": (
        "N", "S", "E", "W", "", "X", "NN", "M",
    ),
    "letter": (
        "", "A", "V", "x", "AV", "~",
    ),
    "letters": (
        "", "A", "AVVA", "AVx", "~",
    ),
    "text": (
        "", "hello", "a b.c", "<b>&\"'", "-", "~" * 20,
    ),
    "hex": (
        "", "0", "f", "F4240", "F4241", "0000000f", "000000001", "g", "-1", "+1", "1.", "f" * 16,
    ),
}  # fmt: skip
_ALL = (
    "time", "date", "latitude", "side", "longitude", "side", "part", "part", "part", "number", "side", "number",
    "number", "side", "number", "hex", "letter", "letter", "letters", "text", "number", "number", "number", "number",
    "number",
)  # fmt: skip
ADDRESSES = ("GPALL", "XYALL", "GPALL", "GPGRP", "PQ,,X", "PQX", "PQXYZ", "GPPQX", "GPABC", "GPALLX", "AL", "")
_GROUP = ("letter", "latitude", "side", "letters", "text", "number", "number")
_PLAIN = {
    "time": "120000.5", "date": "010203", "latitude": "4530.5", "longitude": "12330.5", "part": "01", "number": "7",
    "side": "E", "letter": "A", "letters": "AV", "text": "word", "hex": "f",
}  # fmt: skip


def column(rng: random.Random, kind: str, wild: float) -> str:
    """A column's text; ``wild`` is how often it is anything but a plain one."""
    if rng.random() >= wild:
        return rng.choice((_PLAIN[kind], _PLAIN[kind], ""))
    return rng.choice(NUMBERS if kind == "number" else COLUMNS[kind])


def every_column() -> list[bytes]:
    """Sentences that are plain but for one column, which takes every text that its kind has here."""
    sentences = []
    base = [_PLAIN[kind] for kind in _ALL]
    for at, sides in ((3, "N"), (5, "E"), (10, "M"), (13, "E")):
        base[at] = sides
    base[8] = "2003"
    for at, kind in enumerate(_ALL):
        for one in NUMBERS if kind == "number" else COLUMNS[kind]:
            columns = [*base[:at], one, *base[at + 1 :]]
            sentences.append(sentence(",".join(["GPALL", *columns])))
            sentences.append(sentence(",".join(["GPALL", *columns[: at + 1]])))
    return sentences


def text_message(rng: random.Random, wild: float) -> bytes:
    """A sentence of the invented dialect, seldom with too few or too many columns."""
    name = rng.choice(ADDRESSES)
    if name.endswith("ALL"):
        columns = [column(rng, kind, wild) for kind in _ALL]
        # A number's side must fit it, or hardly any row would be sound.
        for at, sides in ((3, "NS"), (5, "EW"), (10, "M"), (13, "EW")):
            if rng.random() >= wild:
                columns[at] = rng.choice(sides)
        if rng.random() >= wild:
            columns[6:9] = rng.choice((["01", "2", "2003"], ["29", "02", "2024"], ["", "", ""]))
    elif name.endswith("GRP"):
        groups = rng.choice((0, 1, 2, 3, 3, 4))
        columns = [column(rng, "number", wild)]
        for _ in range(groups):
            filled = rng.random() < 0.8
            columns += [column(rng, kind, wild) if filled else "" for kind in _GROUP]
            if filled and rng.random() >= wild:
                columns[-5] = "N"
        columns += [column(rng, "hex", wild), column(rng, "text", wild)][: rng.randrange(3)]
    else:
        columns = [column(rng, "number", wild)]
    if rng.random() < wild / 4:
        columns = columns[: rng.randrange(len(columns) + 1)] + [""] * rng.randrange(3)
    framed = sentence(",".join([name, *columns]))
    return framed if rng.random() < 0.7 else b"#" + framed[1:-2] + b"\n"


def little_message(rng: random.Random, wild: float) -> bytes:
    """A frame of the invented dialect with its lowest byte first."""
    kind = rng.choice((1, 1, 1, 2, 3))
    size = rng.choice((63, 64, 68, 73, 90)) if kind == 1 else rng.randrange(20)
    payload = bytearray(rng.randbytes(size))
    if kind == 1 and rng.random() >= wild:
        payload[36:47] = (2024).to_bytes(2, "little") + bytes([2, 29, 0, 0, rng.randrange(3)]) + rng.randbytes(4)
        payload[31:35] = rng.randrange(-1000, 1000).to_bytes(4, "little", signed=True)
        payload[47:51] = rng.choice((bytes(4), b"\xe8\x07\x0c\x1f"))
        payload[51] = rng.choice((0, 200, 255))
        payload[62] = rng.choice((0, 1, (size - 63) // 5, 255))
    if kind == 1 and rng.random() < wild / 4:
        payload = payload[: rng.randrange(size)]
    body = (len(payload) + 4).to_bytes(2, "little") + bytes([kind]) + payload
    return b"\xa7\x10" + body + zlib.crc32(body).to_bytes(4, "little")


def big_message(rng: random.Random, wild: float) -> bytes:
    """A frame of the invented dialect with its highest bit first."""
    size = 26 if rng.random() >= wild else rng.choice((0, 1, 20, 25, 30, 45))
    payload = bytearray(rng.randbytes(size))
    if size:
        payload[0] = rng.choice((3, 3, 5, 9)) << 1 | payload[0] & 1
    if size > 24 and rng.random() >= wild:
        # 199 bits stand before the groups; the last four of them say how many there are.
        bits = int.from_bytes(payload, "big")
        shift = 8 * size - 199
        bits = bits & ~(15 << shift) | rng.randrange(max(1, min(16, shift // 11 + 1))) << shift
        payload = bytearray(bits.to_bytes(size, "big"))
    body = b"\xc3" + (5 << 13 | size).to_bytes(2, "big") + payload
    return body + bytes([sum(body) & 0xFF])


def every_message(rng: random.Random, wild: float) -> bytes:
    """A message of one of the invented dialects."""
    return rng.choice((text_message, text_message, little_message, big_message))(rng, wild)
