"""The loader of binary dialects refuses what it does not understand and says where."""

from __future__ import annotations

import re
import struct

import pytest
from binary_frames import decode
from offtake.dialects.checks import CHECKS
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import Message
from offtake.dialects.tables import BinaryDialect
from offtake.errors import SpecError
from offtake.spec.dialect import parse_dialect

HEAD = """
[dialect]
name = "small"
title = "Small"
family = "binary"
doc = "A dialect for tests."
"""

LITTLE = (
    HEAD
    + """
[framing]
sync = "AA 55"
byte_order = "little"
header = [{ name = "version", bits = 8, must_be = 3 }, { name = "kind", bits = 8 }, { name = "length", bits = 16 }]
key = ["kind"]
payload_max = 200
check = "crc32"
check_from = "header"
check_order = "little"

[codes.state]
doc = "States."
values = { 0 = "off", 1 = "on" }

[messages.all_kinds]
key = "11"
doc = "One field of each kind."
fields = [
    { at = 0, type = "i16", scale = "0.25", name = "height_m", unit = "m", min = -100, max = 100, absent = [-32768], doc = "Height." },
    { at = 2, type = "u8", part = [4, 2], name = "level", doc = "Two bits." },
    { at = 2, type = "u8", part = [0, 1], kind = "flag", name = "valid", doc = "Valid." },
    { at = 3, type = "u8", kind = "code", codes = "state", name = "state", doc = "State." },
    { at = 4, kind = "text", size = 6, name = "label", doc = "Label." },
    { at = 10, type = "s32", name = "turns", when = "valid", doc = "Sign and magnitude." },
    { at = 14, type = "u8", kind = "mask", name = "channels", doc = "Channels." },
    { at = 15, type = "u64", name = "serial", doc = "Serial number." },
    { at = 23, kind = "groups", size = 2, name = "pairs", doc = "To the payload's end.", fields = [
        { at = 0, type = "u8", name = "one", doc = "One." },
        { at = 1, type = "i8", name = "two", doc = "Two." },
    ] },
]
"""  # noqa: E501
)

BIG = (
    HEAD
    + """
[framing]
sync = "7E"
byte_order = "big"
header = [{ name = "flags", bits = 4 }, { name = "kind", bits = 16 }, { name = "length", bits = 12 }]
length_counts = "payload_and_check"
key = ["kind"]
payload_max = 200
check = "fletcher8"
check_from = "sync"
check_order = "little"

[messages.bits]
key = "AB CD"
doc = "Odd sizes."
fields = [
    { type = "u3", name = "three", doc = "Three bits." },
    { type = "i5", name = "five", doc = "Five bits, two's complement." },
    { type = "s11", name = "eleven", doc = "Eleven bits, sign and magnitude." },
    { bit = 20, type = "u13", scale = "1e-3", name = "thirteen", doc = "Over three bytes." },
    { type = "u2", name = "count", doc = "Groups." },
    { kind = "groups", size_bits = 7, count = "count", name = "sevens", doc = "Groups of seven bits.", fields = [
        { type = "u6", name = "six", doc = "Six." },
        { type = "u1", kind = "flag", name = "last", doc = "Last." },
    ] },
]
"""
)


def binary(text: str) -> BinaryDialect:
    dialect = parse_dialect(text, "small.toml")
    assert isinstance(dialect, BinaryDialect)
    return dialect


def small(payload: bytes, kind: int = 0x11, version: int = 3) -> bytes:
    body = struct.pack("<BBH", version, kind, len(payload)) + payload
    return b"\xaa\x55" + body + struct.pack("<I", CHECKS["crc32"].compute(body))


def one(frame: bytes, text: str = LITTLE) -> Message:
    (message,) = decode(frame, StreamDecoder([binary(text)]))
    return message


def payload(height: int = 10, level: int = 0x21, state: int = 1, turns: int = 0x80000005) -> bytes:
    return struct.pack("<hBB6sIBQ", height, level, state, b"ab\0cd\xe9", turns, 0b10000001, 2**64 - 1)


def test_every_kind_is_read() -> None:
    message = one(small(payload() + bytes([1, 0xFF, 2, 0x7F, 9])))
    assert (message.state, message.key, message.name) == ("decoded", "11", "all_kinds")
    assert message.values == {
        "height_m": 2.5,
        "level": 2,
        "valid": True,
        "state": "on",
        "label": "ab",
        "turns": -5,
        "channels": (1, 8),
        "serial": 2**64 - 1,
        "pairs": ({"one": 1, "two": -1}, {"one": 2, "two": 127}),
    }


