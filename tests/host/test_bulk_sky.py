"""The satellites of many epochs at once against SkyGather, message by message."""

from __future__ import annotations

import random
import time
from collections.abc import Mapping, Sequence
from dataclasses import fields

import numpy as np
import pytest
from any_dialect_streams import Maker
from binary_frames import sentence
from hypothesis import given, settings
from hypothesis import strategies as st
from offtake.dialects.bulk import Tables, decode_columns, find_messages
from offtake.generated.dialects import DIALECTS, NMEA0183
from offtake.native import OFF
from offtake.track.bulk_sky import EpochSkies, gather_skies
from offtake.track.skies import SkyColumns
from offtake.track.sky import SkyGather
from offtake.track.values import Sky
from sky_tables import STRANGE, Ints, built_in, messages_of, one_by_one, some_tables

BUILT_IN = built_in()


def assert_as_one_by_one(tables: Tables, epochs: Mapping[tuple[str, str], Ints], count: int) -> EpochSkies:
    """Holds them against SkyGather, with the compiled kernels and without."""
    expected = one_by_one(tables, epochs, count)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(OFF, "1")
        assert_expected(gather_skies(tables, epochs, count), expected, count)
    found = gather_skies(tables, epochs, count)
    assert_expected(found, expected, count)
    return found


def assert_expected(found: EpochSkies, expected: Sequence[tuple[int, Sky | None]], count: int) -> None:
    assert found.in_view.tolist() == [in_view for in_view, _ in expected]
    skies = [(epoch, sky) for epoch, (_, sky) in enumerate(expected) if sky is not None]
    told = np.array([epoch for epoch, _ in skies], np.int64)
    wanted = SkyColumns.from_skies([sky for _, sky in skies], 1, fix=told)
    columns = found.columns(1, np.arange(count), np.arange(count))
    for one in fields(SkyColumns):
        mine, theirs = getattr(columns, one.name), getattr(wanted, one.name)
        np.testing.assert_array_equal(mine, theirs, err_msg=one.name)
        assert one.name == "run" or mine.dtype == theirs.dtype, one.name


def some_epochs(rng: random.Random, tables: Tables, count: int) -> dict[tuple[str, str], Ints]:
    """Each row's epoch, at random; in some of the tables every row has one."""
    epochs = {}
    for key, table in tables.items():
        least = rng.choice((-1, 0))
        epochs[key] = np.array([rng.randrange(least, count) for _ in range(len(table))], np.int64)
    return epochs


@given(st.integers(0, 2**32 - 1), st.sampled_from([1, 3, 12]))
def test_tables_of_the_built_in_dialects(seed: int, count: int) -> None:
    rng = random.Random(seed)
    tables = some_tables(rng, BUILT_IN, rng.choice((1, 6, 20)))
    assert_as_one_by_one(tables, some_epochs(rng, tables, count), count)


@given(st.integers(0, 2**32 - 1), st.sampled_from([1, 3, 12]))
def test_tables_of_dialects_that_call_anything_by_these_names(seed: int, count: int) -> None:
    rng = random.Random(seed)
    tables = some_tables(rng, rng.sample([*STRANGE, *BUILT_IN], 4), rng.choice((1, 6, 12)))
    assert_as_one_by_one(tables, some_epochs(rng, tables, count), count)


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1))
def test_streams_of_every_built_in_dialect(seed: int) -> None:
    rng = random.Random(seed)
    dialects = tuple(DIALECTS.values())
    stream = Maker(rng, dialects).stream(60, damage=0.02)
    tables = decode_columns(stream, find_messages(stream, dialects), dialects)
    epochs = some_epochs(rng, tables, 4)
    for key, table in tables.items():
        epochs[key][table.invalid_rows] = -1
    assert_as_one_by_one(tables, epochs, 4)


def sentences(*bodies: str) -> Tables:
    stream = b"".join(sentence(body) for body in bodies)
    return decode_columns(stream, find_messages(stream, [NMEA0183]), [NMEA0183])


