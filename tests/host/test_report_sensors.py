"""What sensors measured, in the report: series, pictures, figures, cursor, marks on the map; bounded and inert."""

from __future__ import annotations

import json
import re
import warnings
from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from lxml import etree, html
from offtake.journal.events import RunEvent
from offtake.report.answer import Answer
from offtake.report.build import Report, build_report
from offtake.report.cursor import COLUMNS
from offtake.report.draw_map import places_at, way_of
from offtake.report.draw_states import States, cursor_row, lanes_of_states
from offtake.report.draw_time import Plot, fitted_sheets
from offtake.report.inputs import ReportInput, RunInput
from offtake.report.measures import PICTURES_MAX, digits_of, drawn_of, rate_by_count
from offtake.report.pen import decimals_of, scale_of, scaled_unit
from offtake.report.sensor_figures import figures_of
from offtake.report.series import RunSeries, Values
from offtake.report.thin import sensor_pause_s, thin
from report_sensors import (
    column,
    four_sensors,
    hostile_input,
    hostile_sensors,
    message,
    sensor_input,
    strange_sensors,
    ticks_every,
    with_sensors,
)
from report_worlds import World, make_run, make_verify


@pytest.fixture(scope="module")
def run() -> RunInput:
    return make_run(World(epochs=900))


@pytest.fixture(scope="module")
def series(run: RunInput) -> RunSeries:
    return RunSeries(run)


@pytest.fixture(scope="module")
def own() -> Report:
    return build_report(sensor_input())


@pytest.fixture(scope="module")
def strange() -> Report:
    return build_report(sensor_input(strange=True))


def report_of(run: RunInput) -> Report:
    return build_report(ReportInput("day1.jnl", make_verify((run,)), (run,)))


def tree(report: Report) -> Any:
    return html.document_fromstring(report.html.decode("utf-8"))


def sensors(report: Report) -> list[Any]:
    return [one for one in report.pictures if "_sensor_" in one.name]


def rows_of(report: Report) -> dict[str, list[str]]:
    """The table of figures by message and name."""
    rows: dict[str, list[str]] = {}
    group = ""
    for line in tree(report).xpath('//div[@aria-label="What the sensors told"]//tbody/tr'):
        cells = [cell.text_content() for cell in line]
        if len(cells) == 1:
            (group,) = cells
        else:
            rows[f"{group}: {cells[0]}"] = cells[1:]
    return rows


def test_each_of_the_four_is_drawn_under_its_name_and_unit(own: Report) -> None:
    assert [one.heading for one in sensors(own)] == [
        "Analogue: input 1", "Analogue: input 2", "Event: level", "Event: ignored", "Pulses: rate", "Pulses: count",
        "Pressure", "Pressure: temperature",
    ]  # fmt: skip
    drawn = {one.heading: one for one in sensors(own)}
    source = own.html.decode("utf-8")
    for heading, unit in (("Analogue: input 1", "V"), ("Pulses: rate", "Hz"), ("Pressure", "hPa")):
        assert f" {unit}" in drawn[heading].caption
        assert f">{unit}</text>" in source
    assert ">°C</text>" in source
    shown = tree(own).text_content()
    assert "Readings that were worked out into something else (a raw pressure, the time between two pulses)" in shown
    assert re.fullmatch(r"Count: from \d+ up to [\d,]+\.", drawn["Pulses: count"].caption)
    assert rows_of(own)["pulses: count"][4] == "–"
    assert rows_of(own)["pressure: pressure raw"][4] != "–"


def test_figures_are_those_of_the_series(run: RunInput, own: Report) -> None:
    analogue, event, pulses, _, pressure = four_sensors(run)
    rows = rows_of(own)
    values = analogue.columns[0].values
    volts = [f"{one / 1000:.3f}" for one in (values[0], values[-1], values.min())]
    assert rows["analogue: input 1, V"] == [f"{len(values):,}", *volts, f"{values.mean() / 1000:.4f}", "14.900"]
    assert rows["event: level"][:3] == [str(len(event.tick_us)), "high", "low"]
    pascal = pressure.columns[2].values
    assert rows["pressure: pressure, hPa"][3] == f"{pascal.min() / 100:,.2f}"
    assert rows["pressure: pressure, hPa"][4] == f"{pascal.mean() / 100:,.3f}"
    told = int((pulses.columns[1].values > 0).sum())
    assert rows["pulses: period, µs"][0] == rows["pulses: rate by the period, Hz"][0] == str(told)