def test_absent_and_refused_values() -> None:
    values = one(small(payload(height=-32768, level=0x20))).values
    assert (values["height_m"], values["turns"], values["pairs"]) == (None, None, ())
    assert one(small(payload(height=401))).reason == "height_m: 100.25 is above 100"
    assert one(small(payload(height=-401))).reason == "height_m: -100.25 is below -100"
    assert one(small(payload(state=7))).reason == "state: 7 is none of 0, 1"
    assert one(small(payload()[:22])).reason == "a payload of 22 bytes, expected at least 23"


def test_a_header_field_that_must_be_something() -> None:
    decoder = StreamDecoder([binary(LITTLE)])
    assert decode(small(payload(), version=4), decoder) == []
    assert (decoder.counts.broken, decoder.counts.bad_checksum) == (0, 0)
    assert len(decode(small(payload()))) == 0, "no built-in dialect takes it"


def big(bits: str, kind: int = 0xABCD) -> bytes:
    size = (len(bits) + 7) // 8
    data = int(bits.ljust(8 * size, "0"), 2).to_bytes(size, "big")
    frame = b"\x7e" + (0x5 << 28 | kind << 12 | len(data) + 2).to_bytes(4, "big") + data
    return frame + CHECKS["fletcher8"].compute(frame).to_bytes(2, "little")


def test_bits_of_any_size_are_read() -> None:
    sevens = "0000110" + "1111111"
    bits = "101" + "10001" + "10000000011" + "1" + "1000000000001" + "10" + sevens
    message = one(big(bits), BIG)
    assert (message.key, message.values) == (
        "AB CD",
        {
            "three": 5,
            "five": -15,
            "eleven": -3,
            "thirteen": 4.097,
            "count": 2,
            "sevens": ({"six": 3, "last": False}, {"six": 63, "last": True}),
        },
    )
    # The lowest number has no positive twin, and zero has two signs.
    lowest = one(big("000" + "10000" + "10000000000" + "0" * 14 + "00"), BIG).values
    assert (lowest["five"], lowest["eleven"], lowest["sevens"]) == (-16, 0, ())
    short = one(big("101" + "10001" + "10000000011" + "1" + "1000000000001" + "11" + "0000110"), BIG)
    assert short.reason == "sevens: 3 of them said, the payload has room for 1"


def test_a_whole_number_stays_one_and_a_scale_is_exact() -> None:
    tenfold = LITTLE.replace('scale = "0.25"', 'scale = "10"').replace("max = 100,", "max = 1000,")
    assert one(small(payload()), tenfold).values["height_m"] == 100
    assert isinstance(one(small(payload()), tenfold).values["height_m"], int)
    third = LITTLE.replace('scale = "0.25"', 'scale = "0.1"')
    assert one(small(payload(height=3)), third).values["height_m"] == 0.3


