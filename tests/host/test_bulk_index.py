"""The bulk decoder finds the streaming decoder's messages: no more, no fewer, wherever bytes are lost or inserted."""

from __future__ import annotations

import random
import struct
from functools import reduce
from itertools import pairwise
from operator import xor

import pytest
from binary_frames import crc24q, frame_b562, frame_rtcm, pvt, sentence
from bulk_checks import assert_bulk_is_streaming, assert_windows_are_streaming, places_in, places_of, stream_messages
from bulk_dialects import EVERY, every_message
from hypothesis import given, settings
from hypothesis import strategies as st
from mixed_streams import LOADED, SOUNDER, any_message, damaged_stream, noise
from offtake.dialects.bulk import BulkDecoder, decode_columns, find_messages
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.dialects.tables import AnyDialect
from offtake.errors import UsageError
from offtake.generated.dialects import B562, DIALECTS, NMEA0183
from offtake.spec.dialect import parse_dialect

ALL: tuple[AnyDialect, ...] = (*DIALECTS.values(), SOUNDER)
NOISE = st.lists(st.sampled_from(LOADED) | st.binary(max_size=6), max_size=30).map(b"".join)
SEEDED = settings(derandomize=True, deadline=None, max_examples=30, database=None)


@pytest.mark.parametrize("seed", range(25))
def test_damaged_streams(seed: int) -> None:
    rng = random.Random(seed)
    damaged = damaged_stream(rng, 40, 12)
    breaks = sorted(rng.randrange(len(damaged.stream) + 1) for _ in range(rng.choice((0, 0, 2, 9))))
    assert_bulk_is_streaming(damaged.stream, ALL, breaks)
    if not breaks:
        index = find_messages(damaged.stream, ALL)
        found = dict(zip(index.offset.tolist(), index.length.tolist(), strict=True))
        assert [one for one in damaged.whole if found.get(one[0]) != len(one[1])] == []


@SEEDED
@given(st.randoms(use_true_random=False), st.data())
def test_windows_do_not_matter(rng: random.Random, data: st.DataObject) -> None:
    stream = damaged_stream(rng, 12, 4).stream
    place = st.integers(0, len(stream))
    cuts = sorted(data.draw(st.lists(place, max_size=6)))
    breaks = sorted(data.draw(st.lists(place | st.sampled_from([0, *cuts]), max_size=4)))
    assert_windows_are_streaming(stream, ALL, cuts, breaks)


@SEEDED
@given(NOISE, st.lists(st.integers(0, 200), max_size=4))
def test_noise_alone(stream: bytes, breaks: list[int]) -> None:
    assert_bulk_is_streaming(stream, ALL, sorted({min(place, len(stream)) for place in breaks}))


def test_byte_by_byte() -> None:
    rng = random.Random(3)
    stream = b"".join(any_message(rng) + noise(rng, 2) for _ in range(4))
    assert_windows_are_streaming(stream, ALL, range(1, len(stream)))


def test_invented_dialects_in_windows() -> None:
    rng = random.Random(4)
    stream = b"".join(every_message(rng, 0.2) + noise(rng, 2) for _ in range(60))
    assert_windows_are_streaming(stream, EVERY, [1, 2, 700, 701, 3000])


def test_a_frame_inside_a_frame_is_payload() -> None:
    inner = sentence("GPGGA,,,,,,0,00,,,M,,M,,") + frame_rtcm(b"\x3e\xd0" + bytes(17))
    stream = frame_b562(0x0A36, inner) + inner
    assert len(find_messages(stream, ALL)) == 3
    assert_bulk_is_streaming(stream, ALL)
    # With the outer one's check broken the inner ones count.
    assert len(find_messages(stream[: -len(inner) - 1] + b"\0" + inner, ALL)) == 4


def test_overlapping_frames_go_to_the_first() -> None:
    # A whole frame that begins in the first one's payload and ends behind the first one: its own payload takes in the
    # first one's check.
    head = b"\xb5\x62\x0a\x36" + struct.pack("<H", 2)
    first = frame_b562(0x0A36, head)
    second = frame_b562(0x0A36, first[-2:])
    assert second[: len(head)] == head
    overlapping = first + second[len(head) + 2 :]
    third = frame_b562(0x0161, bytes(4))
    assert_bulk_is_streaming(overlapping + third, ALL)
    assert find_messages(overlapping + third, ALL).offset.tolist() == [0, len(overlapping)]
    # Without the first one's first byte the second counts.
    assert find_messages(overlapping[1:] + third, ALL).offset.tolist() == [5, len(overlapping) - 1]
    assert_bulk_is_streaming(overlapping[1:] + third, ALL)


