"""Epochs of whole windows against epochs of one message after the other, on many seeded receivers and on noise."""

from __future__ import annotations

import dataclasses
import pickle
import random
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from any_dialect_streams import Maker
from bulk_dialects import EVERY, every_message
from epoch_streams import BAUD, FRAMES, TEXTS, Receiver, any_receiver, chunks_of
from epoch_ways import RUN, assert_ways_agree, bulk, windows
from hypothesis import given, settings
from hypothesis import strategies as st
from mixed_streams import SOUNDER, damaged_stream
from offtake.dialects.registry import chosen_dialects
from offtake.dialects.stream import StreamChunk, byte_time_us
from offtake.dialects.tables import AnyDialect, BinaryDialect
from offtake.errors import UsageError
from offtake.scenario.load import load_scenario
from offtake.scenario.receiver import receiver_bursts
from offtake.track import bulk_epochs
from offtake.track.bulk.batch import EpochBatch
from offtake.track.bulk_epochs import EpochGrouper, WindowDecoder

SEEDED = settings(derandomize=True, deadline=None, max_examples=60, database=None)
ALL = chosen_dialects(extra=(SOUNDER,))
DEMO = Path(__file__).resolve().parents[2] / "demo_data/kayak_survey.toml"


def any_counts(rng: random.Random) -> list[int]:
    """Chunks in the first few windows."""
    return [rng.choice([1, 2, 5, 20, 50]) for _ in range(rng.randrange(8))]


def chopped(rng: random.Random, data: bytes) -> list[StreamChunk]:
    """A stream in chunks of any size, with pauses and losses between."""
    chunks, at, tick_us = [], 0, 0
    while at < len(data):
        part = data[at : at + rng.choice([0, 1, 3, 50, 400, 4096])]
        chunks.append(StreamChunk(tick_us, part, rng.random() < 0.05))
        at += len(part)
        tick_us += byte_time_us(len(part), BAUD) + rng.choice([0, 0, 5_000, 19_999, 20_000, 40_000, 100_000])
    return chunks


def receiver_case(seed: int) -> tuple[int, int]:
    """Epochs merged together and one by one, of some receiver."""
    rng = random.Random(seed)
    faults = rng.choice([0.0, 0.0, 0.01, 0.05, 0.2])
    receiver = any_receiver(rng, faults)
    epochs = [receiver.epoch() for _ in range(rng.randrange(2, 50))]
    grouper = assert_ways_agree(chunks_of(rng, epochs, receiver.step_us, faults), ALL, BAUD, any_counts(rng))
    return grouper.plain, grouper.single


@SEEDED
@given(st.integers(0, 2**32))
def test_any_receiver(seed: int) -> None:
    receiver_case(seed)


@settings(SEEDED, max_examples=40)
@given(st.integers(0, 2**32))
def test_mixed_and_damaged_streams(seed: int) -> None:
    rng = random.Random(seed)
    stream = damaged_stream(rng, messages=40, edits=8).stream
    assert_ways_agree(chopped(rng, stream), ALL, BAUD, any_counts(rng))


@pytest.mark.parametrize("seed", range(20))
def test_hostile_values_of_every_dialect(seed: int) -> None:
    rng = random.Random(seed)
    stream = Maker(rng, ALL).stream(60)
    assert_ways_agree(chopped(rng, stream), ALL, BAUD, any_counts(rng))


@pytest.mark.parametrize("seed", range(5))
def test_dialects_with_every_kind_of_field(seed: int) -> None:
    rng = random.Random(seed)
    stream = b"".join(every_message(rng, 0.1) for _ in range(100))
    assert_ways_agree(chopped(rng, stream), EVERY, BAUD, any_counts(rng))


# Names that the track knows, for fields that are something else.
KNOWN_NAMES = (
    "time_of_day_us", "time_of_week_us", "leap_s", "week", "week_bits", "date", "date_valid", "time_valid", "system_id",
    "latitude_deg", "longitude_deg", "altitude_m", "height_m", "hdop", "satellites_used", "fix_quality", "mode",
    "modes", "status", "fix_type", "fix_ok", "position_void", "differential", "carrier_solution", "speed_m_s",
    "speed_kn", "course_deg", "velocity_north_m_s", "velocity_east_m_s", "velocity_down_m_s", "horizontal_accuracy_m",
    "latitude_sigma_m", "longitude_sigma_m", "satellites_in_view", "satellites", "datum", "latitude_offset_min",
)  # fmt: skip


