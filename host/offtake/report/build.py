"""From what was found to the report."""

from __future__ import annotations

from dataclasses import dataclass

from offtake.report.answer import Answer
from offtake.report.draw_bands import bands_picture
from offtake.report.draw_map import track_picture, way_of
from offtake.report.draw_scatter import scatter_pictures
from offtake.report.draw_time import plots_of, time_picture
from offtake.report.figures import RunFacts, gather
from offtake.report.inputs import ReportInput
from offtake.report.page import render
from offtake.report.picture import Picture
from offtake.report.run_section import RunPictures
from offtake.report.sensor_part import sensor_part
from offtake.report.words import answers

PICTURED_MAX = 6
"""Runs that have pictures, the longest ones; more would make a page that nobody scrolls through."""


@dataclass(frozen=True)
class Report:
    """A finished report: ``html`` is the page in UTF-8, ``pictures`` those in it, with and without anything to draw."""

    html: bytes
    answers: tuple[Answer, ...]
    pictures: tuple[Picture, ...]


def build_report(inputs: ReportInput) -> Report:
    """Make the report; the same inputs give the same bytes. Never raises for what a log says."""
    facts = gather(inputs)
    answered = answers(facts)
    longest = sorted(facts.runs, key=lambda one: (-one.length_s, one.run.run))[:PICTURED_MAX]
    runs = tuple(_pictures(one) for one in facts.runs if any(one is other for other in longest))
    pictures = tuple(picture for run in runs for picture in run.all)
    return Report(render(facts, answered, runs), answered, pictures)


def _pictures(one: RunFacts) -> RunPictures:
    series, prefix = one.series, f"run{one.run.run}"
    way, plots = way_of(series), plots_of(series)
    sensors = sensor_part(one, prefix)
    return RunPictures(
        one,
        track_picture(series, way, f"{prefix}_track", sensors.events_us if sensors else None),
        (
            bands_picture(series, f"{prefix}_bands"),
            *(time_picture(plot, series, f"{prefix}_{plot.name}") for plot in plots),
        ),
        tuple(scatter_pictures(series, f"{prefix}_rest")),
        plots,
        way,
        sensors,
    )
