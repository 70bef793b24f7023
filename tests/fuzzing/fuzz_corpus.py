"""Makes the seed corpus in ``corpus/`` from the spec's vectors and the tests' makers: the same files every time.

Run it to write the folder anew: ``.venv/bin/python tests/fuzzing/fuzz_corpus.py``.
"""

from __future__ import annotations

import random
import struct
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "host"))

from fuzz_build import ROOT, record_names
from journal_maker import JOURNAL_ID, Maker
from offtake.generated.records import BLOCK_SIZE, LINK_VERSION, MESSAGES, PACKETS, GreetPacket, ReadPacket, WhenFull

FOLDER = Path(__file__).with_name("corpus")
VECTORS = ROOT / "shared_spec" / "vectors"
MEASURED = ROOT / "tests" / "golden" / "release_2" / "measured.jnl"
Seeds = dict[str, list[bytes]]


def _cases(layer: str) -> Iterator[dict[str, Any]]:
    for path in sorted(VECTORS.glob("*.toml")):
        for case in tomllib.loads(path.read_text(encoding="utf-8"))["case"]:
            if case["layer"] == layer:
                yield case


def _frames() -> list[bytes]:
    made = []
    for case in _cases("frame"):
        head = struct.pack("<BII", 0, case["journal_id"], case["block_number"])
        made.append(head + bytes.fromhex(case["bytes"]))
    return made


def _blocks() -> list[bytes]:
    cases = list(dict.fromkeys(bytes.fromhex(case["bytes"]) for case in _cases("block")))
    return [b"\0" + data for data in cases[::2]] + [b"\x01" + cases[1]]


def _headers() -> list[bytes]:
    cases = [bytes.fromhex(case["bytes"]) for case in _cases("journal_header")]
    return [b"\0" + data for data in cases[:2]] + [b"\x01" + data[:80] for data in cases[2::2]]


def _records() -> list[bytes]:
    names = record_names()
    made = []
    for case in list(_cases("payload"))[::2]:
        code = case["code"]
        if code in MESSAGES:
            made.append(bytes([names.index(f"message_{MESSAGES[code].NAME}")]) + bytes.fromhex(case["bytes"]))
    for case in _cases("packet"):
        if case["status"] == "ok" and len(case["bytes"]) < 120:
            kind = case["values"]["kind"]
            coded = bytes.fromhex(case["bytes"])
            made.append(bytes([names.index(f"packet_{PACKETS[kind].NAME}")]) + coded[3:-2])
    made.append(bytes([names.index("head_journal_header")]) + next(iter(_headers()))[1:32])
    return made


def _change(place: int, offset: int, content: bytes) -> bytes:
    return struct.pack("<BHB", place, offset, len(content)) + content


def _cards() -> list[bytes]:
    """Changes where a hostile card would lie. Bases and their sectors: fuzz_build.BASES, in the order of the card."""
    fat16, fat32, fat16_parts, fat32_bare = range(4)
    u16 = struct.Struct("<H").pack
    u32 = struct.Struct("<I").pack
    made = [bytes([base]) for base in range(4)]
    # FAT16 without partition table: 0 boot sector, 1 and 2 the tables, 3 root directory, 4 journal header.
    made += [
        bytes([fat16]) + _change(0, 13, b"\x80"),  # sectors of a cluster
        bytes([fat16]) + _change(0, 14, u16(0xFFFF)),  # reserved sectors
        bytes([fat16]) + _change(0, 22, u16(0xFFFF)) + _change(0, 16, b"\xff"),  # sectors and number of the tables
        bytes([fat16]) + _change(0, 17, u16(0xFFFF)),  # root directory's entries
        bytes([fat16]) + _change(0, 510, b"\0\0"),  # no 55 AA
        bytes([fat16]) + _change(1, 4, u16(2)),  # the chain's first cluster names itself
        bytes([fat16]) + _change(1, 8, u16(3)),  # the chain comes back
        bytes([fat16]) + _change(1, 8, u16(0xFFF7)),  # a bad cluster in the chain
        bytes([fat16]) + _change(1, 8, u16(0)),  # a free one
        bytes([fat16]) + _change(3, 32 + 28, u32(0xFFFFFFFF)),  # the file's size
        bytes([fat16]) + _change(3, 32 + 26, u16(0xFFF0)),  # its first cluster
        bytes([fat16]) + _change(4, 14, u32(0xFFFFFFFF)),  # blocks in the journal's header
    ]
    # FAT32 in a partition: 0 partition table, 1 boot sector, 5 first table.
    made += [
        bytes([fat32]) + _change(0, 446 + 8, u32(0xFFFFFFF0)),  # the partition's first sector
        bytes([fat32]) + _change(0, 446 + 4, b"\0"),  # its type
        bytes([fat32]) + _change(1, 36, u32(0x7FFFFFFF)),  # sectors of a table
        bytes([fat32]) + _change(1, 36, u32(0x80000000)) + _change(1, 32, u32(0xFFFFFFFF)),  # twice that is 2^32
        bytes([fat32]) + _change(1, 44, u32(0x0FFFFFFF)),  # the root's cluster
        bytes([fat32]) + _change(5, 8, u32(2)),  # the root's chain bites its tail
        bytes([fat32_bare]) + _change(0, 13, b"\x40"),
        # The root directory is a cluster without a free entry, and its chain bites its tail.
        bytes([fat32_bare]) + _change(0, 44, u32(5)) + _change(4, 20, u32(5)),
        bytes([fat16_parts]) + _change(2, 2 * 8, u16(0x0009)),
    ]
    return made


