"""Whatever a log says of its own messages, the export ends well: harmless files, whole rows, no crash."""

from __future__ import annotations

import csv
import re
import tempfile
from pathlib import Path

import pyarrow.parquet as pq  # type: ignore[import-untyped]
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from measured_logs import Log, own_descriptions
from offtake.jobs.export import export

_TRACKS = r"\.csv|_events\.csv|_(fixes|satellites|events)\.parquet"
_NAME = re.compile(rf"day({_TRACKS}|_measured(_[a-z][a-z0-9_]*)?\.(csv|parquet))")


@st.composite
def told(draw: st.DrawFn) -> bytes:
    """A description: a right one, one with a byte changed or cut off, or anything."""
    what = draw(st.sampled_from(["own", "made", "changed", "cut", "noise"]))
    if what == "noise":
        return draw(st.binary(max_size=40))
    if what == "made":
        return bytes([1, draw(st.integers(0, 255)), 1]) + b"m" + draw(st.binary(max_size=30))
    payload = bytearray(draw(st.sampled_from(own_descriptions())))
    if what == "changed":
        payload[draw(st.integers(0, len(payload) - 1))] = draw(st.integers(0, 255))
    return bytes(payload[: draw(st.integers(0, len(payload)))]) if what == "cut" else bytes(payload)


FRAMES = st.lists(st.tuples(st.integers(1, 127), st.integers(0, 2**32 - 1), st.binary(max_size=60)), max_size=12)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(st.lists(told(), max_size=4), FRAMES), min_size=1, max_size=3))
def test_any_log_is_exported(runs: list[tuple[list[bytes], list[tuple[int, int, bytes]]]]) -> None:
    log = Log()
    for descriptions, frames in runs:
        log.run(descriptions)
        for code, tick, payload in frames:
            log.put(code, tick, payload)
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder, "a.jnl")
        source.write_bytes(log.data())
        done = export(source, ["csv", "parquet"], Path(folder, "day"))
        made = [path for path in Path(folder).iterdir() if not path.name.startswith(source.name)]
        assert all(_NAME.fullmatch(path.name) for path in made)
        for file in done.measured:
            if file.format == "parquet":
                assert pq.read_table(file.path).num_rows == file.rows
                continue
            with file.path.open(newline="", encoding="utf-8") as lines:
                head, *rows = csv.reader(lines)
            assert len(rows) == file.rows
            assert {len(row) for row in rows} <= {len(head)}
            assert len(set(head)) == len(head)
