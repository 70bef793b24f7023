"""Properties of the decoder over any stream of sentences: splitting, noise, truncation and accounting."""

from __future__ import annotations

from functools import reduce
from itertools import pairwise
from operator import xor

from hypothesis import given, settings
from hypothesis import strategies as st
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import Message
from offtake.dialects.registry import chosen_dialects

SEEDED = settings(derandomize=True, deadline=None, max_examples=200, database=None)


def sentence(body: str) -> bytes:
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


SENTENCES = st.sampled_from(
    [
        sentence("GPGGA,120000.25,0130.5,N,00230.25,E,1,07,1.1,12.5,M,-3.5,M,,"),
        sentence("GNRMC,120000.25,A,0130.5,N,00230.25,E,1.0,90.0,010203,,,A,V"),
        sentence("GPGSV,1,1,01,05,45,000,30,1"),
        sentence("GPVTG,,T,,M,1.0,N,1.852,K"),
        sentence("GNZDA,120000.25,01,02,2003,00,00"),
        sentence("GNGBS,120000.25,1.4,1.3,3.1,03,,-21.4,3.8,1,0"),
        sentence("GNDTM,W84,,0.0,N,0.0,E,0.0,W84"),
        sentence("PXYZ,hello"),
        sentence("GPGGA,120000.25,9130.5,N,00230.25,E,1,07,1.1,12.5,M,-3.5,M,,"),
    ]
)
# Bytes that mean something to the decoder come often, so that noise often looks almost like a sentence.
NOISE = st.one_of(
    st.binary(max_size=40),
    st.lists(st.sampled_from([b"$", b"!", b"*", b"4", b"F", b",", b"\r", b"\n", b"GPGGA", b"\x00"]), max_size=12).map(
        b"".join
    ),
)


def decode_in_portions(stream: bytes, cuts: list[int]) -> tuple[list[Message], object, object]:
    decoder = StreamDecoder(chosen_dialects())
    messages: list[Message] = []
    edges = [0, *sorted(cut % (len(stream) + 1) for cut in cuts), len(stream)]
    for start, end in pairwise(edges):
        messages += decoder.feed(stream[start:end])
    messages += decoder.finish()
    return messages, decoder.counts, decoder.faults


@SEEDED
@given(st.lists(st.one_of(SENTENCES, NOISE), max_size=8).map(b"".join), st.lists(st.integers(0), max_size=10))
def test_portions_do_not_matter(stream: bytes, cuts: list[int]) -> None:
    assert decode_in_portions(stream, cuts) == decode_in_portions(stream, [])


@SEEDED
@given(st.lists(st.one_of(SENTENCES, NOISE), max_size=4).map(b"".join))
def test_byte_by_byte_is_the_same(stream: bytes) -> None:
    assert decode_in_portions(stream, list(range(len(stream)))) == decode_in_portions(stream, [])


@SEEDED
@given(st.lists(st.tuples(NOISE, SENTENCES), max_size=8), NOISE)
def test_noise_between_sentences_hides_none(pairs: list[tuple[bytes, bytes]], tail: bytes) -> None:
    stream, expected = b"", []
    for noise, text in pairs:
        stream += noise
        expected.append((len(stream), text[:-2]))
        stream += text
    messages, _, _ = decode_in_portions(stream + tail, [])
    found = [(message.offset, message.raw) for message in messages]
    assert [one for one in expected if one not in found] == []
    assert found == sorted(found)


@SEEDED
@given(st.lists(st.one_of(SENTENCES, NOISE), max_size=6).map(b"".join), st.integers(0), st.integers(0))
def test_a_truncated_stream_gives_what_lies_whole_in_it(stream: bytes, start: int, end: int) -> None:
    first, last = sorted((start % (len(stream) + 1), end % (len(stream) + 1)))
    whole, _, _ = decode_in_portions(stream, [])
    inside = [
        (one.offset - first, one.raw, one.values)
        for one in whole
        if first <= one.offset and one.offset + len(one.raw) <= last
    ]
    part, _, _ = decode_in_portions(stream[first:last], [])
    found = [(one.offset, one.raw, one.values) for one in part]
    assert [one for one in inside if one not in found] == []


@SEEDED
@given(st.lists(st.one_of(SENTENCES, NOISE), max_size=8).map(b"".join))
def test_every_byte_is_accounted_for_and_no_message_is_invented(stream: bytes) -> None:
    decoder = StreamDecoder(chosen_dialects())
    messages = decoder.feed(stream) + decoder.finish()
    counts = decoder.counts
    assert counts.bytes_fed == len(stream)
    assert counts.message_bytes + counts.line_end_bytes + counts.noise_bytes == len(stream)
    assert counts.message_bytes == sum(len(message.raw) for message in messages)
    assert counts.decoded + counts.invalid + counts.unknown == len(messages)
    for message in messages:
        assert stream[message.offset : message.offset + len(message.raw)] == message.raw
        assert reduce(xor, message.raw[1:-3], 0) == int(message.raw[-2:], 16)


@SEEDED
@given(st.binary(max_size=400))
def test_any_bytes_do_no_harm(stream: bytes) -> None:
    decode_in_portions(stream, [])


@SEEDED
@given(st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E, exclude_characters="$!*"), max_size=80))
def test_any_columns_do_no_harm(columns: str) -> None:
    for name in ("GGA", "RMC", "GNS", "GLL", "GSA", "GSV", "VTG", "ZDA", "GST", "GBS", "HDT", "DTM"):
        (message,) = StreamDecoder(chosen_dialects()).feed(sentence(f"GP{name},{columns}"))
        assert (message.state == "invalid") == bool(message.reason)
