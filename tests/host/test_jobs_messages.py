"""Messages as tables: the same messages, values and ticks as the streaming decoder gives, over windows and losses."""

from __future__ import annotations

import random

import numpy as np
import pytest
from chunk_windows import windows_of
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.dialects.stream import StreamChunk, decode_stream
from offtake.generated.dialects import DIALECTS
from offtake.jobs.messages import message_tables
from report_inputs import BAUD, epochs
from track_reading import read_track


def chunks() -> list[StreamChunk]:
    rng = random.Random(8)
    out = []
    for number, (at, data) in enumerate(epochs(120, 5, rng)):
        lost = number % 37 == 5
        out.append(StreamChunk(round(at * 1e6), data[: rng.randrange(len(data))] if lost else data, number % 37 == 6))
    return out


@pytest.mark.parametrize("window", [700, 20_000, 2**20])
def test_tables_are_what_the_stream_says(window: int) -> None:
    stream = chunks()
    expected: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for timed in decode_stream(stream, StreamDecoder(chosen_dialects()), BAUD):
        if timed.message.state != "unknown":
            key = (timed.message.dialect, timed.message.name)
            expected.setdefault(key, []).append((timed.message.offset, timed.tick_us))
    line = read_track(windows_of(stream), baud=BAUD, run=1).timeline
    found: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for dialect, name, table in message_tables(windows_of(stream, window), tuple(DIALECTS.values()), BAUD, line):
        rows = zip(table.column("_offset").to_pylist(), table.column("_tick_us").to_pylist(), strict=True)
        found.setdefault((dialect, name), []).extend(rows)
        assert table.column("_utc").null_count == 0
        assert max(table.column("_utc_uncertainty_s").to_pylist()) < 0.01
    assert {key: [offset for offset, _ in rows] for key, rows in found.items()} == {
        key: [offset for offset, _ in rows] for key, rows in expected.items()
    }
    assert sum(map(len, found.values())) > 1500
    for key, rows in found.items():
        assert np.abs(np.array(rows) - np.array(expected[key])).max() <= 1


def test_without_a_date_there_is_no_utc() -> None:
    stream = [StreamChunk(1000, b"$GPVTG,10.0,T,,M,1.0,N,1.9,K,A*", False)]
    assert list(message_tables(windows_of(stream), tuple(DIALECTS.values()), BAUD, None)) == []
    one = StreamChunk(1000, next(epochs(1, 1, random.Random(1)))[1][:80], False)
    (message,) = message_tables(windows_of([one]), tuple(DIALECTS.values()), BAUD, None)
    assert message[2].column("_utc").null_count == message[2].num_rows > 0
    assert message[2].column("_utc_uncertainty_s").null_count == message[2].num_rows
