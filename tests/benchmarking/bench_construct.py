"""The block and its frames as a description for the construct library, checks included: what a plain parser costs.

Written from shared_spec/block.toml and messages.toml by hand, apart from the product's own code.
"""

from __future__ import annotations

import zlib
from typing import Any

from construct import (  # type: ignore[import-untyped]
    Array,
    BitsInteger,
    BitStruct,
    Byte,
    ByteSwapped,
    Check,
    Computed,
    Const,
    FixedSized,
    GreedyBytes,
    GreedyRange,
    Int8ul,
    Int16sl,
    Int16ul,
    Int32ul,
    Padding,
    RawCopy,
    RepeatUntil,
    Struct,
    Switch,
    this,
)

BLOCK_BYTES = 512
_CHECKED_BYTES, _SPACE = 508, 491


def _shift(parts: list[int]) -> int:
    return sum((part & 0x7F) << 7 * index for index, part in enumerate(parts))


_PRESSURE_CONSTANTS = Struct(
    "dig_t1" / Int16ul, "dig_t2" / Int16sl, "dig_t3" / Int16sl, "dig_p1" / Int16ul, "dig_p" / Array(8, Int16sl)
)
_PAYLOADS = {
    2: Struct("data" / GreedyBytes),
    3: Struct("data" / GreedyBytes),
    4: Struct("cause" / Int8ul, "count" / Int32ul),
    5: Struct("supply_mv" / Int16ul, "card_busy_ms" / Int16ul),
    6: Struct("reason" / Int8ul),
    7: Struct("data" / GreedyBytes),
    8: Struct("input_1_mv" / Int16ul, "input_2_mv" / Int16ul),
    9: Struct("level" / Int8ul, "ignored" / Int16ul),
    10: Struct("count" / Int32ul, "period_us" / Int32ul),
    11: _PRESSURE_CONSTANTS,
    12: Struct("pressure_raw" / Int32ul, "temperature_raw" / Int32ul),
}

_BODY = Struct(
    "head" / ByteSwapped(BitStruct("code" / BitsInteger(7), "size" / BitsInteger(9))),
    "tick_bytes" / RepeatUntil(lambda one, *_: one < 0x80, Byte),
    "tick_offset" / Computed(lambda ctx: _shift(ctx.tick_bytes)),
    "payload" / FixedSized(this.head.size, Switch(this.head.code, _PAYLOADS, GreedyBytes)),
)
_FRAME = Struct(
    "body" / RawCopy(_BODY),
    "check" / Int32ul,
    Check(lambda ctx: ctx.check == zlib.crc32(ctx.body.data, zlib.crc32(ctx._.seed))),
)
_HEADER = Struct(
    "magic" / Const(0xD7, Int8ul),
    "form" / ByteSwapped(BitStruct("version" / BitsInteger(7), "used_bytes" / BitsInteger(9))),
    "journal_id" / Int32ul,
    "block_number" / Int32ul,
    "run_number" / Int16ul,
    "open_tick" / Int32ul,
    Check(this.form.version == 1),
)
_CONTENT = Struct(
    "header" / RawCopy(_HEADER),
    # Journal id and block number, as a frame's check begins.
    "seed" / Computed(lambda ctx: ctx.header.data[3:11]),
    "frames" / FixedSized(this.header.value.form.used_bytes, GreedyRange(_FRAME)),
    Padding(lambda ctx: _SPACE - ctx.header.value.form.used_bytes),
)
BLOCK: Any = Struct(
    "content" / RawCopy(FixedSized(_CHECKED_BYTES, _CONTENT)),
    "check" / Int32ul,
    Check(lambda ctx: ctx.check == zlib.crc32(ctx.content.data)),
)


def parse_blocks(data: bytes) -> list[Any]:
    """Each block of ``data`` as construct gives it: ``content.value.header.value`` and ``content.value.frames``.

    :raises construct.ConstructError: a block's check or form is wrong.
    """
    return [BLOCK.parse(data[at : at + BLOCK_BYTES]) for at in range(0, len(data), BLOCK_BYTES)]
