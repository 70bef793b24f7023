"""The report's figures: one table, of each run and of the whole journal, that every sentence refers to."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from offtake.generated.records import Board
from offtake.report import text
from offtake.report.cells import Figure, Group
from offtake.report.inputs import ReportInput, RunInput
from offtake.report.kinds import GLITCHES, SENSOR_CAUSES
from offtake.report.sensor_rows import has_sensors, sensor_rows
from offtake.report.series import RunSeries
from offtake.track.analysis import Spread

ENDED = {1: "journal full", 2: "greeted by a computer"}
MEASURED = "What did the sensors measure?"


@dataclass(frozen=True)
class RunFacts:
    """A run's numbers, where sentences and table cells come from. Times in seconds."""

    run: RunInput
    series: RunSeries
    length_s: float
    ended: str
    epochs: int
    placed: int
    losses: Counter[str]
    supply_least_v: float | None
    card_busy_greatest_ms: float | None
    uncertainty_median_s: float | None
    uncertainty_greatest_s: float | None

    @property
    def gap_s(self) -> float:
        """Seconds without a position, over all gaps."""
        return sum(gap.seconds for gap in self.run.analysis.gaps)

    @property
    def sensor_frames(self) -> int:
        """Frames of its sensors, of all messages."""
        return sum(one.frames for one in self.run.measured)

    @property
    def sensor_losses(self) -> int:
        """Frames and readings of sensors that are known to be missing."""
        return sum(self.losses[cause] for cause in SENSOR_CAUSES)


@dataclass(frozen=True)
class Facts:
    """Everything counted, over all runs and of each."""

    inputs: ReportInput
    runs: tuple[RunFacts, ...]
    groups: tuple[Group, ...] = field(default=())

    def figure(self, key: str) -> Figure:
        """Return a row by its key."""
        return next(one for group in self.groups for one in group.figures if one.key == key)


def gather(inputs: ReportInput) -> Facts:
    """Count everything once."""
    runs = tuple(_of_run(run) for run in inputs.runs)
    facts = Facts(inputs, runs)
    sensors = (_sensors(facts),) if has_sensors(runs) else ()
    groups = (_logged(facts), *sensors, _missing(facts), _fixes(facts), _glitches(facts), _time(facts))
    return Facts(inputs, runs, tuple(group for group in groups if group.figures))


def _of_run(run: RunInput) -> RunFacts:
    series = RunSeries(run)
    losses: Counter[str] = Counter()
    for event in run.events:
        if event.kind == "loss" and event.cause is not None:
            losses[event.cause] += event.count or 0
    end = run.info.end
    supply, busy = series.supply_v.values, series.card_busy_ms.values
    middle, greatest = _uncertainty(run, series)
    return RunFacts(
        run=run,
        series=series,
        length_s=series.clock.second(run.last_tick_us),
        ended="cut off" if end is None else ENDED.get(int(end.reason), f"reason {int(end.reason)}"),
        epochs=len(series.fixes),
        placed=int(series.placed.sum()),
        losses=losses,
        supply_least_v=float(supply.min()) if len(supply) else None,
        card_busy_greatest_ms=float(busy.max()) if len(busy) else None,
        uncertainty_median_s=middle,
        uncertainty_greatest_s=greatest,
    )


def _uncertainty(run: RunInput, series: RunSeries) -> tuple[float | None, float | None]:
    timeline = run.track.timeline
    if timeline is None or not timeline.usable or not len(series.ticks_us):
        return None, None
    _, uncertainty = timeline.stamp_many(series.ticks_us)
    return float(np.median(uncertainty)), float(np.max(uncertainty))


class _Rows:
    """Collects rows of one group."""

    def __init__(self, facts: Facts) -> None:
        self.facts = facts
        self.rows: list[Figure] = []

    def add(self, key: str, label: str, cell: Callable[[RunFacts], str], whole: str = text.NONE) -> None:
        """``cell`` makes a run's text; ``whole`` is the journal's."""
        self.rows.append(Figure(key, label, whole, {one.run.run: cell(one) for one in self.facts.runs}))

    def sum(self, key: str, label: str, count: Callable[[RunFacts], int]) -> None:
        """A count that adds up over runs."""
        counts = {one.run.run: count(one) for one in self.facts.runs}
        cells = {run: text.whole(value) for run, value in counts.items()}
        self.rows.append(Figure(key, label, text.whole(sum(counts.values())), cells))


