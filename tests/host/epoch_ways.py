"""Holds the vectorised way from a stream to epochs against the streaming one: the same to the last bit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.stream import StreamChunk, decode_stream
from offtake.dialects.tables import AnyDialect
from offtake.track.bulk.batch import EpochBatch
from offtake.track.bulk_epochs import EpochGrouper
from offtake.track.datum import DatumWatch
from offtake.track.epochs import Epoch, group_epochs

RUN = 3


@dataclass(frozen=True)
class Chunks:
    """Some chunks of a stream, as the journal's windows hold them."""

    offset: int
    data: bytes
    chunk_offset: NDArray[np.int64]
    chunk_tick_us: NDArray[np.int64]
    chunk_lost: NDArray[np.bool_]


def windows(chunks: Sequence[StreamChunk], counts: Sequence[int]) -> list[Chunks]:
    """The chunks in windows of so many; the rest in one."""
    found, at, offset = [], 0, 0
    for count in [*counts, len(chunks)]:
        part = chunks[at : at + count]
        at += len(part)
        starts = offset + np.cumsum([0, *(len(one.data) for one in part)], dtype=np.int64)
        found.append(
            Chunks(
                offset,
                b"".join(one.data for one in part),
                starts[:-1],
                np.array([one.tick_us for one in part], np.int64),
                np.array([one.after_loss for one in part], np.bool_),
            )
        )
        offset = int(starts[-1])
    return found


def streaming(
    chunks: Sequence[StreamChunk], dialects: Sequence[AnyDialect], baud: int
) -> tuple[list[Epoch], StreamDecoder, tuple[str, ...]]:
    """Epochs, the decoder and the notes of the way that takes one message after the other."""
    decoder, datum = StreamDecoder(dialects), DatumWatch()
    epochs = list(group_epochs(datum.watch(decode_stream(chunks, decoder, baud)), RUN))
    return epochs, decoder, datum.notes


def bulk(
    chunks: Sequence[StreamChunk], dialects: Sequence[AnyDialect], baud: int, counts: Sequence[int], at_once: int = 0
) -> tuple[EpochBatch, EpochGrouper]:
    """Epochs of the vectorised way, and what made them."""
    grouper = EpochGrouper(dialects, RUN, baud, at_once=at_once)
    batches = [grouper.window(one) for one in windows(chunks, counts)]
    return EpochBatch.concat([*batches, grouper.finish()]), grouper


def assert_ways_agree(
    chunks: Sequence[StreamChunk], dialects: Sequence[AnyDialect], baud: int, counts: Sequence[int] = ()
) -> EpochGrouper:
    """Compares both ways on a stream whose chunks come in windows of ``counts``; returns the vectorised one."""
    epochs, decoder, notes = streaming(chunks, dialects, baud)
    batch, grouper = bulk(chunks, dialects, baud, counts)
    expected = EpochBatch.of(epochs, RUN)
    assert batch.fixes.tick_us.tolist() == expected.fixes.tick_us.tolist()
    for row, (one, two) in enumerate(zip(batch.fixes, expected.fixes, strict=True)):
        assert one == two, row
    for row, (mark, other) in enumerate(zip(batch.marks, expected.marks, strict=True)):
        assert mark == other, row
    assert batch.skies.fix.tolist() == expected.skies.fix.tolist()
    for row, (sky, wanted) in enumerate(zip(batch.skies, expected.skies, strict=True)):
        assert sky == wanted, row
    assert grouper.counts == decoder.counts
    assert grouper.notes == notes
    assert grouper.plain + grouper.single == len(epochs)
    return grouper
