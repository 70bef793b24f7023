"""From the receiver's sentences over the real firmware, a card and a cut to the exported track.

The sentences are invented; their shape is that of a multi-constellation receiver whose date stands only in ZDA.
"""

from __future__ import annotations

import random
from datetime import UTC, datetime
from functools import reduce
from itertools import pairwise
from pathlib import Path

import pytest
from card_image import JournalImage, make_journal
from offtake.bench.board import Bench
from offtake.bench.cards import Card, uniform
from offtake.bench.cuts import Cut, Damage
from offtake.bench.line import bursts
from offtake.card import open_journal
from offtake.export.raw import write_raw
from offtake.firmware_build import build
from offtake.journal.bulk.stream import chunks_of_windows
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from offtake.journal.stream import salvaged_windows
from offtake.journal.verify import verify
from offtake.link.pull import pull_from_path
from offtake.track.build import EpochReader, track_of
from offtake.track.bulk.batch import EpochBatch

HZ = 16_000_000
EPOCHS = 40


def sentence(body: str) -> bytes:
    return f"${body}*{reduce(lambda x, c: x ^ ord(c), body, 0):02X}\r\n".encode()


def epoch(index: int) -> bytes:
    second, hundredth = divmod(20 * index, 100)
    at = f"1036{second:02d}.{hundredth:02d}"
    minutes = f"{12.5 + index / 1000:08.5f}"
    return b"".join(
        [
            sentence(f"GNGGA,{at},71{minutes},S,04300.25000,W,1,09,0.91,2756.0,M,12.5,M,,"),
            sentence("GNGSA,A,3,23,24,20,12,66,76,,,,,,,1.62,0.91,1.34,1"),
            sentence("GPGSV,1,1,04,12,43,207,28,20,20,251,31,23,27,251,31,24,89,268,,1"),
            sentence("GNVTG,,T,,M,0.046,N,0.085,K,A"),
            sentence(f"GNZDA,{at},06,03,2021,00,00"),
        ]
    )


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> tuple[JournalImage, bytes, Path]:
    """A card after a flight that a torn write ended, what the receiver sent, and the pulled journal."""
    journal = make_journal(tmp_path_factory.mktemp("card"), blocks=512, size_mib=8)
    epochs = [epoch(index) for index in range(EPOCHS)]
    line = bursts(epochs, baud=57_600, frequency_hz=HZ, period_ms=200, start_ms=1500)
    with Bench(
        build("atmega328p_16mhz"), image=journal.image, card=Card(busy=uniform(1, 20), seed=1), line=line, seed=1
    ) as bench:
        assert bench.run_ms(1500 + 200 * EPOCHS - 130).ok
        bench.cut(Cut(Damage.TORN, torn_at=300))
    journal.path.write_bytes(journal.image)
    target = journal.path.with_name("pulled.jnl")
    pull_from_path(journal.path, target)
    return journal, b"".join(epochs), target


def test_the_pulled_file_is_the_journal_as_it_lies(flown: tuple[JournalImage, bytes, Path]) -> None:
    journal, _, target = flown
    data = target.read_bytes()
    start = 512 * journal.first_sector
    assert data == bytes(journal.image[start : start + len(data)])
    with open_journal(target) as opened:
        report = verify(opened)
    assert report.blocks.intact == journal.read().blocks
    assert report.lost_bytes == 0


def test_the_raw_stream_is_a_beginning_of_what_was_sent(
    flown: tuple[JournalImage, bytes, Path], tmp_path: Path
) -> None:
    _, sent, target = flown
    result = salvage(BytesSource(target.read_bytes()))
    raw = tmp_path / "run.bin"
    size = write_raw((chunk.data for chunk in chunks_of_windows(salvaged_windows(result, 1))), raw)
    assert raw.read_bytes() == sent[:size]
    assert len(sent) - size < 2000  # the ring and one block at most


def test_position_altitude_and_date_come_out_right(flown: tuple[JournalImage, bytes, Path]) -> None:
    _, _, target = flown
    result = salvage(BytesSource(target.read_bytes()))
    reader = EpochReader(baud=57_600, run=1)
    epochs = EpochBatch.concat(list(reader.batches(salvaged_windows(result, 1))))
    track = track_of(epochs, 1, reader.counts, reader.notes)
    fixes = [fix for fix in track.fixes if fix.has_position]
    assert len(fixes) >= EPOCHS - 5
    first = fixes[0]
    assert first.utc == datetime(2021, 3, 6, 10, 36, 0, tzinfo=UTC)
    assert first.latitude_deg == pytest.approx(-(71 + 12.5 / 60), abs=1e-9)
    assert first.longitude_deg == pytest.approx(-(43 + 0.25 / 60), abs=1e-9)
    assert first.altitude_m == 2756.0
    # Epochs are 200 ms apart; the logger's ticks say the same within its own resolution and the interrupt's delay.
    steps = [later.tick_us - earlier.tick_us for earlier, later in pairwise(fixes)]
    assert all(abs(step - 200_000) <= 100 for step in steps)


def check_truncated(data: bytes, size: int, whole: list[tuple[int, int, int, bytes]]) -> None:
    result = salvage(BytesSource(data[:size]))
    found = [(frame.offset, frame.code, frame.payload) for frame in result.frames()]
    left = [(offset, code, payload) for offset, length, code, payload in whole if offset + length <= size]
    assert found == (left if size >= 512 else []), size
    assert result.account.recovered + result.account.skipped_bytes == size


def frames_of(data: bytes) -> list[tuple[int, int, int, bytes]]:
    return [(frame.offset, frame.size, frame.code, frame.payload) for frame in salvage(BytesSource(data)).frames()]


def test_truncated_at_every_offset_of_its_last_blocks(flown: tuple[JournalImage, bytes, Path]) -> None:
    data = flown[2].read_bytes()
    whole = frames_of(data)
    for size in range(len(data) - 4 * 512, len(data) + 1):
        check_truncated(data, size, whole)


def test_truncated_at_random_offsets_elsewhere(flown: tuple[JournalImage, bytes, Path]) -> None:
    data = flown[2].read_bytes()
    whole = frames_of(data)
    rng = random.Random(20261125)
    for _ in range(10_000):
        check_truncated(data, rng.randrange(len(data) - 4 * 512), whole)