def _logged(facts: Facts) -> Group:
    rows = _Rows(facts)
    rows.add("start", "Start", lambda one: text.moment(one.series.clock.start_utc))
    total = text.duration(sum(one.length_s for one in facts.runs))
    rows.add("length", "Length", lambda one: text.duration(one.length_s), total)
    rows.sum("bytes", "Bytes of the line", lambda one: one.run.info.raw_bytes)
    rows.sum("frames", "Frames", lambda one: one.run.info.frames)
    if any(one.sensor_frames for one in facts.runs):
        rows.sum("sensors", "Frames of sensors", lambda one: one.sensor_frames)
    rows.add("ended", "Ended", lambda one: one.ended)
    rows.add("speed", "Speed of the line", lambda one: _start(one, "baud"))
    rows.add("board", "Board, firmware", lambda one: _start(one, "board"))
    rows.add("supply", "Least supply voltage", lambda one: text.number(one.supply_least_v, 2, "V"))
    rows.add("busy", "Longest card busy time", lambda one: text.number(one.card_busy_greatest_ms, 0, "ms"))
    return Group("Did it log?", tuple(rows.rows))


def _sensors(facts: Facts) -> Group:
    return Group(MEASURED, sensor_rows(facts.runs))


def _start(one: RunFacts, what: str) -> str:
    start = one.run.info.start
    if start is None:
        return text.NONE
    if what == "baud":
        return f"{text.whole(start.baud)} Bd"
    # A newer firmware may name a board that this version does not know.
    name = start.board.name.lower() if isinstance(start.board, Board) else f"board {int(start.board)}"
    return f"{name}, {start.firmware_major}.{start.firmware_minor}.{start.firmware_patch}"


def _missing(facts: Facts) -> Group:
    rows = _Rows(facts)
    verify = facts.inputs.verify
    rows.sum("lost", "Bytes counted lost (exact)", lambda one: one.run.info.lost_bytes)
    rows.sum("flags", "Flags for lost or doubtful bytes (at least)", lambda one: one.run.info.loss_events)
    if has_sensors(facts.runs):
        rows.sum("sensor_room", "Frames of sensors without room (exact)", lambda one: one.losses["sensor_room"])
        rows.sum("sensor_silent", "Readings that a sensor did not give (exact)",
                 lambda one: one.losses["sensor_silent"])  # fmt: skip
    for key, label, count in (
        ("blocks", "Intact blocks", verify.blocks.intact),
        ("damaged", "Damaged blocks", verify.blocks.damaged + verify.blocks.torn),
        ("absent", "Missing blocks", verify.missing_blocks),
    ):
        rows.add(key, label, lambda one: text.NONE, text.whole(count))
    rows.sum("bad", "Messages that failed their check", lambda one: one.run.track.counts.bad_checksum)
    rows.sum("noise", "Bytes of no message", lambda one: one.run.track.counts.noise_bytes)
    rows.sum("gaps", "Gaps in the track", lambda one: len(one.run.analysis.gaps))
    gap_s = sum(one.gap_s for one in facts.runs)
    rows.add("gap_time", "Time in gaps", lambda one: text.duration(one.gap_s), text.duration(gap_s))
    longest = max((gap.seconds for one in facts.runs for gap in one.run.analysis.gaps), default=0.0)
    rows.add("gap_longest", "Longest gap", _longest_gap, text.duration(longest))
    return Group("Is anything missing?", tuple(rows.rows))


def _longest_gap(one: RunFacts) -> str:
    return text.duration(max((gap.seconds for gap in one.run.analysis.gaps), default=0.0))