F = "messages.all_kinds.fields"
MISTAKES = [
    ('sync = "AA 55"', 'sync = "AA5"', "framing.sync", "pairs of hexadecimal digits"),
    ('sync = "AA 55"', 'sync = ""', "framing.sync", "not empty"),
    ('sync = "AA 55"', 'sync = "AA 55 AA 55 AA"', "framing.sync", "1 to 4 bytes"),
    ('byte_order = "little"', 'byte_order = "middle"', "framing.byte_order", "'little'"),
    ('{ name = "length", bits = 16 }', '{ name = "size", bits = 16 }', "framing.header", "one of them `length`"),
    ('{ name = "length", bits = 16 }', '{ name = "length", bits = 12 }', "framing.header[2].bits", "little-endian"),
    ('{ name = "length", bits = 16 }', '{ name = "length", bits = 40 }', "framing.header[2].bits", "from 1 to 32"),
    ('name = "version", bits', 'name = "kind", bits', "framing.header", "different names"),
    ("must_be = 3", "must_be = 256", "framing.header[0].must_be", "from 0 to 255"),
    ("must_be = 3", "mustbe = 3", "framing.header[0].mustbe", "one of bits, name"),
    ('key = ["kind"]', 'key = ["length"]', "framing.key", "some of version, kind"),
    ('key = ["kind"]', 'key = ["class"]', "framing.key", "some of version, kind"),
    ('key = ["kind"]', 'key = ["kind", "kind"]', "framing.key", "different fields"),
    ('key = ["kind"]', 'key = "kind"', "framing.key", "a list of texts"),
    ('key = ["kind"]', 'key = ["kind"]\nkey_bits = 8', "framing.key", "one of"),
    ('key = ["kind"]', "key_bits = 33", "framing.key_bits", "from 1 to 32"),
    ("payload_max = 200", "payload_max = 0", "framing.payload_max", "from 1 to 65535"),
    ("payload_max = 200", "payload_max = 20", F, "at most 20"),
    ('check = "crc32"', 'check = "md5"', "framing.check", "'crc24q'"),
    ('check_from = "header"', 'check_from = "payload"', "framing.check_from", "'sync'"),
    ('check_order = "little"', 'check_order = ""', "framing.check_order", "'big'"),
    ('check_order = "little"', 'check_order = "little"\nlength_counts = "all"', "framing.length_counts", "'frame'"),
    ('1 = "on"', '01 = "on"', "codes.state.values.01", "a whole number"),
    ('1 = "on"', '"²" = "on"', "codes.state.values.²", "a whole number"),
    ('1 = "on"', f'{"1" * 5000} = "on"', f"codes.state.values.{'1' * 5000}", "a whole number"),
    ('1 = "on"', '1 = "off"', "codes.state.values", "a name of its own"),
    ("[messages.all_kinds]", "[messages.All]", "messages.All", "small letters"),
    ('key = "11"', 'key = "11 12"', "messages.all_kinds.key", "1 bytes as pairs"),
    ('key = "11"', 'key = "1g"', "messages.all_kinds.key", "hexadecimal"),
    ('key = "11"', "key = 17", "messages.all_kinds.key", "not empty"),
    ("at = 0, type", "at = -1, type", f"{F}[0].at", "from 0 to 65535"),
    ("at = 0, type", "bit = 0, type", f"{F}[0].at", "a whole number"),
    ('type = "i16"', 'type = "i12"', f"{F}[0].type", "8, 16, 24, 32 or 64 bits"),
    ('type = "i16"', 'type = "f32"', f"{F}[0].type", "u, i or s"),
    ('type = "i16"', 'type = "i0"', f"{F}[0].type", "u, i or s"),
    ('type = "i16", ', "", f"{F}[0].type", "text"),
    ('scale = "0.25"', "scale = 0.25", f"{F}[0].scale", "not empty"),
    ('scale = "0.25"', 'scale = "0"', f"{F}[0].scale", "positive decimal in quotes"),
    ('scale = "0.25"', 'scale = "-1"', f"{F}[0].scale", "positive decimal in quotes"),
    ('scale = "0.25"', 'scale = "1/3"', f"{F}[0].scale", "positive decimal in quotes"),
    ('scale = "0.25"', 'scale = "1e999"', f"{F}[0].scale", "positive decimal in quotes"),
    ('scale = "0.25"', f'scale = "{"9" * 5000}"', f"{F}[0].scale", "positive decimal in quotes"),
    ('name = "height_m"', 'name = "height"', f"{F}[0].name", "'_m'"),
    ('unit = "m"', 'unit = "furlong"', f"{F}[0].unit", "'deg'"),
    ("max = 100,", "max = -101,", f"{F}[0].max", "-100 or more"),
    ("absent = [-32768]", "absent = []", f"{F}[0].absent", "none twice"),
    ("absent = [-32768]", "absent = [1, 1]", f"{F}[0].absent", "none twice"),
    ("absent = [-32768]", "absent = [true]", f"{F}[0].absent", "none twice"),
    ("part = [4, 2]", "part = [7, 2]", f"{F}[1].part", "bits within 0 to 7"),
    ("part = [4, 2]", "part = [4]", f"{F}[1].part", "two whole numbers"),
    ('name = "level"', 'name = "height_m"', f"{F}[1].name", "a name of its own"),
    ('kind = "flag"', 'kind = "lamp"', f"{F}[2].kind", "'flag'"),
    ('type = "u8", part = [0, 1], kind', 'type = "i8", kind', f"{F}[2].type", "an unsigned type"),
    ('name = "valid"', 'name = "valid", max = 1', f"{F}[2].max", "one of name, kind"),
    ('codes = "state"', 'codes = "mode"', f"{F}[3].codes", "'state'"),
    ("size = 6", "size = 0", f"{F}[4].size", "from 1 to 65535"),
    ('when = "valid"', 'when = "level"', f"{F}[5].when", "'valid'"),
    ('type = "s32"', 'type = "s32", fine_ratio = 10', f"{F}[5].fine_ratio", "one of"),
    ("size = 2,", "size = 1,", f"{F}[8].size", "a larger size"),
    ("size = 2,", 'size = 2, count = "height_m",', f"{F}[8].count", "'level'"),
    ("size = 2,", 'size = 2, count = "pairs",', f"{F}[8].count", "'level'"),
    ('type = "i8", name = "two"', 'kind = "groups", size = 1, name = "two"', f"{F}[8].fields[1].kind", "a plain kind"),
]