def _hostile_journals() -> list[bytes]:
    """Kinds as in c/fuzz_journal.c: 0 fill, 1 next, 2 number, 3 foreign, 4 damaged, 5 zero, 6 half, 7 repeat."""
    head = struct.Struct("<BBH").pack
    repeat = bytes.fromhex
    return [
        head(0, 0, 48) + repeat("07 05"),
        head(0, 1, 48) + repeat("07 2e"),
        head(0, 1, 48) + repeat("07 05 00 00 07 05"),
        head(0, 0, 48) + repeat("07 04 04 20 04 20 07 03"),
        head(1, 1, 300) + repeat("07 ff 07 28"),
        head(1, 0, 300) + repeat("07 60 05 05 05 06 07 20"),
        head(2, 1, 64) + repeat("02 40 00 00 07 10 02 01 00 00 07 20"),
        head(2, 0, 64) + repeat("03 03 07 03 03 03"),
        head(3, 1, 40) + repeat("02 ff ff ff 07 20"),
        head(3, 0, 2),
        head(3, 0, 42) + repeat("07 05"),
        head(0, 1, 48) + b"".join(b"\x02" + struct.pack("<HB", 1 + i + 47 * (i % 5), 0) for i in range(47)),
    ]


def _say(op: int, kind: int, sequence: int, content: bytes = b"") -> bytes:
    return bytes([op, kind, sequence, len(content)]) + content


def _desk_talks() -> list[bytes]:
    """Talks as in c/fuzz_desk.c: 0 bytes, 1 a packet, 2 a header packet, 3 a pause."""
    greet = _say(1, 1, 2, GreetPacket(LINK_VERSION).encode())

    def read(offset: int, length: int, chunk: int) -> bytes:
        return _say(1, 4, 3, ReadPacket(offset, length, chunk).encode())

    def speed(baud: int) -> bytes:
        return _say(1, 6, 4, struct.pack("<I", baud))

    settings = struct.pack("<BBIIIBHH", 1, 1, 7, 48, 9600, 4, 700, 60)
    talks = [
        greet,
        _say(1, 2, 9),
        read(0, 1024, 512),
        read(0, 64, 32),
        read(512 * 48, 512, 512) + read(512 * 47, 512, 512),
        read(0xFFFFFE00, 0x200, 512) + read(0x200, 0xFFFFFE00, 512),
        read(0, 0, 32) + read(0, 0xFFFFFFE0, 32),
        read(1, 1, 1) + read(0, 512, 0) + read(0, 512, 1024),
        speed(1_000_000) + greet,
        speed(57_600) + _say(3, 120, 0),
        speed(0) + speed(0xFFFFFFFF) + speed(9599),
        speed(250_000) + speed(500_000) + speed(9_600) + _say(3, 200, 0) + greet,
        _say(2, 7, 5, settings),
        _say(2, 7, 5, b"\x02" + settings[1:]) + _say(1, 2, 6),
        _say(1, 7, 5, bytes(200)),
        _say(1, 8, 5),
        _say(1, 8, 5, b"x") + _say(1, 0x55, 1, b"abc") + _say(1, 0xFF, 1),
        _say(0, 0, 0, bytes(255)) + _say(0, 0, 0, b"\xff" * 255) * 4,
        _say(0, 0, 0, bytes.fromhex("00 ff 01 00 01 00 05 02 00")),
    ]
    return [bytes([index % 4]) + talk for index, talk in enumerate(talks)]


def _journals() -> list[bytes]:
    rng = random.Random(20261125)
    made = []
    for blocks, runs, when in ((8, (3,), WhenFull.STOP), (8, (2, 2, 2), WhenFull.STOP), (6, (4, 7), WhenFull.WRAP)):
        maker = Maker(blocks=blocks, when_full=when)
        for run in runs:
            maker.flight(rng, run)
        made.append(maker.whole())
    straight = made[0]
    torn = bytearray(made[1])
    torn[3 * BLOCK_SIZE + 200 : 4 * BLOCK_SIZE] = rng.randbytes(BLOCK_SIZE - 200)
    foreign = Maker(blocks=8, journal_id=JOURNAL_ID + 1)
    foreign.flight(rng, 5)
    mixed = straight[: 3 * BLOCK_SIZE] + foreign.whole()[3 * BLOCK_SIZE :]
    shifted = straight[:700] + straight[707:]
    plain = [*made, bytes(torn), mixed, shifted, straight[BLOCK_SIZE:], straight[:1300]]
    sealed = [b"\x03" + made[1][: 5 * BLOCK_SIZE], b"\x01" + made[2], b"\x03" + MEASURED.read_bytes()[: 6 * BLOCK_SIZE]]
    return [b"\0" + data for data in plain] + sealed + [b""]


