"""Journals of every kind with seeded damage of every kind, to hold the bulk readers against the block by block ones."""

from __future__ import annotations

import random
from collections.abc import Callable

from journal_maker import FILL, JOURNAL_ID, Maker, run_start
from measured_logs import own_descriptions
from offtake.generated.records import (
    BLOCK_HEADER_SIZE,
    BLOCK_SIZE,
    BLOCK_SPACE,
    Analogue,
    Description,
    EndReason,
    Event,
    Level,
    Loss,
    LossCause,
    PressureConstants,
    Raw,
    RawMore,
    RunEnd,
    RunStart,
)
from offtake.journal.codec import encode_block, encode_frame, read_block_header, seal

SOIL = bytes([1, 100, 4]) + b"soil" + bytes([0x61, 8]) + b"moisture" + bytes([63, 1, 0, 1]) + b"%"


def any_frame(rng: random.Random) -> tuple[int, bytes]:
    kind = rng.randrange(12)
    if kind < 4:
        return rng.choice((Raw.CODE, RawMore.CODE)), rng.randbytes(rng.randrange(1, 90))
    if kind == 4:
        return Loss.CODE, Loss(rng.choice(list(LossCause)), rng.randrange(1, 99)).encode()[: rng.choice((5, 5, 5, 3))]
    if kind == 5:
        return Event.CODE, rng.choice((Event(Level.HIGH, 1).encode(), b"\x07\0\0", b""))
    if kind == 6:
        return 100, rng.randbytes(rng.choice((2, 2, 1)))
    if kind == 7:
        return rng.choice(((99, b"later"), (Description.CODE, SOIL), (PressureConstants.CODE, bytes(24))))
    return Analogue.CODE, Analogue(rng.randrange(5000), 2).encode()[: rng.choice((4, 4, 4, 1))]


def run_of(maker: Maker, rng: random.Random, blocks: int) -> None:
    """A run with descriptions, the receiver's bytes, measurements and what nobody knows."""
    maker.run += 1
    tick = rng.choice((rng.randrange(2000), 2**32 - 500_000))
    described = [SOIL, *own_descriptions()] if rng.random() < 0.6 else []
    first = [(RunStart.CODE, run_start().encode()), *((Description.CODE, payload) for payload in described)]
    for index in range(blocks):
        frames: list[tuple[int, int, bytes]] = []
        size = offset = 0
        for _ in range(rng.randrange(0, 12)):
            code, payload = first.pop(0) if first else any_frame(rng)
            frame = len(encode_frame(code, 2**31, payload, 1, 1))
            if size + frame > BLOCK_SPACE - 20:
                break
            size += frame
            offset += rng.randrange(0, 9000) if not first else 0
            frames.append((code, offset, payload))
        if index == blocks - 1 and rng.random() < 0.7:
            frames.append((RunEnd.CODE, offset, RunEnd(EndReason.DESK).encode()))
        maker.block(tick % 2**32, frames)
        tick += offset + rng.randrange(1, 60_000)


def journal(rng: random.Random) -> bytearray:
    """A journal, straight or wrapped, whole or as a pull takes it."""
    blocks = rng.choice((14, 40, 90))
    maker = Maker(blocks)
    for _ in range(rng.choice((1, 2, 5))):
        run_of(maker, rng, rng.randrange(1, 40))
    whole = maker.number >= blocks - 1 or rng.random() < 0.5
    return bytearray(maker.whole() if whole else maker.used())


