"""From what was found to the report."""

from __future__ import annotations

from dataclasses import dataclass

from offtake.report.draw_map import track_picture
from offtake.report.draw_scatter import scatter_pictures
from offtake.report.draw_time import bands_picture, plots_of, time_picture
from offtake.report.figures import RunFacts, gather
from offtake.report.inputs import ReportInput
from offtake.report.page import RunPictures, render
from offtake.report.picture import Picture
from offtake.report.words import Answer, answers


@dataclass(frozen=True)
class Report:
    """A finished report: ``html`` is the page in UTF-8."""

    html: bytes
    answers: tuple[Answer, ...]
    pictures: tuple[Picture, ...]


def build_report(inputs: ReportInput) -> Report:
    """Make the report; the same inputs give the same bytes. Never raises for what a log says."""
    facts = gather(inputs)
    answered = answers(facts)
    runs = tuple(_pictures(one) for one in facts.runs)
    pictures = tuple(picture for run in runs for picture in run.all)
    return Report(render(facts, answered, runs), answered, pictures)


def _pictures(one: RunFacts) -> RunPictures:
    series, prefix = one.series, f"run{one.run.run}"
    timed = [time_picture(plot, series, f"{prefix}_{plot.name}") for plot in plots_of(series)]
    return RunPictures(
        one,
        track_picture(series, f"{prefix}_track"),
        (bands_picture(series, f"{prefix}_bands"), *timed),
        tuple(scatter_pictures(series, f"{prefix}_rest")),
    )


