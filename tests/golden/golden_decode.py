"""A golden journal as today's code reads it, in plain values that JSON holds, and the file that keeps them.

What stands in the file is what must stay: settings, the account of every byte, the runs' sums and each frame with its
values. Notes and words of findings may change and are left out.
"""

from __future__ import annotations

import json
from typing import Any

from offtake.errors import DamageError
from offtake.journal.codec import require_journal_header
from offtake.journal.frames import Frame
from offtake.journal.runs import RunInfo
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from offtake.journal.verify import verify
from offtake.records import Record

Plain = dict[str, Any]

_RUN_SUMS = (
    "run",
    "first_block",
    "last_block",
    "frames",
    "raw_bytes",
    "lost_bytes",
    "loss_events",
    "sensor_frames_lost",
    "sensor_silent",
)
_BLOCK_COUNTS = ("intact", "damaged", "foreign", "fill", "torn")
_ACCOUNT = ("size", "frames", "frame_bytes", "structure_bytes", "skipped")


def decode(data: bytes, name: str) -> Plain:
    """Everything of the journal ``data`` that its golden file tells. DamageError for a frame that does not decode."""
    source = BytesSource(data)
    report, found = verify(source, name), salvage(source, name)
    return {
        "header": plain_values(require_journal_header(data[:512], name)),
        "blocks": {key: getattr(report.blocks, key) for key in _BLOCK_COUNTS}
        | {"first": report.first_block, "last": report.last_block, "missing": report.missing_blocks},
        "damage": [[one.position, one.blocks, one.reason] for one in report.findings if one.severity == "damage"],
        "account": {key: getattr(found.account, key) for key in _ACCOUNT},
        "frames_by_message": report.frames_by_message,
        "runs": [_run(run) for run in report.runs],
        "frames": [_frame(frame, name) for frame in found.frames()],
    }


def plain_values(record: Record) -> Plain:
    """The record's values by field: bytes as hex digits, arrays and flags as lists; absent fields are missing."""
    return {name: plain(value) for name, value in record.values().items()}


def plain(value: Any) -> Any:
    """One value as JSON holds it."""
    if isinstance(value, bytes):
        return value.hex()
    return list(value) if isinstance(value, tuple) else value


def _run(run: RunInfo) -> Plain:
    return {key: getattr(run, key) for key in _RUN_SUMS} | {"end": run.end and run.end.reason.name.lower()}


def _frame(frame: Frame, name: str) -> Plain:
    """A frame out of a damaged block has the run and tick that its unchecked header gives."""
    status, record = frame.record()
    if record is None:
        raise DamageError(f"a frame does not decode: {status.name.lower()}", where=f"{name} at byte {frame.offset}")
    return {
        "block": frame.block_number,
        "at": frame.offset,
        "code": frame.code,
        "name": record.NAME,
        "run": frame.likely_run,
        "tick": frame.likely_tick,
        "intact": frame.block_intact,
        "values": plain_values(record),
    }


def dumps(content: Plain) -> str:
    """Text of the file: a line for each key, and for each entry of the lists a line of its own."""
    lines = []
    for key, value in content.items():
        if isinstance(value, list) and value:
            entries = ",\n".join(f"  {_line(entry)}" for entry in value)
            lines.append(f" {_line(key)}: [\n{entries}\n ]")
        else:
            lines.append(f" {_line(key)}: {_line(value)}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _line(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)