def test_what_never_changes_and_comes_unevenly_has_no_picture(run: RunInput) -> None:
    ticks = np.array([1_000_000, 5_000_000, 6_000_000, 19_000_000, 20_000_000, 70_000_000], dtype=np.int64)
    still = message(run, 100, "still", ticks, column("always", np.full(6, 7)), column("turns", np.arange(6)))
    many = message(run, 101, "many", ticks[:1], *(column(f"value_{n}", np.arange(1)) for n in range(12)))
    flat = message(run, 102, "flat", ticks_every(run, 1000), column("zero", np.zeros(len(ticks_every(run, 1000)))))
    report = report_of(with_sensors(run, still, many, flat))
    assert [one.heading for one in sensors(report)] == ["Still: turns", "Flat: zero"]
    assert "Never changed, and only in the table: Still: always." in tree(report).text_content()
    assert [one.text for one in tree(report).iter("summary")][:1] == ["many, told once: 12 values"]
    assert rows_of(report)["still: always"][:2] == ["6", "7"]


def test_paces_stand_beside_what_was_set(own: Report) -> None:
    lines = tree(own).xpath('//div[@aria-label="Sensors, how often"]//tbody/tr')
    rows = {cells[0]: cells[1:] for cells in ([cell.text_content() for cell in line] for line in lines)}
    # The invented logger's clock runs fast, so its 200 and 2,000 ms last a little less.
    assert rows["analogue"][1:] == ["200 ms", "each 200 ms; input 1 up to 16 V; input 2 up to 5 V", "the run itself"]
    assert rows["pressure"][1:] == ["1,996 ms", "each 2,000 ms", "the run itself"]
    assert rows["event"] == ["24", "uneven", "when a level lasts 20 ms", "the run itself"]
    assert rows["pressure constants"][1] == "–"


def test_summary_and_table_count_the_sensors_frames(run: RunInput, own: Report) -> None:
    frames = f"{sum(one.frames for one in four_sensors(run)):,}"
    assert f"Beside the line it logged {frames} frames of its sensors." in tree(own).text_content()
    assert "Frames of sensors" in own.html.decode("utf-8")


def answer_of(report: Report) -> Answer:
    return next(one for one in report.answers if one.question == "What did the sensors measure?")


def test_the_answer_tells_what_each_sensor_measured(run: RunInput, own: Report) -> None:
    said = answer_of(own)
    analogue, event, pulses, _, pressure = four_sensors(run)
    assert said.word == "Analogue inputs, events, pulses, pressure, temperature."
    assert said.verdict == "good"
    for number, each in enumerate(analogue.columns, start=1):
        least, greatest, last = (f"{one / 1000:.3f}" for one in (each.values.min(), each.values.max(),
                                                               each.values[-1]))  # fmt: skip
        assert f"Analogue input {number}: {least} to {greatest} V, at the end {last} V." in said.text
    assert f"{len(event.tick_us)} events came." in said.text
    assert re.search(rf"{pulses.columns[0].values[-1]:,} pulses came, at \d+\.\d\d to \d+\.\d\d Hz\.", said.text)
    least, greatest = (
        f"{one / 100:,.2f}" for one in (pressure.columns[2].values.min(), pressure.columns[2].values.max())
    )
    assert f"Pressure {least} to {greatest} hPa, its sensor's temperature " in said.text
    assert "The logger counted nothing missing: 0 frames without room, 0 readings unanswered." in said.text
    (link,) = tree(own).xpath('//nav/a[.="Sensors"]/@href')
    assert tree(own).xpath(f'//h3[@id="{link[1:]}"]')[0].text == "Sensors"


def test_the_answer_is_of_all_runs_together() -> None:
    runs = tuple(make_run(World(epochs=60, run=number, calm=True)) for number in (1, 2))
    ticks = ticks_every(runs[0], 1000)
    low, high = np.linspace(1000, 1500, len(ticks)).astype(np.int64), np.full(len(ticks), 12_000)
    runs = tuple(
        with_sensors(one, message(one, 8, "analogue", ticks, column("input_1_mv", values, "mV")))
        for one, values in zip(runs, (low, high), strict=True)
    )
    report = build_report(ReportInput("day1.jnl", make_verify(runs), runs))
    assert "Analogue input 1: 1.000 to 12.000 V, at the end 12.000 V." in answer_of(report).text
    assert tree(report).xpath('string(//td[@id="f-input_1-1"])') == "1,000 to 1,500 mV"
    assert tree(report).xpath('string(//td[@id="f-input_1-2"])') == "12.000 V"
    assert "0 events came." in answer_of(report).text
    assert [one.text for one in tree(report).xpath("//nav/a")][1:5] == [
        "Run 1", "Sensors of run 1", "Run 2", "Sensors of run 2",
    ]  # fmt: skip


