"""Enumerations and flag sets over a run's time: a lane for each word, a band while it holds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from offtake.report import text
from offtake.report.draw_bands import Lane, lanes_drawn, lanes_sheet, lanes_words
from offtake.report.picture import Picture
from offtake.report.series import Floats, RunSeries
from offtake.report.thin import sensor_pause_s

if TYPE_CHECKING:
    from offtake.journal.columns import Column
    from offtake.journal.measured import Series

LANES_MAX = 8
"""Words that have a lane, those told most often."""
_NAME_MAX, _WORDS_MAX = 20, 60


@dataclass(frozen=True)
class States:
    """Words over time. ``raw`` values hold from ``starts`` to ``ends``, in seconds of the axis; all of shape (n,), in
    order. ``sudden`` ones came at no even pace: each is an event of its own."""

    heading: str
    said: str
    column: Column
    starts: Floats
    ends: Floats
    raw: NDArray[np.int64]
    sudden: bool
    ticks_us: NDArray[np.int64]


def states_of(
    series: RunSeries, measured: Series, column: Column, heading: str, said: str, *, sudden: bool
) -> list[States]:
    """A column's states, or nothing where no frame has it.

    What comes at an even pace holds until the next value but not over a pause; what is ``sudden`` holds until it
    changes, or frames are missing, or the run ends.
    """
    order = np.flatnonzero(column.present)
    order = order[np.argsort(measured.tick_us[order], kind="stable")]
    if not len(order):
        return []
    ticks = measured.tick_us[order]
    seconds = series.clock.seconds(ticks)
    end = max(series.length_s, float(seconds[-1]))
    ends = np.append(seconds[1:], end)
    if sudden:
        ends = np.minimum(ends, _next_break(series, seconds, end))
    else:
        usual = float(np.median(np.diff(seconds))) if len(seconds) > 1 else 0.0
        ends = np.where(ends - seconds > sensor_pause_s(seconds), seconds + usual, ends)
    return [States(heading, said, column, seconds, ends, column.values[order].astype(np.int64), sudden, ticks)]


def _next_break(series: RunSeries, seconds: Floats, end: float) -> Floats:
    """Of each moment the next one at which frames may be missing."""
    ticks = [event.tick_us for event in series.run.events if event.kind == "damage" or event.cause == "sensor_room"]
    breaks = np.append(np.sort(series.clock.seconds(np.array(ticks, dtype=np.int64))), end)
    return np.asarray(breaks[np.minimum(np.searchsorted(breaks, seconds, side="right"), len(breaks) - 1)])


def state_words(column: Column, raw: int) -> str:
    """What a value says: the choice's name, or the names of all flags that are set."""
    choices = dict(column.choices)
    if column.kind == "word":
        return text.stranger(choices.get(raw, f"value {raw}"), _NAME_MAX) or f"value {raw}"
    names = [text.stranger(choices.get(bit, f"bit {bit}"), _NAME_MAX) or f"bit {bit}" for bit in _bits(raw)]
    return text.stranger(", ".join(names) or "none", _WORDS_MAX)


def _bits(raw: int) -> list[int]:
    return [bit for bit in range(32) if raw >> bit & 1]


def lanes_of_states(states: States) -> tuple[tuple[Lane, ...], int]:
    """A lane for each of the words told most often, by value, and how many more words were told."""
    flags = states.column.kind == "flags"
    every, counts = np.unique(states.raw, return_counts=True)
    keys = Counter(dict(zip(every.tolist(), counts.tolist(), strict=True)))
    if flags:
        bits: Counter[int] = Counter()
        for raw, count in keys.items():
            bits.update(dict.fromkeys(_bits(raw), count))
        keys = bits
    kept = sorted(key for key, _ in sorted(keys.items(), key=lambda one: (-one[1], one[0]))[:LANES_MAX])
    lanes = []
    for place, key in enumerate(kept):
        held = (states.raw >> key & 1).astype(bool) if flags else states.raw == key
        words = state_words(states.column, 1 << key if flags else key)
        spans = tuple(zip(states.starts[held].tolist(), states.ends[held].tolist(), strict=True))
        marks = tuple(states.starts[held].tolist()) if states.sudden else ()
        lanes.append(Lane(words, ("first", "second", "third")[place % 3], spans, marks))
    return tuple(lanes), len(keys) - len(kept)


def states_picture(states: States, series: RunSeries, name: str) -> Picture:
    """Draw ``states`` over the run's axis."""
    lanes, others = lanes_of_states(states)
    if not lanes:
        words = "No flag was set in this run."
        return Picture(name, "time", states.heading, words, words, None, (lanes_sheet(1),) * 2)
    words = lanes_words(lanes)
    words += " Fine marks: the moments it was told." if states.sudden else ""
    if others:
        words += f" {text.plural(others, 'further word is', 'further words are')} not drawn."
    description = f"{states.heading} over time. {words}"
    sheet = lanes_sheet(len(lanes))
    return Picture(name, "time", states.heading, words, description, lanes_drawn(series, lanes), (sheet, sheet))


def cursor_row(states: States, length_s: float, columns: int) -> dict[str, Any]:
    """What the time cursor reads out: of each column the first word that held in it and the last, as places in
    ``words``; ``null`` where nothing is known, and for the last where it is the first."""
    first: list[int | None] = [None] * columns
    last: list[int | None] = [None] * columns
    at = np.clip(np.floor(states.starts / length_s * columns), 0, columns - 1).astype(np.int64)
    until = np.clip(np.ceil(states.ends / length_s * columns) - 1, at, columns - 1).astype(np.int64)
    # Of those that begin in one column only its first and last show.
    edge = np.diff(at) != 0
    for place in np.flatnonzero(np.append(edge, True) | np.insert(edge, 0, True)).tolist():
        raw = int(states.raw[place])
        for column in range(at[place], until[place] + 1):
            first[column] = raw if first[column] is None else first[column]
            last[column] = raw
    seen = sorted({raw for raw in (*first, *last) if raw is not None})
    places = {raw: place for place, raw in enumerate(seen)}

    def placed(values: Sequence[int | None]) -> list[int | None]:
        return [None if raw is None else places[raw] for raw in values]

    least, greatest = placed(first), placed(last)
    return {
        "name": states.said,
        "unit": "",
        "digits": 0,
        "hold": False,
        "minor": False,
        "least": least,
        "greatest": [None if low == high else high for low, high in zip(least, greatest, strict=True)],
        "words": [state_words(states.column, raw) for raw in seen],
    }