def _some(data: bytearray, rng: random.Random) -> int:
    return rng.randrange(1, max(2, len(data) // BLOCK_SIZE))


def _put(data: bytearray, position: int, block: bytes) -> None:
    data[position * BLOCK_SIZE : (position + 1) * BLOCK_SIZE] = block


def _get(data: bytearray, position: int) -> bytes:
    return bytes(data[position * BLOCK_SIZE : (position + 1) * BLOCK_SIZE])


def flip_bits(data: bytearray, rng: random.Random) -> None:
    for _ in range(rng.randrange(1, 9)):
        data[rng.randrange(BLOCK_SIZE, len(data))] ^= 1 << rng.randrange(8)


def spoil_stretch(data: bytearray, rng: random.Random) -> None:
    first = _some(data, rng)
    filling = rng.choice((b"\x55", b"\xd7", b"\0", b"\xff", b""))
    for position in range(first, min(len(data) // BLOCK_SIZE, first + rng.randrange(1, 9))):
        _put(data, position, filling * BLOCK_SIZE or rng.randbytes(BLOCK_SIZE))


def spoil_both_ends(data: bytearray, rng: random.Random) -> None:
    for position in (1, 2, len(data) // BLOCK_SIZE - 1):
        _put(data, position, b"\x55" * BLOCK_SIZE)


def copy_block(data: bytearray, rng: random.Random) -> None:
    for _ in range(rng.randrange(1, 4)):
        _put(data, _some(data, rng), _get(data, _some(data, rng)).ljust(BLOCK_SIZE, b"\0"))


def swap_stretches(data: bytearray, rng: random.Random) -> None:
    one, other, count = _some(data, rng), _some(data, rng), rng.randrange(1, 7)
    for _ in range(count):
        if max(one, other) < len(data) // BLOCK_SIZE:
            kept = _get(data, one)
            _put(data, one, _get(data, other))
            _put(data, other, kept)
        one, other = one + 1, other + 1


def lose_sectors(data: bytearray, rng: random.Random) -> None:
    at = _some(data, rng) * BLOCK_SIZE
    del data[at : at + BLOCK_SIZE * rng.randrange(1, 4)]


def reverse(data: bytearray, rng: random.Random) -> None:
    data[BLOCK_SIZE:] = b"".join(_get(data, position) for position in reversed(range(1, len(data) // BLOCK_SIZE)))


def cut(data: bytearray, rng: random.Random) -> None:
    del data[rng.randrange(1, len(data)) :]


def lose_header(data: bytearray, rng: random.Random) -> None:
    data[:BLOCK_SIZE] = rng.choice((bytes(BLOCK_SIZE), FILL, rng.randbytes(BLOCK_SIZE), b"\x55" * BLOCK_SIZE))


def no_header(data: bytearray, rng: random.Random) -> None:
    del data[:BLOCK_SIZE]


def put_foreign(data: bytearray, rng: random.Random) -> None:
    other = Maker(40, 0x0DDBA11)
    run_of(other, rng, 39)
    for position in range(_some(data, rng), len(data) // BLOCK_SIZE):
        if rng.random() < 0.5:
            _put(data, position, other.whole()[BLOCK_SIZE * 3 : BLOCK_SIZE * 4])


def rubbish_in_sealed(data: bytearray, rng: random.Random) -> None:
    """Frames that do not parse, in blocks whose check holds."""
    for _ in range(4):
        position = _some(data, rng)
        block = bytearray(_get(data, position))
        if len(block) == BLOCK_SIZE:
            at = rng.randrange(BLOCK_HEADER_SIZE, BLOCK_SIZE - 4)
            block[at : at + 3] = rng.randbytes(3)
            _put(data, position, seal(bytes(block[: BLOCK_SIZE - 4])))


def other_frames_under_a_number(data: bytearray, rng: random.Random) -> None:
    """A second block of a number that another one has, of another run, with frames of its own."""
    for _ in range(3):
        header = read_block_header(_get(data, _some(data, rng)).ljust(BLOCK_SIZE, b"\0"))
        number = max(1, header.block_number % 200)
        content = b"".join(encode_frame(*frame, JOURNAL_ID, number) for frame in _frames(rng))
        _put(
            data, _some(data, rng), encode_block(JOURNAL_ID, number, rng.randrange(1, 4), rng.randrange(2**32), content)
        )


def _frames(rng: random.Random) -> list[tuple[int, int, bytes]]:
    return [(code, rng.randrange(9000), payload) for code, payload in (any_frame(rng) for _ in range(3))]


def shifts_without_end(data: bytearray, rng: random.Random) -> None:
    """Each block further out of its place, more of them than readers follow."""
    for position in range(1, len(data) // BLOCK_SIZE):
        number = position * rng.choice((7, 8))
        content = encode_frame(*_frames(rng)[0], JOURNAL_ID, number)
        _put(data, position, encode_block(JOURNAL_ID, number, 1, 9 * position, content))


def nothing(data: bytearray, rng: random.Random) -> None:
    """Leave it whole."""


WAYS: tuple[Callable[[bytearray, random.Random], None], ...] = (
    nothing, flip_bits, spoil_stretch, spoil_both_ends, copy_block, swap_stretches, lose_sectors, reverse, cut,
    lose_header, no_header, put_foreign, rubbish_in_sealed, other_frames_under_a_number, shifts_without_end,
)  # fmt: skip


def damaged(seed: int, *ways: Callable[[bytearray, random.Random], None]) -> bytes:
    """A journal of this seed, damaged in these ways, one after the other."""
    rng = random.Random(seed)
    data = journal(rng)
    for way in ways:
        if len(data) > 2 * BLOCK_SIZE:
            way(data, rng)
    return bytes(data)