def all_of(tables: Tables, epoch: int = 0) -> dict[tuple[str, str], Ints]:
    return {key: np.full(len(table), epoch, np.int64) for key, table in tables.items()}


def gsv(talker: str, *numbers: int, signal: int = 1, cn0: int = 30) -> str:
    groups = [f"{number},45,090,{cn0}" for number in numbers]
    return ",".join([f"{talker}GSV,1,1,{len(numbers)}", *groups, f"{signal:X}"])


def test_sets_of_several_sentences_systems_and_signals_beside_lists_of_those_used() -> None:
    tables = sentences(
        gsv("GP", 1, 2, 3, 4), gsv("GL", 65, 66), gsv("GP", 5), gsv("GP", 1, 5, signal=6), gsv("GA", 1),
        "GNGSA,A,3,01,05,31,,,,,,,,,,1,1,1,1", "GNGSA,A,3,,,,,,,,,,,,,1,1,1,2",
    )  # fmt: skip
    found = assert_as_one_by_one(tables, all_of(tables), 1)
    (sky,) = found.columns(7, np.array([55]), np.array([3]))
    assert [(one.system, one.satellite_id, one.signal_id, one.used) for one in sky.satellites] == [
        ("galileo", 1, 1, None), ("glonass", 65, 1, False), ("glonass", 66, 1, False),
        ("gps", 1, 1, True), ("gps", 1, 6, True), ("gps", 2, 1, False), ("gps", 3, 1, False), ("gps", 4, 1, False),
        ("gps", 5, 1, True), ("gps", 5, 6, True), ("gps", 31, None, True),
    ]  # fmt: skip
    assert (sky.run, sky.tick_us, sky.utc) == (7, 55, None)
    assert found.in_view.tolist() == [4 + 2 + 1]
    assert not found.odd.any()


def test_the_first_in_the_stream_that_knows_a_value_gives_it() -> None:
    """The order of tables, or of rows in a sorted table, is not the order in which things were said."""
    tables = sentences(*(gsv("GP", 5, cn0=cn0) for cn0 in (0, 31, 32)))
    found = assert_as_one_by_one(tables, all_of(tables), 1)
    assert found.satellites.cn0_db_hz.tolist() == [31]
    rng = random.Random(3)
    kinds = [one for one in BUILT_IN if one[1] in ("GSV", "satellites")]
    for _ in range(20):
        tables = some_tables(rng, kinds, 20)
        backwards = dict(reversed(tables.items()))
        assert_as_one_by_one(tables, all_of(tables), 1)
        assert_as_one_by_one(backwards, all_of(tables), 1)


def test_epochs_that_were_put_together_from_parts() -> None:
    """Absorbing a part gives what adding its messages gives, so parts of an epoch may be given as one."""
    for seed in range(40):
        rng = random.Random(seed)
        tables = some_tables(rng, BUILT_IN, 8)
        parts = [SkyGather(), SkyGather()]
        for _, message in messages_of(tables, all_of(tables)):
            parts[message.offset > 240].add(message)
        parts[0].absorb(parts[1])
        found = gather_skies(tables, all_of(tables), 1)
        assert found.in_view.tolist() == [-1 if parts[0].in_view is None else parts[0].in_view]
        sky = parts[0].finish(1, 0)
        assert list(found.columns(1, np.zeros(1, np.int64), np.zeros(1, np.int64))) == ([] if sky is None else [sky])


