"""Sentences decoded by the compiled kernels and by those in NumPy: both as the streaming decoder does it."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
from any_dialect_streams import Maker
from binary_frames import sentence
from bulk_checks import assert_bulk_is_streaming
from bulk_dialects import EVERY as INVENTED
from bulk_dialects import every_column, text_message
from offtake.dialects.bulk import BulkDecoder, Tables, decode_columns, decode_sentences, find_messages
from offtake.dialects.tables import Dialect
from offtake.generated.dialects import NMEA0183
from offtake.native import OFF, kernels

TEXT = tuple(one for one in INVENTED if isinstance(one, Dialect))
WAYS = pytest.mark.parametrize("off", ["", "1"], ids=["compiled", "numpy"])
PLAIN = (
    "GNGGA,130001.90,3000.61928,N,03958.27526,W,1,13,0.91,-329.6,M,47.1,M,,",
    "GNRMC,130001.90,A,3000.61928,S,03958.27526,E,07.155,157.48,150526,3.5,W,A,V",
    "GPVTG,157.48,T,,M,07.155,N,13.251,K,A",
    "GNGSA,A,3,02,05,07,09,13,15,18,20,,,,,1.72,0.91,1.45,1",
    "GPGSV,3,1,10,02,82,202,43,05,-3,145,,07,27,347,24,,,,,1",
    "GPGSV,3,3,10,26,10,106,43",
    "GNGNS,130001,3000.61928,N,03958.27526,W,AAN,13,0.9,329.6,47.1,,,V",
    "GNZDA,130001.90,15,05,2026,00,00",
    "GNGST,130001.90,1.1,2.2,3.3,44.5,5.5,6.6,7.7",
)


def compiled(off: str) -> None:
    if not off and kernels() is None:
        pytest.skip("no C compiler")


@WAYS
@pytest.mark.parametrize("wild", [0.0, 0.1, 1.0])
def test_made_up_sentences(monkeypatch: pytest.MonkeyPatch, off: str, wild: float) -> None:
    monkeypatch.setenv(OFF, off)
    compiled(off)
    rng = random.Random(f"{wild}")
    for _ in range(4):
        assert_bulk_is_streaming(b"".join(text_message(rng, wild) for _ in range(100)), TEXT)


@WAYS
def test_every_text_of_every_column(monkeypatch: pytest.MonkeyPatch, off: str) -> None:
    monkeypatch.setenv(OFF, off)
    compiled(off)
    assert assert_bulk_is_streaming(b"".join(every_column()), TEXT) > 500


@WAYS
def test_sentences_of_every_kind(monkeypatch: pytest.MonkeyPatch, off: str) -> None:
    monkeypatch.setenv(OFF, off)
    compiled(off)
    for seed in range(4):
        assert_bulk_is_streaming(Maker(random.Random(seed), [NMEA0183]).stream(300, damage=0.02), [NMEA0183])


@WAYS
def test_plain_sentences_are_not_left_to_the_streaming_decoder(monkeypatch: pytest.MonkeyPatch, off: str) -> None:
    monkeypatch.setenv(OFF, off)
    compiled(off)
    doubtful: list[int] = []
    complete = decode_sentences.complete

    def counted(*arguments: Any) -> Any:
        doubtful.append(arguments[3].size)
        return complete(*arguments)

    monkeypatch.setattr(decode_sentences, "complete", counted)
    stream = b"".join(map(sentence, PLAIN))
    tables = decode_columns(stream, find_messages(stream, [NMEA0183]), [NMEA0183])
    assert sum(map(len, tables.values())) == len(PLAIN)
    assert doubtful == [0] * len(tables)


def test_both_ways_fill_the_same_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    compiled("")
    rng = random.Random(5)
    stream = b"".join(text_message(rng, 0.02) for _ in range(400))

    def tables(off: str) -> Tables:
        monkeypatch.setenv(OFF, off)
        return BulkDecoder(TEXT).window(stream).tables

    ours, theirs = tables(""), tables("1")
    assert list(ours) == list(theirs)
    for key, table in ours.items():
        assert list(table.columns) == list(theirs[key].columns)
        for name, column in table.columns.items():
            other = theirs[key].columns[name]
            assert (column.shape, column.values.dtype) == (other.shape, other.values.dtype)
            np.testing.assert_array_equal(column.absent, other.absent)
            if column.offsets is not None and other.offsets is not None:
                np.testing.assert_array_equal(column.offsets, other.offsets)
