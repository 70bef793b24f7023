"""Small wrapped journals whose blocks the corruption count spoils: seeded, with the contents most likely to deceive."""

from __future__ import annotations

import random
from dataclasses import dataclass

from journal_maker import Maker, run_start
from offtake.generated.records import (
    BLOCK_SIZE,
    BLOCK_SPACE,
    FRAME_CHECK_SIZE,
    FRAME_HEAD_SIZE,
    EndReason,
    Loss,
    LossCause,
    Raw,
    RawMore,
    RunEnd,
    RunStart,
    Supply,
)
from offtake.hostcore.corrupt import Place
from offtake.journal.codec import U32_MAX, encode_frame, encode_tick
from offtake.journal.scan import candidate_numbers, classify

BLOCKS = 14
_LAP = BLOCKS - 1


@dataclass(frozen=True)
class Spot:
    """Where a place lies: its position in the whole journal file ``data``."""

    place: Place
    position: int
    data: bytes


def spots(seed: int, journals: int) -> list[Spot]:
    """The places of ``journals`` made journals of 13 blocks each, every block written in its second lap or later."""
    rng = random.Random(seed)
    return [spot for _ in range(journals) for spot in _made(rng)]


def _made(rng: random.Random) -> list[Spot]:
    journal_id = rng.randrange(1, 2**32)
    # Block numbers of all sizes, always at the end of a lap.
    number = _LAP * rng.choice([0, 0, rng.randrange(50), rng.randrange(2**16), rng.randrange(2**32 // _LAP - 9)])
    maker = Maker(BLOCKS, journal_id, number=number, run=rng.randrange(60_000))
    older = Maker(BLOCKS, rng.choice([journal_id ^ 1, rng.randrange(1, 2**32)]), number=rng.choice([0, number]))
    maker.run += 1
    older.run += 1
    for _ in range(_LAP):
        _write(older, rng)
    before = bytearray(maker.whole())
    # The tip may be anywhere in the lap, with the lap before still behind it.
    for _ in range(2 * _LAP + rng.randrange(_LAP)):
        at = maker.position(maker.number + 1) * BLOCK_SIZE
        before[at : at + BLOCK_SIZE] = maker.data[at : at + BLOCK_SIZE]
        _write(maker, rng)
    return spots_of(maker.whole(), bytes(before), older.whole(), journal_id)


def spots_of(data: bytes, before: bytes, older: bytes, journal_id: int) -> list[Spot]:
    """The places of a whole journal file, all of whose blocks are in use; ``before`` holds at each position what lay
    there a lap before, ``older`` is the file that an older journal left, both of the same size."""
    cuts = range(0, len(data), BLOCK_SIZE)
    seen = [classify(at // BLOCK_SIZE, data[at : at + BLOCK_SIZE], journal_id) for at in cuts]
    found = []
    lap = len(seen) - 1
    for position in range(1, len(seen)):
        previous = seen[position - 1] if position > 1 else None
        following = seen[position + 1] if position < lap else None
        numbers = candidate_numbers(position, previous, following, lap)
        at = slice(position * BLOCK_SIZE, (position + 1) * BLOCK_SIZE)
        found.append(Spot(Place(journal_id, numbers, data[at], before[at], older[at]), position, data))
    return found


def _write(maker: Maker, rng: random.Random) -> None:
    frames: list[tuple[int, int, bytes]] = []
    left = BLOCK_SPACE
    tick = 0
    fill = rng.choice([_saturated, _sentences, _tiny, _flat, _nested, _messages])
    while left > 0:
        code, payload = fill(maker, rng, left)
        payload = payload[: max(0, left - FRAME_HEAD_SIZE - len(encode_tick(tick)) - FRAME_CHECK_SIZE)]
        frame = encode_frame(code, tick, payload, maker.journal_id, maker.number + 1)
        # A message cut short by the block's end, or a block that was closed early.
        if len(frame) > left or (code not in (Raw.CODE, RawMore.CODE) and left < 60) or rng.random() < 0.04:
            break
        frames.append((code, tick, payload))
        left -= len(frame)
        tick = min(U32_MAX, tick + rng.choice([0, 1, 100, 127, 128, 3000, 16_383, 2**21, 2**27]))
    if not frames:
        frames.append((Raw.CODE, 0, rng.randbytes(9)))
    maker.block(rng.randrange(2**32), frames)


def _saturated(maker: Maker, rng: random.Random, left: int) -> tuple[int, bytes]:
    return (Raw.CODE if left == BLOCK_SPACE else RawMore.CODE), rng.randbytes(left)


def _sentences(maker: Maker, rng: random.Random, left: int) -> tuple[int, bytes]:
    fields = ",".join(str(rng.randrange(10_000)) for _ in range(rng.randrange(4, 14)))
    return Raw.CODE, f"$GPXXX,{fields}*{rng.randrange(256):02X}\r\n".encode()


def _tiny(maker: Maker, rng: random.Random, left: int) -> tuple[int, bytes]:
    return rng.choice([Raw.CODE, RawMore.CODE]), rng.randbytes(rng.randrange(4))


def _flat(maker: Maker, rng: random.Random, left: int) -> tuple[int, bytes]:
    return Raw.CODE, rng.choice([b"\0", b"\xff", b"\x01", b"\x04"]) * rng.randrange(200)


def _nested(maker: Maker, rng: random.Random, left: int) -> tuple[int, bytes]:
    """Line bytes that are themselves frames, of other blocks and journals. Frames of this very block stay out: with
    the journal's id and the block's number known beforehand, line bytes could be true frames in every respect."""
    payload = b""
    for _ in range(rng.randrange(1, 5)):
        number = (maker.number + rng.choice([1, 2, 3, 500]) * rng.choice([1, -1])) % 2**32
        strange_id = maker.journal_id ^ rng.choice([0, 0, 2, 1 << 31])
        if strange_id == maker.journal_id and number in (maker.number + 1, maker.number + 1 - _LAP):
            continue
        payload += encode_frame(Raw.CODE, rng.randrange(200), rng.randbytes(rng.randrange(30)), strange_id, number)
    return Raw.CODE, payload


def _messages(maker: Maker, rng: random.Random, left: int) -> tuple[int, bytes]:
    return rng.choice([
        (RunStart.CODE, run_start().encode()),
        (Raw.CODE, rng.randbytes(rng.randrange(40))),
        (RawMore.CODE, rng.randbytes(rng.randrange(40))),
        (Loss.CODE, Loss(rng.choice(list(LossCause)), rng.randrange(1, 2**32)).encode()),
        (Supply.CODE, Supply(rng.randrange(3000, 5200), rng.randrange(500)).encode()),
        (RunEnd.CODE, RunEnd(EndReason.DESK).encode()),
    ])  # fmt: skip
