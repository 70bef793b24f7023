"""The bulk decoder against the streaming decoder on streams made from the tables of every dialect, range ends, absent
and wrong values included; when a window gives what; and what hostile streams cost."""

from __future__ import annotations

import dataclasses
import random
import time
from collections import Counter
from itertools import islice, product

import numpy as np
import pytest
from any_dialect_streams import Maker
from binary_frames import frame_b562, frame_rtcm, sentence
from bulk_checks import assert_bulk_is_streaming, assert_windows_are_streaming, exact, table_names
from bulk_dialects import EVERY as INVENTED
from offtake.dialects.bulk import BulkDecoder, decode_columns, find_messages
from offtake.dialects.bulk.arrow import to_arrow
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.tables import Dialect
from offtake.generated.dialects import DIALECTS, NMEA0183

BUILT_IN = tuple(DIALECTS.values())
EVERY = (*BUILT_IN, *INVENTED)


def test_every_kind_of_message_sound_and_unsound() -> None:
    seen: Counter[tuple[str, str, bool]] = Counter()
    for seed, one in enumerate(EVERY):
        rng = random.Random(seed)
        stream = Maker(rng, [one]).stream(120 * len(table_names(one)), damage=0.02)
        assert_bulk_is_streaming(stream, EVERY, [rng.randrange(len(stream))])
        for (dialect, name), table in decode_columns(stream, find_messages(stream, EVERY), EVERY).items():
            invalid = int(table.invalid.sum())
            seen[dialect, name, False] += len(table) - invalid
            seen[dialect, name, True] += invalid
    kinds = [(dialect.name, name) for dialect in EVERY for name in table_names(dialect)]
    assert [kind for kind in kinds if seen[*kind, False] < 5] == []
    assert [kind for kind in kinds if not seen[*kind, True]] == []


def test_a_window_gives_what_the_streaming_decoder_gives_by_then() -> None:
    """Nothing is held back longer, and nothing is given before its turn; also where a loss lies inside a window."""
    for seed in range(20):
        rng = random.Random(seed)
        maker = Maker(rng, EVERY)
        stream = maker.stream(12, damage=0.5)
        bulk, streaming = BulkDecoder(EVERY), StreamDecoder(EVERY)
        for start, end in maker.portions(len(stream), 10):
            lost = rng.randrange(start, end + 1)
            breaks = [lost] if rng.random() < 0.4 else []
            given = streaming.feed(stream[start:lost])
            given += streaming.lose() if breaks else []
            given += streaming.feed(stream[lost:end])
            assert bulk.window(stream[start:end], breaks).index.offset.tolist() == [one.offset for one in given]
        assert bulk.finish().index.offset.tolist() == [one.offset for one in streaming.finish()]


def test_every_place_of_a_loss_and_of_a_cut() -> None:
    stream = b"*5" + sentence("GPHDT,1.0,T") + frame_b562(0x0161, bytes(4)) + frame_rtcm(b"\x3e\xd0") + sentence("PX,1")
    for place in range(len(stream) + 1):
        assert_bulk_is_streaming(stream[place:], BUILT_IN, [1])
        assert_windows_are_streaming(stream, BUILT_IN, [place], [place])


def test_the_longest_messages_and_one_byte_more() -> None:
    body_max = NMEA0183.framing.max_length - 6
    for size in (body_max - 1, body_max, body_max + 1):
        stream = sentence("P" * size)
        assert_bulk_is_streaming(stream, BUILT_IN)
        assert len(find_messages(stream, BUILT_IN)) == (size <= body_max)
    for size in (8191, 8192, 8193):
        stream = frame_b562(0x0A36, bytes(size))
        assert_bulk_is_streaming(stream, BUILT_IN)
        assert len(find_messages(stream, BUILT_IN)) == (size <= 8192)


def test_rows_do_not_depend_on_their_neighbours() -> None:
    maker = Maker(random.Random(5), EVERY)
    messages = [maker.message() for _ in range(40)]

    def rows(stream: bytes) -> list[tuple[str, str, object, object]]:
        tables = decode_columns(stream, find_messages(stream, EVERY), EVERY)
        found = [
            (int(table.offset[row]), table.dialect, table.message, bool(table.invalid[row]), exact(table.row(row)))
            for table in tables.values()
            for row in range(len(table))
        ]
        return [tuple(row[1:]) for row in sorted(found, key=lambda row: row[:3])]

    assert [row for message in messages for row in rows(message)] == rows(b"".join(messages))


def test_nothing_of_the_callers_memory_is_kept() -> None:
    stream = np.frombuffer(sentence("GPDTM,W84,,0.0,N,0.0,E,0.0,W84"), np.uint8).copy()
    decoder = BulkDecoder([NMEA0183])
    assert len(decoder.window(stream[:20]).index) == 0
    kept = stream[20:].copy()
    stream[:] = 0
    table = decoder.window(kept).tables["nmea0183", "DTM"]
    kept[:] = 0
    assert table.row(0)["reference_datum"] == "W84"


def test_a_zero_angle_has_no_sign() -> None:
    stream = sentence("GPGLL,0000.0000,S,00000.0000,W,120000,A,A") + sentence("GPGLL,0000.0001,S,00000.0001,W,,V,N")
    assert_bulk_is_streaming(stream, BUILT_IN)
    columns = decode_columns(stream, find_messages(stream, BUILT_IN), BUILT_IN)["nmea0183", "GLL"].columns
    for name in ("latitude_deg", "longitude_deg"):
        assert np.signbit(columns[name].values).tolist() == [False, True]


def test_more_talkers_than_a_code_of_16_bits_counts() -> None:
    """A talker of four letters, another one in each of 40,000 sentences: each keeps its own."""
    text = INVENTED[0]
    assert isinstance(text, Dialect)
    address = dataclasses.replace(text.address, talker_letters=4)
    dialect = dataclasses.replace(text, address=address)
    talkers = ["".join(letters) for letters in islice(product("ABCDEFGHIJKLMNO", repeat=4), 40_000)]
    stream = b"".join(sentence(f"{talker}PQX,1") for talker in talkers)
    table = decode_columns(stream, find_messages(stream, [dialect]), [dialect])[dialect.name, "PQX"]
    assert table.talker is not None
    assert [table.talker.value(row) for row in (0, 1, 32_767, 32_768, 39_999)] == [
        talkers[row] for row in (0, 1, 32_767, 32_768, 39_999)
    ]
    assert to_arrow(table)["_talker"].to_pylist() == talkers


HOSTILE = {
    "starts that claim the longest payload": b"\xb5\x62\x01\x07\x00\x20",
    "starts of the other dialect that do": b"\xd3\x03\xff",
    "the same first byte": b"\xd3",
    "start characters": b"$!",
    "marks": b"$*",
    "checksums without a start": b"*00",
    "empty sentences": b"$*00",
    "a sentence without an end": b",",
    "frames without a payload": frame_rtcm(b""),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_streams_take_no_longer_than_others(name: str) -> None:
    """To add up what each of 60,000 false starts claims, one by one, would take half a gigabyte of bytes."""
    piece = HOSTILE[name]
    stream = piece * (360_000 // len(piece))
    began = time.process_time()
    tables = BulkDecoder(BUILT_IN).window(stream).tables
    # A twentieth of a second is usual; the streaming decoder takes a second for the worst of them.
    assert time.process_time() - began < 2
    assert tables == {}
    assert_bulk_is_streaming(stream[:3_000], BUILT_IN)