def test_the_answer_names_messages_of_ones_own(strange: Report) -> None:
    said = answer_of(strange)
    assert said.word == "Messages of your own."
    assert "Frames of your own messages: battery 1,806, pump 1,806, note 3." in said.text


def test_what_is_missing_is_no_contradiction() -> None:
    calm = make_run(World(epochs=300, calm=True, fixed_from=0.0))
    lost = RunEvent(1, 9_000_000, "loss", "sensor_room", 1, "1 frame", 9_000_000)
    report = report_of(replace(calm, events=(*calm.events, lost)))
    (missing,) = (one for one in report.answers if one.question == "Is anything missing?")
    assert (missing.verdict, missing.word) == ("look", "Of the sensors, yes.")
    assert "Of the line nothing was lost" in missing.text
    assert answer_of(report).word == "Nothing."


def test_the_logger_counts_pulses_round_the_clock(run: RunInput) -> None:
    ticks = ticks_every(run, 1000)[:4]
    count = np.array([2**32 - 20, 2**32 - 10, 0, 10])
    pulses = message(run, 10, "pulses", ticks, column("count", count), column("period_us", np.full(4, 100_000), "us"))
    report = report_of(with_sensors(run, pulses))
    assert f"{2**32 + 10:,} pulses came, at " in answer_of(report).text


@pytest.mark.parametrize(
    ("second", "pictures"),
    [((12_300, 12_700), 1), ((4000, 4400), 2), ((0, 14_000), 2), ((12_500, 12_500), 1), ((12_450, 12_460), 2)],
)
def test_only_series_that_leave_each_other_room_share_a_picture(
    run: RunInput, series: RunSeries, second: tuple[int, int], pictures: int
) -> None:
    ticks = ticks_every(run, 1000)
    rising = [np.linspace(*ends, len(ticks)).astype(np.int64) for ends in ((12_300, 12_600), second)]
    both = message(run, 8, "analogue", ticks, *(column(f"input_{place}_mv", values, "mV")
                                                for place, values in enumerate(rising, start=1)))  # fmt: skip
    assert len(drawn_of(series, [both])) == pictures


@pytest.mark.parametrize(
    ("marks", "decimals"), [((966.4, 966.46, 966.52), 2), ((0, 600, 1200), 0), ((0.5, 1.0), 1), ((), 0), ((1 / 3,), 6)]
)
def test_marks_have_the_same_decimals(marks: tuple[float, ...], decimals: int) -> None:
    assert decimals_of(marks) == decimals


def test_losses_of_sensors_stand_apart_from_the_lines(run: RunInput) -> None:
    calm = make_run(World(epochs=300, calm=True))
    lost = [
        RunEvent(1, 9_000_000, "loss", "sensor_room", 12, "12 frames", 9_000_000),
        RunEvent(1, 9_500_000, "loss", "sensor_silent", 1, "1 reading", 9_500_000),
    ]
    shown = tree(report_of(replace(calm, events=(*calm.events, *lost)))).text_content()
    said = "Of the sensors, 12 frames found no room, or their time passed, and 1 reading went unanswered, exactly."
    assert said in shown
    assert "Of the line nothing was lost that the logger could count: 0 bytes and 0 flags" in shown
    assert "The logger counted as missing, exactly: 12 frames without room, 1 reading unanswered." in shown
    assert "By cause" not in shown
    assert "loss: a sensor did not answer" in shown


def test_an_input_that_is_off_is_not_shown() -> None:
    run = make_run(World(epochs=60, calm=True))
    run = with_sensors(run, *four_sensors(run))
    assert run.info.start is not None
    off = replace(run, info=replace(run.info, start=replace(run.info.start, analogue_2_full_mv=0)))
    report = report_of(off)
    assert sensors(report)[0].heading == "Analogue: input 1"
    assert "analogue: input 2, V" not in rows_of(report)
    assert "Analogue input 2" not in tree(report).text_content()
    assert "each 200 ms; input 1 up to 16 V; input 2 off" in tree(report).text_content()