def misnamed(rng: random.Random, dialect: AnyDialect) -> AnyDialect:
    """The dialect with some fields by names of others: what a user's own dialect may do."""

    def renamed(fields: Sequence[Any]) -> tuple[Any, ...]:
        free = [name for name in KNOWN_NAMES if all(field.name != name for field in fields)]
        fixed = {getattr(field, "when", "") for field in fields} | {
            getattr(field, "count_field", "") for field in fields
        }
        return tuple(
            dataclasses.replace(field, name=free.pop(rng.randrange(len(free))))
            if field.name not in fixed and rng.random() < share
            else field
            for field in fields
        )

    share = rng.choice([0.02, 0.1, 0.5])
    part = "messages" if isinstance(dialect, BinaryDialect) else "sentences"
    kinds = [dataclasses.replace(one, fields=renamed(one.fields)) for one in getattr(dialect, part)]
    return dataclasses.replace(dialect, **{part: tuple(kinds)})


@pytest.mark.parametrize("seed", range(30))
def test_dialects_that_give_known_names_to_other_things(seed: int) -> None:
    rng = random.Random(seed)
    if seed % 3 == 0:
        dialects = [misnamed(rng, dialect) for dialect in EVERY]
        chunks = chopped(rng, b"".join(every_message(rng, 0.02) for _ in range(100)))
    else:
        dialects = [misnamed(rng, dialect) for dialect in ALL]
        receiver = any_receiver(rng, 0.02)
        chunks = chunks_of(rng, [receiver.epoch() for _ in range(30)], receiver.step_us, 0.02)
    assert_ways_agree(chunks, dialects, BAUD, any_counts(rng))


def demo_chunks(count: int) -> list[StreamChunk]:
    scenario = load_scenario(DEMO)
    receiver = dataclasses.replace(scenario.receiver, duration_s=count / scenario.receiver.rate_hz)
    bursts = receiver_bursts(dataclasses.replace(scenario, receiver=receiver))
    return [StreamChunk(round(burst.at_ms * 1000), burst.data, False) for burst in bursts]


def test_the_demo_s_receiver_and_that_its_epochs_are_plain() -> None:
    chunks = demo_chunks(500)
    assert assert_ways_agree(chunks, ALL, BAUD).plain >= 499
    # However it is cut: each cut costs one epoch.
    assert assert_ways_agree(chunks, ALL, BAUD, [100, 200]).plain >= 497
    assert assert_ways_agree(chunks[:60], ALL, BAUD, [1] * 60).single <= 60


ORDINARY: list[tuple[str, Sequence[str], dict[str, Any]]] = [
    ("text, time first", ("GGA", "RMC", "GSA", "GSV", "VTG", "ZDA"), {"systems": ("1", "2")}),
    ("text, time last", ("VTG", "GSA", "GSV", "GGA", "RMC"), {}),
    ("text, several talkers", ("RMC", "VTG", "GGA", "GSA", "GSV", "GLL"), {"talkers": ("GP", "GL", "GN")}),
    ("frames", ("PVT", "SAT", "DOP"), {}),
    ("frames, one after the other", ("DOP", "POS", "VEL", "GPS", "SAT", "END"), {}),
    ("both", ("GGA", "RMC", "GSA", "PVT", "SAT", "GST"), {}),
    ("both, GPS time first", ("POS", "FINE", "GGA", "VTG", "DTM"), {}),
    ("without a position", ("GGA", "RMC", "GSA", "GSV"), {"no_position": True}),
]


@pytest.mark.parametrize(("kinds", "options"), [case[1:] for case in ORDINARY], ids=[case[0] for case in ORDINARY])
@pytest.mark.parametrize("paused", [True, False], ids=["paused", "joined"])
def test_epochs_of_ordinary_receivers_are_plain(kinds: Sequence[str], options: dict[str, Any], *, paused: bool) -> None:
    receiver = Receiver(random.Random(1), kinds, **options)
    chunks: list[StreamChunk] = []
    for number in range(400):
        data = b"".join(receiver.epoch())
        end_us = chunks[-1].tick_us + byte_time_us(len(chunks[-1].data), BAUD) if chunks else 0
        chunks.append(StreamChunk(number * receiver.step_us if paused else end_us, data, False))
    grouper = assert_ways_agree(chunks, ALL, BAUD, [150])
    assert grouper.plain > 0.985 * (grouper.plain + grouper.single)
    assert grouper.plain + grouper.single == 400


