"""Text and binary in one stream: noise, losses and false starts never cost a message that is whole."""

from __future__ import annotations

import random
import time
from itertools import pairwise

import pytest
from binary_frames import decode, frame_b562, frame_rtcm, pvt, sentence
from mixed_streams import any_message, damaged_stream, decoder_of_all, noise
from offtake.dialects.checks import CHECKS, Check
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import FAULTS_KEPT, Message
from offtake.dialects.registry import chosen_dialects
from offtake.dialects.stream import StreamChunk, decode_stream

VTG = sentence("GPVTG,,T,,M,1.0,N,1.852,K")
PVT = frame_b562(0x0107, pvt())
STATION = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")


def names(messages: list[Message]) -> list[str]:
    return [message.name for message in messages]


def test_text_and_binary_interleaved() -> None:
    decoder = StreamDecoder(chosen_dialects())
    messages = decode(VTG + PVT + STATION + VTG + STATION + PVT, decoder)
    assert [message.dialect for message in messages] == ["nmea0183", "b562", "rtcm3", "nmea0183", "rtcm3", "b562"]
    counts = decoder.counts
    assert counts.decoded == 6
    assert counts.message_bytes + counts.line_end_bytes == counts.bytes_fed
    assert {name: (one.messages, one.bytes, one.names) for name, one in counts.dialects.items()} == {
        "nmea0183": (2, 2 * (len(VTG) - 2), {"VTG": 2}),
        "b562": (2, 2 * len(PVT), {"position_velocity_time": 2}),
        "rtcm3": (2, 2 * len(STATION), {"reference_station": 2}),
    }


def test_a_proprietary_sentence_is_not_counted_under_a_standard_name() -> None:
    decoder = StreamDecoder(chosen_dialects())
    decode(sentence("PGGA,1") + sentence("GPGGA,,,,,,,,,,M,,M,,"), decoder)
    assert decoder.counts.dialects["nmea0183"].names == {"PGGA": 1, "GGA": 1}


def test_a_whole_frame_inside_a_whole_frame_is_its_payload() -> None:
    carrier = frame_b562(0x0213, STATION + VTG)
    assert names(decode(carrier)) == ["02 13"]
    # Once the outer one is cut, what is inside is whole by itself.
    assert names(decode(carrier[:-1])) == ["reference_station", "VTG"]
    assert names(decode(carrier[1:])) == ["reference_station", "VTG"]


@pytest.mark.parametrize(
    "false_start",
    [
        b"\xb5",
        b"\xb5\x62",
        b"\xb5\x62\x01",
        b"\xb5\x62\x01\x07\x00\x20",  # 8,192 bytes said to follow
        b"\xb5\x62\x01\x07\xff\xff",  # longer than any: no start at all
        b"\xd3",
        b"\xd3\x03\xff",
        b"\xd3\xff\xff",
        b"$GPGGA,1200",
        b"\xb5\x62\x01\x07\x00\x20\xd3\x03\xff$GP",
        PVT[:60],
        STATION[:20],
    ],
)
@pytest.mark.parametrize("message", [VTG, PVT, STATION])
def test_a_false_start_does_not_swallow_what_follows(false_start: bytes, message: bytes) -> None:
    decoder = StreamDecoder(chosen_dialects())
    found = decode(false_start + message + message, decoder)
    assert len(found) == 2
    assert found[0].offset == len(false_start)
    assert decoder.counts.noise_bytes == len(false_start)


def test_messages_wait_behind_what_may_yet_become_one() -> None:
    decoder = StreamDecoder(chosen_dialects())
    start = b"\xb5\x62\x01\x07\x00\x20"
    assert decoder.feed(start + VTG + PVT) == []
    assert decoder.pending_offset == 0
    # A loss settles it, and so does the end: nothing that waited is lost.
    assert names(decoder.lose()) == ["VTG", "position_velocity_time"]
    assert decoder.pending_offset == len(start + VTG + PVT)
    assert decoder.feed(start + STATION) == []
    assert names(decoder.finish()) == ["reference_station"]


def test_the_wait_ends_with_the_longest_frame() -> None:
    decoder = StreamDecoder(chosen_dialects())
    waited = decoder.feed(b"\xb5\x62\x01\x07\x00\x20" + VTG)
    fed = 0
    while not waited:
        waited = decoder.feed(b"\0" * 100)
        fed += 100
    assert names(waited) == ["VTG"]
    assert fed <= 8192 + 100


def test_a_frame_is_not_joined_over_a_loss() -> None:
    decoder = StreamDecoder(chosen_dialects())
    assert decoder.feed(PVT[:50]) == []
    assert decoder.lose() == []
    assert names(decoder.feed(PVT[50:] + PVT)) == ["position_velocity_time"]


def test_waiting_messages_have_their_own_ticks() -> None:
    start = b"\xb5\x62\x01\x07\x00\x20"
    chunks = [StreamChunk(0, start, False), StreamChunk(500_000, VTG, False), StreamChunk(900_000, PVT, False)]
    timed = list(decode_stream(chunks, StreamDecoder(chosen_dialects()), 10_000))
    assert [(one.message.name, one.tick_us) for one in timed] == [
        ("VTG", 500_000), ("position_velocity_time", 900_000),
    ]  # fmt: skip


def overlapping(messages: list[Message]) -> bool:
    return any(one.offset + len(one.raw) > other.offset for one, other in pairwise(messages))


