"""What a run's frames tell beside the receiver's bytes."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from frame_tables import frame_tables
from journal_maker import FILL, Maker, run_start
from offtake.generated.records import (
    BLOCK_SIZE,
    EndReason,
    Loss,
    LossCause,
    Raw,
    ResetCause,
    RunEnd,
    RunStart,
    Supply,
)
from offtake.journal.bulk.stream import chunks_of_windows, stream_windows
from offtake.journal.events import SERIES_MAX, RunEvent, run_events
from offtake.journal.frames import Frame
from offtake.journal.reader import Journal
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource

START = (RunStart.CODE, 0, run_start().encode())


def events(*blocks: tuple[int, list[tuple[int, int, bytes]]], wiped: tuple[int, ...] = ()) -> tuple[RunEvent, ...]:
    """The events of a journal of one run with the given blocks; blocks at the positions ``wiped`` are missing."""
    maker = Maker(len(blocks) + 1)
    maker.run = 1
    for open_tick, frames in blocks:
        maker.block(open_tick, frames)
    data = bytearray(maker.whole())
    for position in wiped:
        data[position * BLOCK_SIZE : (position + 1) * BLOCK_SIZE] = FILL
    source = BytesSource(bytes(data))
    result = run_events(Journal(source).frame_tables(1), 1)
    assert run_events(salvage(source).frame_tables(1), 1) == result
    return result


def frames(*records: tuple[int, bytes], step: int = 250_000) -> list[Frame]:
    """Frames of one endless block, ``step`` ticks apart."""
    return [
        Frame(1, 17 + 9 * n, 9, 1, 1 + n // 8, code, 0, payload, 1, n * step % 2**32, 1, n * step % 2**32, True, False)
        for n, (code, payload) in enumerate(records)
    ]


def test_every_kind_of_event_in_words() -> None:
    found = events(
        (1000, [START, (Raw.CODE, 10, b"$GP"), (Loss.CODE, 20, Loss(LossCause.RING_FULL, 1).encode())]),
        (5000, [(Supply.CODE, 0, Supply(4987, 120).encode()), (Loss.CODE, 5, Loss(LossCause.OVERRUN, 1200).encode())]),
        (9000, [(Raw.CODE, 0, b"x"), (RunEnd.CODE, 1, RunEnd(EndReason.JOURNAL_FULL).encode())]),
    )
    assert [(one.kind, one.cause, one.tick_us, one.count) for one in found] == [
        ("run_start", "power_on", 4_000, 0),
        ("loss", "ring_full", 4_080, 1),
        ("supply", "", 20_000, 0),
        ("loss", "overrun", 20_020, 1200),
        ("run_end", "journal_full", 36_004, 0),
    ]
    assert [one.text for one in found] == [
        "the run began (reset: power on): firmware 1.2.3, 57,600 baud, goes on over the oldest blocks when full",
        "1 byte: the card was too slow and the ring was full",
        "supply 4.99 V, the card was busy for at most 120 ms",
        "1,200 events: the chip's receiver overran, so at least as many bytes are missing",
        "the run ended: the journal was full",
    ]
    assert (found[2].supply_mv, found[2].card_busy_ms) == (4987, 120)
    assert all((one.run, one.merged, one.last_tick_us) == (1, 1, one.tick_us) for one in found)


@pytest.mark.parametrize("cause", list(LossCause))
def test_every_cause_of_loss_has_words(cause: LossCause) -> None:
    (_, one) = events((0, [START, (Loss.CODE, 1, Loss(cause, 3).encode())]))
    assert (one.kind, one.cause, one.count) == ("loss", cause.name.lower(), 3)
    assert one.text.startswith(("3 bytes: ", "3 events: ", "3 sensor messages: ", "3 sensor readings: "))


def test_missing_blocks_and_a_missing_start_are_damage() -> None:
    blocks = [(n * 1000, [START if n == 0 else (Raw.CODE, 0, b"ab")]) for n in range(5)]
    assert [(one.kind, one.cause, one.count, one.tick_us) for one in events(*blocks, wiped=(2, 3))] == [
        ("run_start", "power_on", 0, 0),
        ("damage", "missing", 2, 12_000),
    ]
    (first,) = events(*blocks, wiped=(1,))
    assert (first.cause, first.text) == ("no_start", "the run's beginning is missing")


def test_a_message_this_version_cannot_read_is_not_hidden() -> None:
    (_, one, other) = events((0, [START, (Loss.CODE, 1, b"\x63\x01\0\0\0"), (Supply.CODE, 2, b"\x01")]))
    assert [(one.kind, one.cause), (other.kind, other.cause)] == [("damage", "unreadable")] * 2


def test_reset_causes_are_all_told_also_those_of_a_later_chip() -> None:
    start = RunStart(1, 2, 3, run_start().board, 0, 57_600, 4000, run_start().when_full, 4, 1000, 60,
                     ResetCause.POWER_ON | ResetCause.BROWN_OUT | ResetCause(1 << 6))  # fmt: skip
    (found,) = events((0, [(RunStart.CODE, 0, start.encode())]))
    assert found.cause == "power_on+brown_out+bit_6"
    assert "(reset: power on and brown out and bit 6)" in found.text


def test_ticks_are_unwrapped_as_those_of_the_stream() -> None:
    # 2^32 ticks of 4 us are 17,179,869,184 us.
    loss = Loss(LossCause.CARD, 2).encode()
    blocks = [(2**32 - 10, [START, (Raw.CODE, 5, b"a"), (Loss.CODE, 15, loss), (Raw.CODE, 15, b"b")])]
    maker = Maker(2)
    maker.run = 1
    for open_tick, put in blocks:
        maker.block(open_tick, put)
    (_, chunk) = chunks_of_windows(stream_windows(Journal(BytesSource(maker.whole())).frame_tables(1)))
    found = events(*blocks)
    assert found[1].tick_us == chunk.tick_us == 17_179_869_184 + 20


def test_the_sums_are_those_of_the_run() -> None:
    maker = Maker(400)
    maker.flight(random.Random(3), 390)
    journal = Journal(BytesSource(maker.whole()))
    (info,) = journal.runs()
    found = run_events(journal.frame_tables(1), 1)
    assert sum(one.count for one in found if one.kind == "loss") == info.lost_bytes > 0
    assert found == tuple(sorted(found, key=lambda one: one.tick_us))


def test_very_many_losses_are_merged_and_none_is_lost() -> None:
    count = 3 * SERIES_MAX
    made = [(RunStart.CODE, run_start().encode())]
    made += [(Loss.CODE, Loss(LossCause.RING_FULL, n % 7 + 1).encode()) for n in range(count)]
    found = [one for one in run_events(frame_tables(frames(*made)), 1) if one.kind == "loss"]
    assert SERIES_MAX // 8 < len(found) <= SERIES_MAX
    assert sum(one.merged for one in found) == count
    assert sum(one.count for one in found) == sum(n % 7 + 1 for n in range(count))
    assert (found[0].tick_us, found[-1].last_tick_us) == (1_000_000, count * 1_000_000)
    assert all(one.last_tick_us < other.tick_us for one, other in pairwise(found))
    first = found[0]
    seconds = (first.last_tick_us - first.tick_us) / 1e6
    assert first.text.endswith(f" ({first.merged:,} such within {seconds:,.1f} s, told as one)")


def test_merged_supplies_keep_the_worst() -> None:
    made = [(RunStart.CODE, run_start().encode())]
    made += [(Supply.CODE, Supply(5000 - n % 100, n % 300).encode()) for n in range(SERIES_MAX + 1)]
    found = [one for one in run_events(frame_tables(frames(*made)), 1) if one.kind == "supply"]
    assert len(found) <= SERIES_MAX
    assert min(one.supply_mv or 0 for one in found) == 4901
    assert max(one.card_busy_ms or 0 for one in found) == 299


def test_losses_at_one_moment_are_bounded_too() -> None:
    made = [(RunStart.CODE, run_start().encode())]
    made += [(Loss.CODE, Loss(LossCause.FRAMING, 1).encode()) for _ in range(SERIES_MAX + 5)]
    # All at tick 0; copies would be taken for a block written twice, so each stands at its own place.
    one_tick = [frame._replace(tick=0, header_tick=0, block_number=n + 1) for n, frame in enumerate(frames(*made))]
    found = [one for one in run_events(frame_tables(one_tick), 1) if one.kind == "loss"]
    assert sum(one.count for one in found) == SERIES_MAX + 5
    assert len(found) <= SERIES_MAX


def test_nothing_gives_nothing() -> None:
    assert run_events([], 1) == ()