@pytest.mark.parametrize(
    "bodies",
    [
        [gsv("GN", *range(n, n + 4), signal=s) for s in range(6) for n in range(1, 361, 4)],
        [f"{a}{b}GSV,1,1,{ord(a)}" for a in "ABCDEFGH" for b in "ABCDE"],
        ["GNGSA,A,3," + ",".join(map(str, range(n, n + 12))) + ",1,1,1" for n in range(1, 900, 12)] + [gsv("GP", 5)],
    ],
    ids=["satellites", "talkers", "used"],
)
def test_a_flood_is_cut_where_it_is_cut_one_by_one(bodies: list[str]) -> None:
    bodies = [gsv("GP", 3, 4), "GPGSA,A,3,03,,,,,,,,,,,,1,1,1", *bodies, gsv("GP", 3, 4)]
    tables = sentences(*bodies)
    epochs = {key: np.ones(len(table), np.int64) for key, table in tables.items()}
    epochs["nmea0183", "GSV"][[0, -1]] = 0, 2
    found = assert_as_one_by_one(tables, epochs, 3)
    assert found.odd.tolist() == [False, True, False]


def test_what_is_of_no_epoch_tells_nothing() -> None:
    tables = sentences(gsv("GP", 1), gsv("GP", 2), "GPGSA,A,3,02,,,,,,,,,,,,1,1,1")
    found = gather_skies(tables, {("nmea0183", "GSV"): np.array([-1, 2])}, 4)
    assert found.in_view.tolist() == [-1, -1, 1, -1]
    assert found.start.tolist() == [0, 0, 0, 1, 1]
    assert found.satellites.satellite_id.tolist() == [2]
    assert found.satellites.used.tolist() == [-1]
    assert len(found.columns(1, np.arange(4), np.array([0, 1, -1, 2]))) == 0
    for nothing in (gather_skies(tables, {}, 3), gather_skies({}, {}, 3)):
        assert nothing.in_view.tolist() == [-1] * 3
        assert len(nothing.columns(1, np.arange(3), np.arange(3))) == 0


def test_columns_are_of_the_epochs_that_are_given_out() -> None:
    tables = sentences(*(gsv("GP", 1, 2, signal=n) for n in range(4)))
    found = gather_skies(tables, {("nmea0183", "GSV"): np.array([0, 1, 3, 3])}, 5)
    columns = found.columns(2, 10 * np.arange(5), np.array([0, -1, 1, 2, 3]))
    assert columns.fix.tolist() == [0, 2]
    assert columns.tick_us.tolist() == [0, 30]
    assert columns.start.tolist() == [0, 2, 6]
    assert columns.signal_id.tolist() == [0, 0, 2, 3, 2, 3]


def test_many_epochs_with_large_numbers() -> None:
    """So many that their marks are not all held at a time; numbers lie on both sides of every border."""
    rng = random.Random(8)
    kinds = [one for one in BUILT_IN if one[1] in ("GSV", "GSA")]
    tables = some_tables(rng, kinds, 400)
    for name, item in (("GSV", "satellite_id"), ("GSA", "satellites")):
        items = tables["nmea0183", name].columns["satellites"].items
        assert items is not None
        items[item].values[:] = [rng.choice((0, 1, 2, 4094, 4095)) for _ in range(len(items[item]))]
    epochs = {key: np.sort([rng.randrange(700) for _ in range(len(table))]) for key, table in tables.items()}
    found = assert_as_one_by_one(tables, epochs, 700)
    assert not found.odd.any()
    assert sorted(set(found.satellites.used.tolist())) == [-1, 0, 1]


def test_it_costs_a_part_of_decoding_the_same_sentences() -> None:
    bodies = [gsv(talker, *range(n, n + 4)) for talker in ("GP", "GL", "GA", "GB") for n in (65, 69, 73)]
    bodies += [f"GNGSA,A,3,65,66,67,,,,,,,,,,1,1,1,{system}" for system in (1, 2, 3, 4)]
    stream = b"".join(map(sentence, bodies)) * 500
    times = []
    for _ in range(3):
        begin = time.process_time()
        tables = decode_columns(stream, find_messages(stream, [NMEA0183]), [NMEA0183])
        epochs = {key: np.arange(len(table)) // (len(table) // 500) for key, table in tables.items()}
        decoded = time.process_time()
        gather_skies(tables, epochs, 500)
        times.append((time.process_time() - decoded) / (decoded - begin))
    assert min(times) < 0.8