def test_two_dialects_with_one_start() -> None:
    text = """
[dialect]
name = "{name}"
title = "Invented"
family = "sentence"
doc = "."
[framing]
starts = "$"
separator = ","
check = "xor8"
check_mark = "*"
line_end = "\\n"
max_length = 64
[address]
talker_letters = 2
name_letters = 3
proprietary = "Q"
[sentences.{sentence}]
doc = "."
fields = [{{ at = 1, name = "value", kind = "number", doc = "." }}]
"""
    first = parse_dialect(text.format(name="first", sentence="AAA"), "first")
    second = parse_dialect(text.format(name="second", sentence="BBB"), "second")
    names = ("GPAAA,1", "GPBBB,2", "GPCCC,3", "QAAA,4", "GPGGA,,,,,,0,00,,,M,,M,,", "GPAAA," + "0" * 70)
    stream = b"".join(map(sentence, names))
    for dialects in ((first, second), (second, first), (NMEA0183, first, second), (second, NMEA0183)):
        assert_bulk_is_streaming(stream, dialects)
        assert_windows_are_streaming(stream, dialects, range(1, len(stream), 5))


def test_the_longest_sentence() -> None:
    # 255 bytes with the line end, the last two of which need not be there.
    streams = [b"".join(sentence("GPGGA," + "0" * count) for count in range(240, 255)) + b"$"]
    streams += [sentence("GPTXT," + "0" * count)[:-2] for count in range(240, 250)]
    counts = [assert_bulk_is_streaming(stream, ALL) for stream in streams]
    assert counts[0] == 4
    for stream in streams:
        assert_windows_are_streaming(stream, ALL, range(236, len(stream), 251))


def test_every_byte_in_a_sentence() -> None:
    """With a right checksum all the same: what is not printable belongs to no sentence."""
    for place in ("GP{}HDT,1.0,T", "GPHDT,1.0{}", "{}", "GPTXT,{}{}x"):
        bodies = [place.encode().replace(b"{}", bytes([byte])) for byte in range(256)]
        stream = b"".join(b"$%s*%02X\r\n" % (body, reduce(xor, body)) for body in bodies)
        assert_bulk_is_streaming(stream, ALL)
        assert len(find_messages(stream, ALL)) == 0x7F - 0x20 - len("$!*")


def test_separators_in_an_address() -> None:
    addresses = ("GPHDT", ",PHDT", "G,HDT", ",,HDT", "GP,DT", "GPHD,", "HDT", "P", "", "GPHDTT", "PHDT", "PHD", "PGHDT")
    for address in addresses:
        for rest in ("", ",", ",1.0,T"):
            assert_bulk_is_streaming(sentence(address + rest), ALL)
    names = ("PQX", ",QX", "PQXYZ", "PQXY,", "PQXYZZ", "GPPQX", "PQPQX", "P,PQX")
    for name in names:
        assert_bulk_is_streaming(sentence(name + ",1"), EVERY)
        assert_bulk_is_streaming(sentence(name), EVERY)


def test_a_payload_too_short_for_its_number() -> None:
    """The check behind it is no part of the number, even where the two together are a known one."""
    frames = [frame_rtcm(bytes([byte])) for byte in range(256)] + [frame_rtcm(b"")]
    index = find_messages(b"".join(frames), ALL)
    assert len(index) == 257
    assert (index.message == -1).all()
    numbers = {frame[3] << 4 | frame[4] >> 4 for frame in frames}
    assert numbers & {key for one in DIALECTS["rtcm3"].messages for key in one.keys}  # type: ignore[union-attr]
    assert_bulk_is_streaming(b"".join(frames), ALL)


def test_a_header_with_other_fixed_bits_is_none() -> None:
    for reserved in range(64):
        body = b"\xd3" + struct.pack(">H", reserved << 10 | 4) + b"\x3e\xd0\0\0"
        frame = body + crc24q(body).to_bytes(3, "big")
        assert len(find_messages(frame, ALL)) == (reserved == 0)
        assert_bulk_is_streaming(frame, ALL)