def test_messages_nobody_here_knows_are_drawn_by_their_description(strange: Report) -> None:
    assert [one.heading for one in sensors(strange)] == [
        "Battery: cell, 8 elements", "Battery: charge", "Pump: mode", "Pump: alarms", "Pump: turns", "Pump: strain",
    ]  # fmt: skip
    captions = {one.heading: one.caption for one in sensors(strange)}
    assert captions["Battery: cell, 8 elements"].startswith("All 8: 2.7")
    assert "boost, 226 times" in captions["Pump: mode"]
    assert "value 9, 226 times" in captions["Pump: mode"]
    assert captions["Pump: alarms"] == "Dry, 1,084 times; overload, 542 times."
    # Text is counted, not drawn.
    assert rows_of(strange)["note: words"] == ["3", "–", "–", "–", "–", "–"]
    source = strange.html.decode("utf-8")
    assert ">10⁻⁶ m/m</text>" in source
    assert re.fullmatch(r"Strain: −\d\.\d+ to \d\.\d+ 10⁻⁶ m/m, median −?0\.\d+\.", captions["Pump: strain"])
    assert "pump: strain, 10⁻⁶ m/m" in rows_of(strange)
    assert ">from 4,000,000,000 on</text>" in source


def test_elements_are_told_apart_without_colour(strange: Report) -> None:
    """Eight lines, eight different strokes: dashes by class, one class a line."""
    (svg,) = tree(strange).xpath('//figure[.//h4[.="Battery: cell, 8 elements"]]//div[@class="drawing wide"]/svg')
    css = strange.html.decode("utf-8")
    styles = {name: re.findall(rf"\.{name}{{(.*?)}}", css)[0] for name in svg.xpath(".//path/@class")}
    lines = [styles[one.get("class")] for one in svg.iter("path") if one.get("d", "").count("L") > 100]
    lines = [style for style in lines if "fill: none" in style]
    assert len(lines) == 8
    assert len({tuple(re.findall(r"stroke-dasharray: ?([\d., ]+)", style)) for style in lines}) == 8


def test_a_spike_is_in_the_thinned_line_and_a_pause_is_not_bridged(run: RunInput, series: RunSeries) -> None:
    (plot, *_) = drawn_of(series, four_sensors(run)[:1])
    assert isinstance(plot, Plot)
    assert plot.unit == "V"
    values = plot.quantities[0].values
    line = thin(values, series.length_s, 726, sensor_pause_s(values.seconds))
    assert line.thinned
    assert np.nanmax(line.y) == 14.9
    pause = np.flatnonzero(np.isnan(line.y))
    assert len(pause) == 1
    assert line.x[pause[0] + 1] - line.x[pause[0] - 1] > 0.04 * series.length_s


def test_rate_by_count_follows_the_pulses() -> None:
    seconds = np.array([0.0, 1.0, 2.0, 3.0, 30.0, 31.0, 32.0, 33.0])
    counts = np.array([10.0, 30.0, 70.0, 2.0**32 - 5, 5.0, 25.0, 45.0, 0.0])
    rate = rate_by_count(Values(seconds, counts))
    # Not: back by much, over the pause, back to zero.
    assert rate.seconds.tolist() == [1.0, 2.0, 31.0, 32.0]
    assert rate.values.tolist() == [20.0, 40.0, 20.0, 20.0]
    round_again = rate_by_count(Values(np.array([0.0, 2.0]), np.array([2.0**32 - 10, 30.0])))
    assert round_again.values.tolist() == [20.0]


def test_both_rates_of_the_same_pulses_agree(run: RunInput, series: RunSeries) -> None:
    (plot, *_) = drawn_of(series, four_sensors(run)[2:3])
    assert isinstance(plot, Plot)
    by_count, by_period = (one.values for one in plot.quantities)
    middle = np.interp(by_period.seconds, by_count.seconds, by_count.values)
    assert float(np.abs(middle - by_period.values).mean()) < 0.5


def states(run: RunInput, *told: tuple[int, int], flags: bool = False) -> States:
    ticks, raw = (np.array(part, dtype=np.int64) for part in zip(*told, strict=True))
    names = column("state", raw, kind="flags" if flags else "word", choices=((0, "low"), (1, "high"), (2, "both")))
    (found,) = drawn_of(RunSeries(run), [message(run, 110, "door", ticks, names)])
    assert isinstance(found, States)
    return found