def _packets() -> list[bytes]:
    coded = [bytes.fromhex(case["bytes"]) for case in _cases("packet") if len(case["bytes"]) < 400]
    made = [b"\0\xff\0" + data + b"\0" for data in coded[::2]]
    made.append(b"\0\x06" + b"\0".join(coded))
    made += [b"\x01\xff" + bytes.fromhex(text) for text in ("8209", "0101", "04010000000000000002000002", "ff0102")]
    return made


SENTENCES = (
    b"$GPGGA,120000.00,5230.0000,N,01320.0000,E,1,08,1.0,40.0,M,45.0,M,,*00\n"
    b"$GPRMC,120000.00,A,5230.0000,N,01320.0000,E,1.0,90.0,251126,,,A*00\n"
    b"$GPGSA,A,3,01,02,03,04,,,,,,,,,1.8,1.0,1.5*00\n"
    b"$GPGSV,2,1,08,01,40,083,46,02,17,308,41,03,07,344,39,04,22,228,45*00\n"
    b"$GPVTG,90.0,T,,M,1.0,N,1.9,K,A*00\n"
)


# Invented binary frames with sync B5 62 and D3; the target makes their checks right.
POSITION = b"\xb5\x62" + struct.pack(
    "<BBHIHBBBBBBIiBBBBiiiiIIiiiiiIIHHIihH2x", 1, 7, 92, 302_400_000, 2026, 11, 25, 12, 0, 0, 7, 20, -1000, 3, 1, 0, 9,
    133_000_000, 525_000_000, 85_000, 40_000, 900, 1500, 300, 400, -20, 500, 5_313_000, 90, 200_000, 180, 0, 0, 0, 0, 0,
)  # fmt: skip
SATELLITES = b"\xb5\x62" + struct.pack(
    "<BBHIBBHBBBbhhIBBBbhhI2x", 1, 0x35, 32, 302_400_000, 1, 2, 0, 0, 5, 44, 60, 359, -12, 8, 6, 24, 0, -91, 0, 0, 0
)
STATION = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")


def _streams() -> list[bytes]:
    """Invented messages; their checksums are made right by the target where the first byte says so."""
    lines = SENTENCES.splitlines(keepends=True)
    made = [b"\x01\xff" + SENTENCES, b"\x01\x04" + SENTENCES, b"\x05\x28" + SENTENCES, b"\0\x07" + SENTENCES]
    made += [b"\x01\xff" + line for line in lines]
    made.append(b"\x01\xff" + SENTENCES.replace(b"120000", b"235959") + SENTENCES.replace(b"120000", b"000000"))
    made.append(b"\0\x03$$GP\r\n*41!" + bytes(range(256)))
    mixed = SENTENCES + POSITION + SENTENCES[:80] + STATION + SATELLITES + lines[1]
    made += [b"\x03\xff" + mixed, b"\x02\x07" + mixed, b"\x07\x28" + mixed, b"\x02\xff" + mixed[90:]]
    made += [b"\x02\x30" + frame for frame in (POSITION, SATELLITES, STATION)]
    # A false start with the longest length, before messages that are whole.
    made.append(b"\x01\x20\xb5\x62\x01\x07\x00\x20\xd3\x03\xff" + SENTENCES)
    return made


def _specs() -> list[bytes]:
    replace = struct.Struct("<BHB").pack
    made = [replace(index, 0, 0) for index in range(7)]
    texts = (b"= -1\n", b"[[", b'"""', b"[a]", b"9")
    made += [replace(index, 300 * index + 40, 3) + text for index, text in enumerate(texts)]
    return made


def seeds() -> Seeds:
    """Each corpus folder's inputs, in order."""
    return {
        "frame": _frames(),
        "block": _blocks(),
        "record": _records(),
        "header": _headers(),
        "fat": _cards(),
        "journal": _hostile_journals(),
        "desk": _desk_talks(),
        "py_journal": _journals(),
        "py_packets": _packets(),
        "py_dialects": _streams(),
        "py_spec": _specs(),
    }


def write(folder: Path) -> int:
    """Writes every seed below ``folder``, takes out what is no seed; returns their number."""
    count = 0
    for name, inputs in seeds().items():
        (folder / name).mkdir(parents=True, exist_ok=True)
        wanted = {f"{index:02d}": data for index, data in enumerate(inputs)}
        for path in (folder / name).iterdir():
            if path.name not in wanted:
                path.unlink()
        for file, data in wanted.items():
            (folder / name / file).write_bytes(data)
        count += len(wanted)
    return count


if __name__ == "__main__":
    write(FOLDER)
