"""Ticks, pauses and losses of messages."""

from __future__ import annotations

import tracemalloc
from functools import reduce
from operator import xor

import pytest
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.dialects.stream import StreamChunk, TimedMessage, byte_time_us, decode_stream
from offtake.errors import UsageError


def sentence(body: str) -> bytes:
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


VTG = sentence("GPVTG,,T,,M,1.0,N,1.852,K")
ZDA = sentence("GNZDA,120000.25,01,02,2003,00,00")


def run(*chunks: StreamChunk, baud: int = 10_000) -> list[TimedMessage]:
    return list(decode_stream(chunks, StreamDecoder(chosen_dialects()), baud))


def test_byte_time_is_ten_bits() -> None:
    # 5,760 bytes at 57,600 baud take a second.
    assert byte_time_us(5760, 57_600) == 1_000_000
    assert byte_time_us(1, 57_600) == 174
    assert byte_time_us(0, 57_600) == 0


def test_messages_are_timed_by_their_first_byte() -> None:
    first, second = run(StreamChunk(5_000, b"xy" + VTG + ZDA, False))
    assert first.tick_us == 5_000 + 2 * 1000
    assert second.tick_us == 5_000 + (2 + len(VTG)) * 1000
    assert (first.quiet_before_us, first.after_loss) == (0, False)


def test_a_message_over_two_chunks_has_the_tick_of_the_first() -> None:
    first, second = run(
        StreamChunk(5_000, VTG[:7], False),
        StreamChunk(12_000, VTG[7:], False),
        StreamChunk(900_000, ZDA, False),
    )
    assert (first.tick_us, second.tick_us) == (5_000, 900_000)
    assert second.quiet_before_us == 900_000 - 12_000 - (len(VTG) - 7) * 1000


def test_a_pause_before_noise_counts_for_the_message_after_it() -> None:
    _, second = run(
        StreamChunk(0, VTG, False), StreamChunk(500_000, b"\x00\x01", False), StreamChunk(502_000, ZDA, False)
    )
    assert second.quiet_before_us == 500_000 - len(VTG) * 1000
    assert second.tick_us == 502_000


def test_a_loss_breaks_a_sentence_and_marks_the_next_only() -> None:
    messages = run(StreamChunk(0, VTG + ZDA[:10], False), StreamChunk(700_000, ZDA[10:] + VTG + VTG, True))
    assert [(one.message.name, one.after_loss) for one in messages] == [
        ("VTG", False),
        ("VTG", True),
        ("VTG", False),
    ]


def test_a_loss_without_bytes_still_parts_the_stream() -> None:
    messages = run(
        StreamChunk(0, VTG[:10], False),
        StreamChunk(20_000, b"", True),
        StreamChunk(30_000, VTG[10:] + VTG, False),
    )
    assert [(one.message.name, one.after_loss) for one in messages] == [("VTG", True)]


def test_many_chunks_without_a_message_take_no_memory() -> None:
    chunks = (StreamChunk(tick * 1000, b"\x00", False) for tick in range(20_000))
    tracemalloc.start()
    assert list(decode_stream(chunks, StreamDecoder(chosen_dialects()), 10_000)) == []
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    # A mark kept for each chunk would take more than a megabyte.
    assert peak < 300_000


@pytest.mark.parametrize("baud", [0, -1])
def test_a_speed_that_is_none_is_refused(baud: int) -> None:
    with pytest.raises(UsageError, match="positive"):
        run(StreamChunk(0, VTG, False), baud=baud)