def test_a_sudden_word_holds_until_the_next_one_or_missing_frames() -> None:
    run = make_run(World(epochs=200, calm=True, with_time=False))
    gap = RunEvent(1, 50_000_000, "damage", "missing", 2, "", 50_000_000)
    told = states(replace(run, events=(*run.events, gap)), (10_000_000, 1), (20_000_000, 0), (21_000_000, 1))
    assert told.sudden
    assert told.ends.tolist() == [20.0, 21.0, 50.0]
    (low, high), others = lanes_of_states(told)
    assert (low.label, low.spans, others) == ("low", ((20.0, 21.0),), 0)
    assert high.marks == (10.0, 21.0)


def test_an_even_word_does_not_hold_over_a_pause() -> None:
    run = make_run(World(epochs=200, calm=True, with_time=False))
    ticks = [second * 1_000_000 for second in (*range(1, 30), *range(90, 120))]
    told = states(run, *((tick, 1) for tick in ticks))
    assert not told.sudden
    ends = dict(zip(told.starts.tolist(), told.ends.tolist(), strict=True))
    assert ends[29.0] == 30.0
    assert ends[28.0] == 29.0


def test_cursor_tells_the_words_that_hold() -> None:
    run = make_run(World(epochs=200, calm=True, with_time=False))
    told = states(run, (50_000_000, 1), (100_000_000, 0), (100_100_000, 2))
    row = cursor_row(told, 200.0, 200)
    at = [None if one is None else row["words"][one] for one in row["least"]]
    then = [None if one is None else row["words"][one] for one in row["greatest"]]
    assert (at[49], at[50], at[99], then[99]) == (None, "high", "high", None)
    assert (at[100], then[100], at[101], at[199]) == ("low", "both", "both", "both")
    flags = states(run, (50_000_000, 0), (100_000_000, 5), flags=True)
    assert cursor_row(flags, 200.0, 200)["words"] == ["none", "low, both"]


def test_cursor_data_hold_the_sensors(strange: Report, own: Report) -> None:
    (block,) = tree(own).xpath('//script[@id="r1-data"]')
    data = json.loads(block.text)
    rows = {row["name"]: row for row in data["rows"]}
    assert rows["analogue input 1"]["unit"] == "V"
    assert max(value for value in rows["analogue input 1"]["greatest"] if value is not None) == 14.9
    assert None in rows["analogue input 1"]["least"][10:-10]
    assert rows["event level"]["words"] == ["low", "high"]
    assert {"pulses rate by the count", "pulses rate by the period", "pressure temperature"} <= set(rows)
    (block,) = tree(strange).xpath('//script[@id="r1-data"]')
    rows = {row["name"]: row for row in json.loads(block.text)["rows"]}
    assert "battery cell all 8" in rows
    assert all(len(row["least"]) == len(row["greatest"]) == COLUMNS for row in rows.values())