def test_hostile_starts() -> None:
    """Every place claims a long frame, or begins a sentence: found in time that does not multiply with their length."""
    rng = random.Random(8)
    good = frame_b562(0x0107, pvt()) + sentence("GPGSV,1,1,00")
    claims = {
        "long frames": b"\xb5\x62\x01\x07\x00\x20",
        "short frames": b"\xb5\x62\x01\x07\x02\x00",
        "long frames of another": b"\xd3\x03\xff",
        "starts": b"$!",
        "marks": b"$*00*",
        "separators": b"$,,,,.....,",
    }
    for claim in claims.values():
        flood = claim * (6_000 // len(claim))
        assert_bulk_is_streaming(flood + good + flood + rng.randbytes(9), ALL)
        assert_windows_are_streaming(flood + good + flood, ALL, [3_000, 6_001])


def test_memory_between_windows_is_bounded() -> None:
    decoder = BulkDecoder(ALL)
    fed = 0
    for claim in (b"\xb5\x62\x01\x07\x00\x20", b"\xd3\x03\xff", b"$GPGGA,"):
        for _ in range(40):
            decoder.window(claim * 300)
            fed += len(claim) * 300
            assert fed - decoder.pending_offset <= 8192 + 8
    decoder.finish()
    assert decoder.pending_offset == fed


def test_offsets_count_from_the_base() -> None:
    stream = b"noise" + sentence("GPGSV,1,1,00") + frame_b562(0x0161, bytes(4))
    plain, moved = find_messages(stream, ALL), find_messages(stream, ALL, base=2**40)
    assert (moved.offset - plain.offset).tolist() == [2**40, 2**40]
    table = decode_columns(stream, moved, ALL)["b562", "end_of_epoch"]
    assert table.offset.tolist() == [2**40 + len(stream) - 12]
    # Losses are stream offsets too.
    assert len(find_messages(stream, ALL, [2**40 + len(stream) - 3], base=2**40)) == 1


def test_accounts_for_message_bytes() -> None:
    stream = damaged_stream(random.Random(1), 30, 5).stream
    decoder = StreamDecoder(chosen_dialects(extra=(SOUNDER,)))
    decoder.feed(stream)
    decoder.finish()
    assert find_messages(stream, ALL).message_bytes == decoder.counts.message_bytes


def test_losses_may_be_told_ahead() -> None:
    stream = sentence("GPHDT,1.0,T") + frame_b562(0x0161, bytes(4)) + sentence("GPHDT,2.0,T")
    breaks = [len(stream) - 3, 5]
    decoder = BulkDecoder(ALL)
    found = [decoder.window(stream[:25], breaks), decoder.window(stream[25:]), decoder.finish()]
    places = [place for window in found for place in places_of(window.index, ALL)]
    assert places == places_in(stream_messages(stream, ALL, breaks), ALL)
    assert places == [(17, 12, "b562", "end_of_epoch")]


def test_only_some_kinds() -> None:
    stream = sentence("GPGSV,1,1,00") + sentence("GPHDT,1.5,T") + frame_b562(0x0161, bytes(4))
    decoder = BulkDecoder(ALL, kinds={("nmea0183", "HDT")})
    windows = [decoder.window(stream), decoder.finish()]
    assert [list(window.tables) for window in windows] == [[("nmea0183", "HDT")], []]
    assert sum(len(window.index) for window in windows) == 3


def test_nothing() -> None:
    assert len(find_messages(b"", ALL)) == 0
    assert decode_columns(b"", find_messages(b"", ALL), ALL) == {}


@pytest.mark.parametrize("dialects", [(), (NMEA0183, NMEA0183)])
def test_dialects_have_names_of_their_own(dialects: tuple[AnyDialect, ...]) -> None:
    with pytest.raises(UsageError, match="each with its own name"):
        find_messages(b"", dialects)


def test_an_index_fits_its_data_and_dialects() -> None:
    stream = sentence("GPGSV,1,1,00")
    index = find_messages(stream, ALL)
    with pytest.raises(UsageError, match="index of other dialects"):
        decode_columns(stream, index, (B562,))
    with pytest.raises(UsageError, match="beyond the data"):
        decode_columns(stream[:-4], index, ALL)


def test_the_comparison_can_fail() -> None:
    stream = sentence("GPGSV,1,1,00") * 2
    messages = stream_messages(stream, ALL)
    assert places_of(find_messages(stream[1:], ALL, base=1), ALL) != places_in(messages, ALL)
    offsets = find_messages(stream, ALL).offset.tolist()
    assert all(earlier < later for earlier, later in pairwise(offsets))