def test_a_few_losses_cost_a_few_epochs_only() -> None:
    rng = random.Random(5)
    chunks = demo_chunks(600)
    for place in rng.sample(range(600), 12):
        one = chunks[place]
        chunks[place] = StreamChunk(one.tick_us, one.data[rng.randrange(1, len(one.data)) :], True)
    grouper = assert_ways_agree(chunks, ALL, BAUD)
    assert grouper.single < 60


def test_receivers_that_tell_no_time_are_read_all_the_same() -> None:
    rng = random.Random(6)
    receiver = Receiver(rng, ("GGA", "RMC", "GSV"), bare=True)
    epochs = [receiver.epoch() for _ in range(60)]
    assert_ways_agree(chunks_of(rng, epochs, receiver.step_us, 0.0), ALL, BAUD, [20, 7])


def test_an_epoch_does_not_grow_without_end() -> None:
    receiver = Receiver(random.Random(7), ("GGA",))
    same = receiver.epoch()[0]
    heading = Receiver(random.Random(8), ("GSV",), week_us=receiver.week_us)
    sets = b"".join(heading.epoch()[0] for _ in range(3)) if heading.epoch() else b""
    data = (same + sets * 800) * 2 + b"".join(receiver.epoch()[0] for _ in range(20))
    assert_ways_agree([StreamChunk(0, data, False)], ALL, BAUD)


def test_windows_can_be_decoded_elsewhere() -> None:
    chunks = demo_chunks(120)
    decoder, grouper = WindowDecoder(ALL, BAUD), EpochGrouper(ALL, RUN, BAUD)
    other = EpochGrouper(ALL, RUN, BAUD, at_once=10_000)
    batches, expected = [], []
    for window in windows(chunks, [50]):
        batches.append(grouper.take(pickle.loads(pickle.dumps(decoder.window(window)))))
        expected.append(other.window(window))
    batches.append(grouper.finish(pickle.loads(pickle.dumps(decoder.finish()))))
    expected.append(other.finish())
    one, two = EpochBatch.concat(batches), EpochBatch.concat(expected)
    assert (one.fixes, one.marks, one.skies) == (two.fixes, two.marks, two.skies)
    assert decoder.counts == other.counts


def test_small_windows_are_taken_together() -> None:
    chunks = demo_chunks(300)
    batch, grouper = bulk(chunks, ALL, BAUD, [1] * 300, at_once=50_000)
    assert grouper.single <= 4
    assert batch.fixes == bulk(chunks, ALL, BAUD, [])[0].fixes


def test_windows_full_of_short_messages_are_made_smaller(monkeypatch: pytest.MonkeyPatch) -> None:
    chunks = demo_chunks(60)
    expected = bulk(chunks, ALL, BAUD, [])[0]
    monkeypatch.setattr(bulk_epochs, "MESSAGES_AT_ONCE", 100)
    (window, *_) = windows(chunks, [60])
    grouper = EpochGrouper(ALL, RUN, BAUD, at_once=0)
    parts = list(grouper.batches(window))
    # Eight windows, the last of which is still being decoded: eight sentences an epoch.
    assert len(parts) == 7
    assert EpochBatch.concat([*parts, grouper.finish()]).fixes == expected.fixes
    assert grouper.single <= 9


def test_what_is_refused() -> None:
    with pytest.raises(UsageError, match="0 baud"):
        EpochGrouper(ALL, RUN, 0)
    with pytest.raises(UsageError, match="none"):
        EpochGrouper((), RUN, BAUD)


@pytest.mark.long
def test_many_receivers() -> None:
    plain, single = (sum(counts) for counts in zip(*(receiver_case(seed) for seed in range(10_000)), strict=True))
    assert plain > 3 * single


def test_the_receivers_above_say_every_kind_of_message() -> None:
    receiver = Receiver(random.Random(9), TEXTS + FRAMES)
    data = b"".join(receiver.epoch())
    grouper = assert_ways_agree([StreamChunk(0, data, False)], ALL, BAUD)
    counts = grouper.counts
    assert (counts.invalid, counts.unknown, counts.noise_bytes) == (0, 0, 0)
    names = {name for one in counts.dialects.values() for name in one.names}
    assert len(names) == len(TEXTS) + len(FRAMES)
