"""`offtake export`: a journal's track in open formats."""

from __future__ import annotations

import argparse
from pathlib import Path

from offtake.cli import show
from offtake.cli.options import Verbs, add_hearing, add_verb, names
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE
from offtake.export.values import clean_label, iso_utc

_MORE = """\
Formats: gpx (GPX 1.1), kml (KML 2.2), geojson, csv and parquet (with tables of
events, in parquet of satellites too, and one of each sensor's measurements,
STEM_measured_NAME, beside the fixes); messages: every decoded message with its
time, a parquet file for each kind; raw: the receiver's bytes as they came, one
file for each run; split: the same, parted by dialect. Measurements that this
version never heard of are read as the journal itself describes them; what unit
a column of a csv file has stands in STEM_measured.csv. A damaged journal is
exported as far as it can be salvaged; the exit code is 1 then. Fixes that look
wrong stay in, and are marked."""

# On whose word a message is read: the run's own, the other runs', this version's.
_READ_BY = {"log": "the run", "journal": "other runs", "spec": "this version"}


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    about = "write a journal's track in open formats"
    parser = add_verb(verbs, "export", about, "offtake export day1.jnl --to gpx,csv,raw -o day1", run, _MORE)
    parser.add_argument("file", type=Path, metavar="FILE", help="journal file, card image or mounted card")
    formats = "gpx,kml,geojson,csv,parquet,messages,raw,split"
    parser.add_argument("--to", type=names, required=True, metavar="FORMATS", help=formats)
    parser.add_argument(
        "-o", "--output", type=Path, required=True, metavar="STEM", help="files become STEM.gpx, STEM_run1.bin, ..."
    )
    parser.add_argument("--run", type=int, dest="run_number", metavar="N", help="only this run")
    add_hearing(parser)
    parser.add_argument("--replace", action="store_true", help="overwrite existing files")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.jobs.export import export
    from offtake.jobs.runs import hearing

    how = hearing(options.dialect, options.latency_ms)
    done = export(options.file, options.to, options.output, run=options.run_number, how=how, replace=options.replace)
    code = EXIT_DAMAGE if done.damaged_bytes else EXIT_CLEAN
    if options.json:
        journal = None if done.journal_id is None else show.id_text(done.journal_id)
        show.emit_json("export", {**show.plain(done), "journal_id": journal})
        return code
    summary = done.summary
    bounds = summary.bounds
    pairs: list[tuple[str, object]] = [
        ("journal", show.id_text(done.journal_id)),
        ("runs", summary.runs),
        ("fixes", f"{summary.fixes:,} of {summary.epochs:,} epochs"),
        ("first", iso_utc(summary.first_utc) if summary.first_utc else "no date"),
        ("last", iso_utc(summary.last_utc) if summary.last_utc else "no date"),
        ("way", f"{summary.distance_m:,.1f} m"),
    ]
    if bounds:
        pairs.append(("south, west", f"{bounds.south_deg:.6f}, {bounds.west_deg:.6f}"))
        pairs.append(("north, east", f"{bounds.north_deg:.6f}, {bounds.east_deg:.6f}"))
    show.facts(pairs)
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