def test_events_are_on_the_map_where_the_receiver_was(series: RunSeries) -> None:
    way = way_of(series)
    sound = np.flatnonzero(~way.doubted & ~way.broken)
    first = sound[len(sound) // 2]
    # The fix after it is a second later.
    fixes = series.ticks_us[way.index]
    tick = int(fixes[first]) + 250_000
    east, north = places_at(series, way, np.array([tick, 0, int(fixes[-1]) + 5], dtype=np.int64))
    assert len(east) == 1
    share = 250_000 / (fixes[first + 1] - fixes[first])
    assert east[0] == pytest.approx(way.east[first] + share * (way.east[first + 1] - way.east[first]))
    assert north[0] == pytest.approx(way.north[first] + share * (way.north[first + 1] - way.north[first]))
    gap = int(np.flatnonzero(way.broken)[0])
    within = (int(fixes[gap - 1]) + int(fixes[gap])) // 2
    assert len(places_at(series, way, np.array([within], dtype=np.int64))[0]) == 0


def test_the_map_says_how_many_events_it_shows(own: Report) -> None:
    track = next(one for one in own.pictures if one.name == "run1_track")
    assert re.search(r"24 events at the sensors' inputs are triangles, but for \d where no position is", track.caption)
    assert "event</text>" in own.html.decode("utf-8")


def test_events_are_listed_with_their_ticks(run: RunInput, own: Report) -> None:
    shown = tree(own).text_content()
    assert "Event: level, as it happened (24)" in shown
    assert f"{four_sensors(run)[1].tick_us[0] / 1e6:,.6f} s" in shown
    (table,) = tree(own).xpath('//div[@aria-label="Event: level, as it happened"]')
    rows = [[cell.text_content() for cell in line] for line in table.xpath(".//tbody/tr")]
    # As many decimals as the uncertainty of some milliseconds lets mean something.
    assert all(re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d{2,4} UTC ± \d+\.\d ms", row[0]) for row in rows)
    ticks = four_sensors(run)[1].tick_us
    # The invented logger's clock runs 0.18 % fast.
    assert float(rows[0][2].split()[0]) == pytest.approx((ticks[1] - ticks[0]) / 1e6, rel=0.003)
    assert "at least" in table.xpath('following::div[@class="scroll"][1]')[0].text_content()


def test_at_most_twelve_pictures_and_the_rest_is_named() -> None:
    run = make_run(World(epochs=120, calm=True))
    ticks = ticks_every(run, 5000)
    many = message(run, 100, "many", ticks, *(column(f"value_{n}", np.arange(len(ticks))) for n in range(600)))
    report = report_of(with_sensors(run, many))
    assert len(sensors(report)) == PICTURES_MAX
    shown = tree(report).text_content()
    assert "At most 12 pictures of sensors are drawn in a run. Only in the table: Many: value 12; Many: value" in shown
    assert "and 580 more." in shown
    assert "100 rows are left out here." in shown
    assert len(report.html) < 1_500_000


def test_many_frames_make_no_longer_page(run: RunInput) -> None:
    """200,000 rows that stand for more: as many as are kept of a message at most."""
    ticks = np.linspace(0, run.last_tick_us, 200_000).astype(np.int64)
    level = column("level", np.arange(200_000) % 2, kind="word", choices=((0, "low"), (1, "high")))
    fast = message(run, 100, "fast", ticks, column("x", np.arange(200_000) % 977), level)
    before = len(report_of(run).html)
    report = report_of(with_sensors(run, replace(fast, frames=5_000_000)))
    assert len(report.html) < before + 200_000
    assert rows_of(report)["fast: x"][0] == "5,000,000"
    assert rows_of(report)["fast: x"][4].startswith("about ")
    assert "Long series (up to 200,000 values here)" in tree(report).text_content()


def test_no_sensors_no_part() -> None:
    source = report_of(make_run(World(epochs=60, calm=True))).html
    for words in (b"Sensors", b"sensors told", b"of sensors", b"_sensor_", b'"words":'):
        assert words not in source, words


def test_messages_without_anything_to_draw_are_said() -> None:
    run = make_run(World(epochs=60, calm=True))
    ticks = ticks_every(run, 1000)
    blob = message(run, 100, "blob", ticks, column("data", np.array([b"x"] * len(ticks), dtype=object), kind="bytes"))
    once = message(run, 101, "once", ticks[:1], column("x", np.array([4])))
    empty = message(run, 102, "empty", ticks[:0], column("y", np.array([], dtype=np.int64)))
    report = report_of(with_sensors(run, blob, once, empty, message(run, 103, "bare", ticks)))
    assert sensors(report) == []
    assert "Nothing of them is a series that could be drawn." in tree(report).text_content()
    assert rows_of(report)["blob: data"][0] == f"{len(ticks):,}"
    (once_told,) = tree(report).xpath('//div[@aria-label="once, told once"]//tbody/tr')
    assert [cell.text_content() for cell in once_told] == ["x", "4"]
    assert rows_of(report)["empty: y"][0] == "0"


@pytest.fixture(scope="module")
def hostile() -> Report:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return build_report(hostile_input())


def test_hostile_names_units_and_figures_are_inert(hostile: Report) -> None:
    root, report = tree(hostile), hostile
    assert len(sensors(report)) == PICTURES_MAX
    assert not root.xpath("//img | //svg[@onload] | //*[@onerror]")
    assert len(root.xpath("//script[not(@type)]")) == 1
    assert all("style" not in one.attrib for one in root.iter(etree.Element))
    assert not re.search("[\u202e\u2066\x00\x1b]", report.html.decode("utf-8"))
    assert [name for name, count in Counter(root.xpath("//@id")).items() if count > 1] == []
    for picture in report.pictures:
        assert picture.name.replace("_", "").isalnum(), picture.name
        assert len(picture.heading) < 80
    json.loads(root.xpath('//script[@id="r1-data"]')[0].text)


def test_the_same_sensors_make_the_same_page(hostile: Report) -> None:
    assert build_report(hostile_input()).html == hostile.html


def test_ticks_that_run_backwards_do_not_break_it() -> None:
    run = make_run(World(epochs=200, calm=True))
    back = hostile_sensors(run)[4]
    wild = replace(back, tick_us=np.random.default_rng(2).integers(0, 2**53, len(back.tick_us)))
    assert len(report_of(with_sensors(run, back, replace(wild, code=108))).html) < 2_000_000


@pytest.mark.parametrize(
    ("values", "digits"), [([1, 2, 300], 0), ([0.5, 12.25], 2), ([1006.434, 1006.5], 2), ([2.5e-6], 7), ([], 0),
                           ([1e300], 0), ([0.0], 0)],
)  # fmt: skip
def test_as_many_digits_as_tell_values_apart(values: list[float], digits: int) -> None:
    assert digits_of(np.array(values, dtype=np.float64)) == digits


@pytest.mark.parametrize(
    ("least", "greatest", "words"),
    [
        (0, 14_900, "mV"), (0, 496_769, "10³ mV"), (-4e-6, 5e-6, "10⁻⁶ mV"), (7, 7, "mV"), (0, 0, "mV"),
        (4e9, 4e9 + 12_000, "mV from 4,000,000,000 on"), (-1e300, 1e300, "10³⁰⁰ mV"),
    ],
)  # fmt: skip
def test_axes_have_few_digits(least: float, greatest: float, words: str) -> None:
    assert scaled_unit("mV", *scale_of(least, greatest)) == words


def test_a_key_of_long_names_has_rows_of_its_own(run: RunInput, series: RunSeries) -> None:
    ticks = ticks_every(run, 1000)
    names = [f"{letter * 20}_mv" for letter in "abc"]
    long = message(run, 100, "long", ticks, *(column(name, np.arange(len(ticks)), "mV") for name in names))
    (plot,) = drawn_of(series, [long])
    (short,) = drawn_of(series, [message(run, 100, "two", ticks, *(column(f"{letter}_mv", np.arange(len(ticks)), "mV")
                                                                    for letter in "ab"))])  # fmt: skip
    assert isinstance(plot, Plot)
    assert isinstance(short, Plot)
    assert fitted_sheets(plot)[1].top > fitted_sheets(short)[1].top
    assert fitted_sheets(short)[0].top == 28


def test_figures_of_absent_fields_count_what_is_there(run: RunInput, series: RunSeries) -> None:
    ticks = ticks_every(run, 1000)
    short = replace(column("x", np.arange(len(ticks))), present=np.arange(len(ticks)) >= 10)
    (row,) = figures_of(series, [message(run, 100, "grown", ticks, short)])
    assert (row.count, row.first, row.least) == (str(len(ticks) - 10), "10", "10")


def test_strange_series_are_whole(run: RunInput) -> None:
    """The maker's own promise: what is drawn above is what a description can say."""
    assert [one.name for one in strange_sensors(run)] == ["battery", "pump", "note"]


def test_the_kits_names_with_fields_of_anything_are_told_without_harm(run: RunInput) -> None:
    ticks = ticks_every(run, 1000)
    wild = np.full(len(ticks), 1.7e308)
    wild[2::2], wild[3] = -1.7e308, np.inf
    blobs = np.array([b"x"] * len(ticks), dtype=object)
    once = column("pressure_pa", np.array([np.nan]), "Pa", "number", derived=True)
    odd = (
        message(run, 8, "analogue", ticks, column("input_1_mv", wild, "mV", "number"),
                column("input_2_mv", blobs, "mV", "bytes")),
        message(run, 9, "event", ticks[:0], column("level", np.zeros(0, dtype=np.int64), kind="word")),
        message(run, 10, "pulses", ticks, column("count", wild, kind="number"),
                column("period_us", blobs, kind="text")),
        message(run, 12, "pressure", ticks[:1], once),
    )  # fmt: skip
    unset = replace(with_sensors(run, *odd), info=replace(run.info, start=None))
    for odd_run in (with_sensors(run, *odd), unset):
        said = answer_of(report_of(odd_run))
        assert "0 events came. 0 pulses came" in said.text
        assert len(said.text) < 600
