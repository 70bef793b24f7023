"""Runs every native kernel on hostile input; a test starts it with the library built under sanitizers.

The checks of blocks, frames and sentences are made right again after each damage, so that it reaches what lies behind
them.
"""

from __future__ import annotations

import random
import sys
from functools import reduce

import numpy as np
from mixed_streams import any_message
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.generated.dialects import DIALECTS
from offtake.generated.records import BLOCK_SIZE, BLOCK_SPACE
from offtake.journal.bulk.stream import StreamWindow
from offtake.native import Kernels, kernels
from offtake.native.build import load_library
from offtake.track.bulk_epochs import EpochGrouper

FLAGS = ("-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-fno-omit-frame-pointer")
BODY = "0123456789.,,,,,,-+ANESWVM*$GPL"


def sealed(body: bytes) -> bytes:
    """A sentence with the right checksum, whatever stands in it."""
    return b"$" + body + b"*%02X\r\n" % reduce(lambda one, two: one ^ two, body, 0)


def hostile_sentence(rng: random.Random) -> bytes:
    """A known name before anything."""
    name = rng.choice(["GGA", "RMC", "GSA", "GSV", "VTG", "GLL", "ZDA", "GST", "GNS", "HDT", "XYZ", ""])
    talker = rng.choice(["GP", "GN", "GL", "G", "", "P"])
    length = rng.choice([0, 1, 5, 30, 60, 70, 74, 75, 76, 90, 300])
    body = "".join(rng.choice(BODY.replace("*", "").replace("$", "")) for _ in range(rng.randrange(length + 1)))
    if rng.random() < 0.3:
        body = "," * rng.randrange(100)
    return sealed(f"{talker}{name},{body}".encode())


def altered_sentence(rng: random.Random) -> bytes:
    """A good sentence with some characters changed."""
    text = any_message(rng)
    if text[:1] != b"$":
        return text
    body = bytearray(text[1 : text.rindex(b"*")])
    for _ in range(rng.randrange(4)):
        body[rng.randrange(len(body))] = ord(rng.choice(BODY.replace("*", "").replace("$", "")))
    return sealed(bytes(body))


def sky_sentence(rng: random.Random) -> bytes:
    """Sentences about satellites, sets complete and not."""
    number, of = rng.randrange(5), rng.randrange(5)
    groups = ",".join(
        rng.choice([f"{rng.randrange(130):02d},{rng.randrange(99)},{rng.randrange(400)},{rng.randrange(99)}", ",,,"])
        for _ in range(rng.randrange(6))
    )
    if rng.random() < 0.3:
        used = ",".join(str(rng.randrange(100)) for _ in range(12))
        return sealed(f"G{rng.choice('PLNAB')}GSA,A,3,{used},1.1,1.0,0.9,{rng.randrange(7)}".encode())
    return sealed(f"G{rng.choice('PLNAB')}GSV,{of},{number},{rng.randrange(20)},{groups}".encode())


def stream(rng: random.Random) -> bytes:
    """Messages of every kind with noise between some."""
    makers = [hostile_sentence, altered_sentence, sky_sentence, any_message, any_message]
    parts = [rng.choice(makers)(rng) for _ in range(rng.randrange(1, 120))]
    for _ in range(rng.randrange(4)):
        parts.insert(rng.randrange(len(parts) + 1), rng.randbytes(rng.randrange(40)))
    data = b"".join(parts)
    return data[: rng.randrange(len(data) + 1)] if rng.random() < 0.3 else data


def hear(data: bytes, rng: random.Random) -> None:
    """Decode and group a stream, window by window."""
    grouper = EpochGrouper(tuple(DIALECTS.values()), 1, 57_600, at_once=rng.choice([1, 200, 4 << 20]))
    at = 0
    while at < len(data):
        size = rng.choice([1, 7, 300, 5000])
        piece = data[at : at + size]
        window = StreamWindow(at, piece, np.array([at]), np.array([at * 174]), np.array([rng.random() < 0.05]))
        grouper.window(window)
        at += len(piece)
    grouper.finish()


def walk(kernels: Kernels, rng: random.Random) -> None:
    """Frames in blocks that claim to be intact."""
    total = rng.randrange(1, 9)
    data = bytearray(rng.randbytes(total * BLOCK_SIZE))
    for at in range(0, len(data), rng.choice([3, 8, 17, 60])):
        data[at] = rng.choice([0, 1, 5, 0x7F, 0x80, 0xFF])
    blocks = np.array(sorted(rng.sample(range(total), rng.randrange(total + 1))), np.int64)
    used = np.array([rng.randrange(BLOCK_SPACE + 1) for _ in blocks], np.int32)
    checked = np.array([rng.random() < 0.7 for _ in range(total)], np.bool_)
    # An exact copy on the heap, so that one byte too far is seen.
    found = kernels.frames(bytes(data), blocks, used, total, rng.randrange(2**32), checked)
    ends = found.payload_at + found.payload_size
    assert (ends <= len(data)).all()
    kernels.block_seals(bytes(data), total)
    starts = np.array([rng.randrange(len(data) + 1) for _ in range(20)], np.int64)
    sizes = np.array([rng.randrange(len(data) + 1 - int(start)) for start in starts], np.int64)
    kernels.crc32_many(bytes(data), starts, starts + sizes, np.zeros(20, np.uint32))
    kernels.pieces(bytes(data), starts, sizes)


def main() -> None:
    """``FIRST COUNT``: seeds."""
    found = load_library(FLAGS)
    assert found is not None, "the kernels do not compile under sanitizers"
    assert found[1].ot_kernels_self_test() == 0
    sanitized = Kernels(*found)
    # The package has a function of the module's name.
    sys.modules["offtake.native.kernels"].__dict__["_loaded"] = lambda: sanitized
    assert kernels() is sanitized
    first, count = map(int, sys.argv[1:])
    StreamDecoder(chosen_dialects())
    for seed in range(first, first + count):
        print(f"seed {seed}", flush=True)
        rng = random.Random(seed)
        hear(stream(rng), rng)
        walk(sanitized, rng)
    print("done", flush=True)


if __name__ == "__main__":
    main()