def _fixes(facts: Facts) -> Group:
    rows = _Rows(facts)
    placed, epochs = sum(one.placed for one in facts.runs), sum(one.epochs for one in facts.runs)
    rows.sum("epochs", "Epochs", lambda one: one.epochs)
    rows.sum("placed", "Epochs with a position", lambda one: one.placed)
    rows.add(
        "share", "Share with a position", lambda one: text.share(one.placed, one.epochs), text.share(placed, epochs)
    )
    rows.add(
        "satellites", "Satellites used, median", lambda one: _spread(one.run.analysis.satellites_used, "median", 0)
    )
    rows.add("hdop", "Horizontal dilution, median", lambda one: _spread(one.run.analysis.hdop, "median", 2))
    rows.add("hdop95", "Horizontal dilution, 95 % within", lambda one: _spread(one.run.analysis.hdop, "p95", 2))
    accuracy = "Horizontal accuracy as the receiver tells it"
    for key, words, name in (("accuracy", "median", "median"), ("accuracy95", "95 % within", "p95")):
        rows.add(key, f"{accuracy}, {words}", _accuracy(name))
    rows.add("cn0", "C/N0, median", lambda one: _spread(one.run.analysis.cn0_db_hz, "median", 1, "dB-Hz"))
    way = sum(one.run.analysis.distance_m for one in facts.runs)
    rows.add("way", "Way", lambda one: text.length(one.run.analysis.distance_m), text.length(way))
    rows.add("climb", "Climb", lambda one: text.length(one.run.analysis.climb_m))
    rows.add("descent", "Descent", lambda one: text.length(one.run.analysis.descent_m))
    moving = sum(one.run.analysis.moving_s for one in facts.runs)
    still = sum(one.run.analysis.stationary_s for one in facts.runs)
    rows.add("moving", "Time moving", lambda one: text.duration(one.run.analysis.moving_s), text.duration(moving))
    rows.add("still", "Time at rest", lambda one: text.duration(one.run.analysis.stationary_s), text.duration(still))
    rows.add("pace", "Speed, median", lambda one: _spread(one.run.analysis.speed_m_s, "median", 2, "m/s"))
    rows.add("fastest", "Speed, greatest", lambda one: _spread(one.run.analysis.speed_m_s, "greatest", 2, "m/s"))
    rows.add("course", "Mean course while moving", lambda one: text.number(one.run.analysis.course_mean_deg, 0, "°"))
    return Group("Are the fixes good?", tuple(rows.rows))


def _accuracy(name: str) -> Callable[[RunFacts], str]:
    return lambda one: text.length(getattr(one.run.analysis.horizontal_accuracy_m, name, None))


def _spread(spread: Spread | None, name: str, digits: int, unit: str = "") -> str:
    return text.number(None if spread is None else getattr(spread, name), digits, unit)


def _glitches(facts: Facts) -> Group:
    rows = _Rows(facts)
    rows.sum("glitches", "Glitches", lambda one: len(one.run.analysis.glitches))
    for kind, label in GLITCHES.items():
        rows.sum(f"glitch_{kind}", label.capitalize(), _count_kind(kind))
    return Group("Did anything glitch?", tuple(rows.rows))


def _count_kind(kind: str) -> Callable[[RunFacts], int]:
    return lambda one: sum(glitch.kind == kind for glitch in one.run.analysis.glitches)


def _time(facts: Facts) -> Group:
    rows = _Rows(facts)
    rows.add("drift", "The logger's clock, mean", _drift)
    rows.add("drift_range", "The logger's clock, least to greatest", _drift_range)
    rows.add("late", "Lateness of an epoch's first byte, median", lambda one: _late(one, "residual_median_s"))
    rows.add("late95", "Lateness, 95 % within", lambda one: _late(one, "residual_p95_s"))
    rows.add("marks", "Epochs that told the time and were used", lambda one: _marks(one, "marks_used"))
    rows.add("unfit", "Epochs whose time did not fit", lambda one: _marks(one, "marks_rejected"))
    rows.add("error", "Uncertainty of a stamp (95 %), median", lambda one: text.small_time(one.uncertainty_median_s))
    rows.add("error_most", "Uncertainty of a stamp, greatest", lambda one: text.small_time(one.uncertainty_greatest_s))
    return Group("How good is the time?", tuple(rows.rows))


def _drift(one: RunFacts) -> str:
    timeline = one.run.track.timeline
    return text.NONE if timeline is None else text.number(timeline.drift_ppm, 1, "ppm")


def _drift_range(one: RunFacts) -> str:
    timeline = one.run.track.timeline
    if timeline is None or timeline.drift_range_ppm is None:
        return text.NONE
    low, high = timeline.drift_range_ppm
    return f"{text.number(low, 1)} to {text.number(high, 1, 'ppm')}"


def _late(one: RunFacts, name: str) -> str:
    timeline = one.run.track.timeline
    return text.NONE if timeline is None or not timeline.usable else text.small_time(getattr(timeline, name))


def _marks(one: RunFacts, name: str) -> str:
    timeline = one.run.track.timeline
    return text.NONE if timeline is None else text.whole(getattr(timeline, name))