@pytest.mark.parametrize(("old", "new", "key", "expected"), MISTAKES, ids=range(len(MISTAKES)))
def test_a_wrong_definition_names_file_key_and_expectation(old: str, new: str, key: str, expected: str) -> None:
    assert old in LITTLE
    with pytest.raises(SpecError) as caught:
        parse_dialect(LITTLE.replace(old, new, 1), "small.toml")
    assert re.fullmatch(rf"small\.toml line [0-9]+: {re.escape(key)}", caught.value.where)
    assert expected in caught.value.expected


@pytest.mark.parametrize(
    ("old", "new", "key", "expected"),
    [
        ('{ name = "length", bits = 12 }', '{ name = "length", bits = 11 }', "framing.header", "whole bytes"),
        ('{ name = "kind", bits = 16 }, { name = "length", bits = 12 }',
         '{ name = "kind", bits = 12 }, { name = "length", bits = 16 }', "framing.key", "whole bytes"),
        ('type = "i5"', 'type = "i1"', "messages.bits.fields[1].type", "2 bits or more"),
        ('type = "i5"', 'type = "i65"', "messages.bits.fields[1].type", "1 to 64"),
        ('type = "u3", name', 'kind = "text", size = 1, name', "messages.bits.fields[0].kind", "little-endian dialect"),
        ('type = "u3", name', 'kind = "date", name', "messages.bits.fields[0].kind", "little-endian dialect"),
        ("size_bits = 7", "size_bits = 6", "messages.bits.fields[5].size", "a larger size"),
    ],
)  # fmt: skip
def test_wrong_bits_are_refused(old: str, new: str, key: str, expected: str) -> None:
    assert old in BIG
    with pytest.raises(SpecError) as caught:
        parse_dialect(BIG.replace(old, new, 1), "small.toml")
    assert re.fullmatch(rf"small\.toml line [0-9]+: {re.escape(key)}", caught.value.where)
    assert expected in caught.value.expected


def test_two_messages_with_one_key_and_what_follows_groups() -> None:
    with pytest.raises(SpecError, match=r"messages\.again\.key: 11 is the key of 'all_kinds' too"):
        parse_dialect(
            LITTLE + '[messages.again]\nkey = "11"\ndoc = "D."\n'
            'fields = [{ at = 0, type = "u8", name = "one", doc = "One." }]\n',
            "small.toml",
        )
    after = LITTLE.rstrip().removesuffix("]") + '    { at = 0, type = "u8", name = "late", doc = "Late." },\n]\n'
    with pytest.raises(SpecError, match=r"fields\[9\]\.name: 'late' follows groups"):
        parse_dialect(after, "small.toml")


def test_codes_have_a_name_like_any_other() -> None:
    with pytest.raises(SpecError, match=r"small\.toml line [0-9]+: codes\.State: 'State' is no name"):
        parse_dialect(LITTLE.replace("[codes.state]", "[codes.State]").replace('"state",', '"State",', 1), "small.toml")


def test_a_dialect_without_a_message_is_refused() -> None:
    with pytest.raises(SpecError, match=r"small\.toml line [0-9]+: messages: "):
        parse_dialect(LITTLE[: LITTLE.index("[messages")], "small.toml")
    with pytest.raises(SpecError, match=r"small\.toml line [0-9]+: messages: no message"):
        parse_dialect(LITTLE[: LITTLE.index("[messages")] + "[messages]\n", "small.toml")