def inside(one: tuple[int, bytes], messages: list[Message]) -> bool:
    return any(other.offset < one[0] < other.offset + len(other.raw) for other in messages)


def check_stream(seed: int) -> tuple[int, int, int, int]:
    """Every message that the damage left whole is found once, in order; returns whole, sent, extra and covered ones.

    Covered ones lie within a false start whose 16-bit check fits by chance, which no decoder can tell from a frame.
    """
    rng = random.Random(seed)
    damaged = damaged_stream(rng, messages=30, edits=rng.randrange(30))
    decoder = decoder_of_all()
    messages = decode(damaged.stream, decoder)
    found = [(message.offset, message.raw) for message in messages]
    missing = [one for one in damaged.whole if found.count(one) != 1]
    covered = [one for one in missing if inside(one, messages)]
    assert missing == covered, seed
    assert found == sorted(found), seed
    assert not overlapping(messages), seed
    counts = decoder.counts
    assert counts.bytes_fed == len(damaged.stream)
    assert counts.message_bytes + counts.line_end_bytes + counts.noise_bytes == len(damaged.stream), seed
    assert sum(one.bytes for one in counts.dialects.values()) == counts.message_bytes
    return len(damaged.whole), damaged.messages, len(found) - len(damaged.whole), len(covered)


def test_every_untouched_message_is_found_in_a_noisy_stream() -> None:
    results = [check_stream(seed) for seed in range(250)]
    whole, sent, extra, covered = (sum(one) for one in zip(*results, strict=True))
    # That most were left whole and many were not, so that the test says something.
    assert sent == 7500
    assert 4000 < whole < 6500
    # Not planted: mostly messages damaged in their line end only, and edits that put back what they took away.
    assert extra < 0.01 * sent
    assert covered == 0


@pytest.mark.long
def test_every_untouched_message_is_found_in_many_noisy_streams() -> None:
    # Once in 65,536 false starts one passes; a stream has some ten of them.
    assert sum(check_stream(seed)[3] > 0 for seed in range(250, 10_000)) <= 5


@pytest.mark.parametrize("seed", range(40))
def test_portions_do_not_matter_in_mixed_streams(seed: int) -> None:
    rng = random.Random(1000 + seed)
    stream = damaged_stream(rng, messages=12, edits=8).stream
    whole = decoder_of_all()
    expected = decode(stream, whole)
    for portion in (1, 7, rng.randrange(2, 600)):
        decoder = decoder_of_all()
        messages: list[Message] = []
        at = 0
        while at < len(stream):
            size = portion if portion < 100 else rng.randrange(1, portion)
            messages += decoder.feed(stream[at : at + size])
            at += size
        messages += decoder.finish()
        assert messages == expected
        assert (decoder.counts, decoder.faults) == (whole.counts, whole.faults)


def test_a_decoder_forgets_what_is_over() -> None:
    rng = random.Random(5)
    decoder = decoder_of_all()
    for _ in range(400):
        decoder.feed(any_message(rng) + noise(rng, 8))
        # Never more than the longest frame waits.
        assert decoder.counts.bytes_fed - decoder.pending_offset <= 8192 + 8
    assert len(decoder.faults) <= FAULTS_KEPT


# The shortest steps in which a stream can begin frames of full length over and over.
HOSTILE = {"b562": b"\xb5\x62\x01\x07\x00\x20", "rtcm3": b"\xd3\x03", "text": b"$", "checks": b"$GPGGA*00"}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_stream_costs_no_more_than_a_frame_for_each_start(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    checked = 0

    def counting(check: Check) -> Check:
        def compute(data: bytes) -> int:
            nonlocal checked
            checked += len(data)
            return check.compute(data)

        return Check(check.size, compute)

    for check_name, check in list(CHECKS.items()):
        monkeypatch.setitem(CHECKS, check_name, counting(check))
    work = []
    for size in (30_000, 60_000):
        checked = 0
        stream = HOSTILE[name] * (size // len(HOSTILE[name]))
        assert [one for one in decode(stream) if one.state != "unknown"] == []
        work.append(checked)
    starts = 60_000 // len(HOSTILE[name])
    longest = {"b562": 8192 + 4, "rtcm3": 0x3D3 + 3, "text": 0, "checks": 0}[name]
    assert work[1] <= starts * longest
    # Twice the stream, at most about twice the work (the last frame of each is cut).
    assert work[1] <= 2 * work[0] + 2 * starts * (8192 * longest // 30_000)


def test_the_line_is_slower_than_a_hostile_stream_is_to_decode() -> None:
    # At 115,200 baud 60,000 bytes take 5.2 s; this takes some 0.3 s.
    stream = HOSTILE["rtcm3"] * 30_000
    begun = time.process_time()
    decode(stream)
    assert time.process_time() - begun < 5.2


@pytest.mark.parametrize("payload", [0, 1, 8191, 8192])
def test_the_longest_payload_is_read(payload: int) -> None:
    (message,) = decode(b"\xb5" + frame_b562(0x0A99, bytes(payload)))
    assert len(message.raw) == payload + 8


def test_a_longer_payload_is_noise() -> None:
    decoder = StreamDecoder(chosen_dialects())
    assert names(decode(frame_b562(0x0A99, bytes(8193)) + VTG, decoder)) == ["VTG"]
    assert names(decode(frame_rtcm(b"\xff\xf0" + bytes(1021)))) == ["4095"]
