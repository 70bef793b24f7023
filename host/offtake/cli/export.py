"""`offtake export`: a journal's track in open formats."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from offtake.cli import show
from offtake.cli.options import Verbs, add_hearing, add_verb, stem
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE
from offtake.export.values import clean_label, iso_utc

if TYPE_CHECKING:
    from offtake.track.summary import TrackSummary

_MORE = """\
Formats: gpx (GPX 1.1), kml (KML 2.2), geojson, csv and parquet (with tables of
events, in parquet of satellites too, and one of each sensor's measurements,
STEM_measured_NAME, beside the fixes); messages: every decoded message with its
time, a parquet file for each kind; frames: every frame of the journal, the
logger's own too, a parquet file for each message; raw: the receiver's bytes as
they came, one file for each run; split: the same, parted by dialect.
Measurements that this version never heard of are read as the journal itself
describes them; what unit a column of a csv file has stands in
STEM_measured.csv. A damaged journal is exported as far as it can be salvaged;
the exit code is 1 then. Fixes that look wrong stay in, and are marked. The
files appear together, when all of them are whole.

With --from TIME, --to TIME or both, only what lies in that span is exported:
rows by their time, of raw and split the chunks that begin in it. A time is UTC
as in 2024-05-01T12:00:00Z; it begins with a digit, which tells it from formats.
The span ends just before its last time. Runs that tell no date are left out. A
span in which nothing lies is refused, and it is told when each run was.
Only the blocks of the span are read where the journal's index beside the file
knows the run's time line; an export of the whole leaves it there. Numbers of
fixes and offsets of messages then count from the first one read, two minutes
before the span, and glitches are judged by what is read."""

# On whose word a message is read: the run's own, the other runs', this version's.
_READ_BY = {"log": "the run", "journal": "other runs", "spec": "this version"}


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    about = "write a journal's track in open formats"
    parser = add_verb(verbs, "export", about, "offtake export day1.jnl --to gpx,csv,raw -o day1", run, _MORE)
    parser.add_argument("file", type=Path, metavar="FILE", help="journal file, card image or mounted card")
    formats = "gpx,kml,geojson,csv,parquet,messages,frames,raw,split; or the time to end at"
    parser.add_argument("--to", action="append", required=True, metavar="FORMATS|TIME", help=formats)
    parser.add_argument("--from", dest="begin", metavar="TIME", help="the time to begin at")
    parser.add_argument(
        "-o", "--output", type=stem, required=True, metavar="STEM", help="files become STEM.gpx, STEM_run1.bin, ..."
    )
    parser.add_argument("--run", type=int, dest="run_number", metavar="N", help="only this run")
    add_hearing(parser)
    parser.add_argument("--replace", action="store_true", help="overwrite existing files")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.export.span import Span, formats_and_end
    from offtake.jobs.export import export
    from offtake.jobs.runs import hearing

    how = hearing(options.dialect, options.latency_ms)
    formats, end = formats_and_end(options.to)
    span = Span.of(options.begin, end)
    with show.watching("export") as watch:
        done = export(
            options.file, formats, options.output, run=options.run_number, span=span, how=how, replace=options.replace,
            watch=watch,
        )  # fmt: skip
    code = EXIT_DAMAGE if done.damaged_bytes else EXIT_CLEAN
    if options.json:
        journal = None if done.journal_id is None else show.id_text(done.journal_id)
        show.emit_json("export", {**show.plain(done), "journal_id": journal})
        return code
    show.facts([("journal", show.id_text(done.journal_id)), ("runs", len(done.runs)), *_where(done.summary)])
    print()
    show.table(("bytes", "positions", "file"), [
        (file.size_bytes, file.counts.positions if file.counts else "-", file.path) for file in done.files
    ])  # fmt: skip
    # One of each, whether in one format or in two.
    tables = {one.path.stem: one for one in done.measured if one.message}
    if tables:
        print()
        show.table(("rows", "measurements", "read as described by"), [
            (one.rows, one.message, ", ".join(_READ_BY[layout] for layout in one.layouts)) for one in tables.values()
        ])  # fmt: skip
    for note in done.notes:
        print()
        show.paragraph(clean_label(note), indent=0)
    if done.damaged_bytes:
        print(f"\nThe journal is damaged: {done.damaged_bytes:,} bytes could not be used.")
        print("`offtake salvage` lists them.")
    return code


def _where(summary: TrackSummary | None) -> Iterator[tuple[str, object]]:
    """When and where it was; nothing where nobody looked."""
    if summary is None:
        return
    yield "fixes", f"{summary.fixes:,} of {summary.epochs:,} epochs"
    yield "first", iso_utc(summary.first_utc) if summary.first_utc else "no date"
    yield "last", iso_utc(summary.last_utc) if summary.last_utc else "no date"
    yield "way", f"{summary.distance_m:,.1f} m"
    if summary.bounds:
        yield "south, west", f"{summary.bounds.south_deg:.6f}, {summary.bounds.west_deg:.6f}"
        yield "north, east", f"{summary.bounds.north_deg:.6f}, {summary.bounds.east_deg:.6f}"
