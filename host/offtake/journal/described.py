"""Whether runs describe their messages, wholly and as this version's spec does, and what these do not foresee; in
sentences."""

from __future__ import annotations

from collections.abc import Iterable

from offtake.generated.records import MESSAGES, SPEC_HASH, Description
from offtake.journal.description import DescribedField, DescribedMessage
from offtake.journal.frames import Frame
from offtake.journal.layouts import by_spec, is_loggers
from offtake.journal.runs import RunInfo
from offtake.journal.survey import Survey

NOTES_MAX = 200
"""So many sentences are told of a journal; the rest is counted."""
_NAMED_MAX = 6


def description_notes(surveyed: Survey) -> tuple[str, ...]:
    """What is to be said of the messages in all runs, alike ones told once; at most :data:`NOTES_MAX` sentences and
    one that counts the rest."""
    said: dict[str, list[int]] = {}
    for info in surveyed.runs:
        for words in _of_run(surveyed, info):
            said.setdefault(words, []).append(info.run)
    notes = [f"{_runs(runs)}: {words}" for words, runs in said.items()]
    notes += [note for info in surveyed.runs for note in surveyed.notes(info.run)]
    left = len(notes) - NOTES_MAX
    return (*notes[:NOTES_MAX], *((f"And {left:,} sentences of this kind more.",) if left > 0 else ()))


def message_name(surveyed: Survey, frame: Frame) -> str:
    """What a frame's message is called, by its run where that is known."""
    run = frame.likely_run
    return surveyed.name(frame.code) if run is None else surveyed.layouts.name(run, frame.code)


def run_notes(surveyed: Survey, info: RunInfo) -> tuple[str, ...]:
    """The same of one run, without what :meth:`Survey.notes` says of it."""
    return tuple(f"Run {info.run}: {words}" for words in _of_run(surveyed, info))


def _runs(runs: list[int]) -> str:
    if len(runs) == 1:
        return f"Run {runs[0]}"
    if runs == list(range(runs[0], runs[-1] + 1)):
        return f"Runs {runs[0]} {'to' if len(runs) > 2 else 'and'} {runs[-1]}"
    return f"Runs {_some(map(str, runs))}"


def _some(names: Iterable[str]) -> str:
    """Names with commas and an "and", the first few of many."""
    every = list(names)
    shown = every if len(every) <= _NAMED_MAX else [*every[:_NAMED_MAX], f"{len(every) - _NAMED_MAX:,} more"]
    return " and ".join(part for part in (", ".join(shown[:-1]), shown[-1]) if part)


def _of_run(surveyed: Survey, info: RunInfo) -> list[str]:
    counts = surveyed.counts(info.run)
    found = {code: surveyed.layouts.of(info.run, code) for code in sorted(counts) if not is_loggers(code)}
    by_host = [one.name for one in found.values() if one is not None and one.origin == "spec"]
    written, notes = counts.get(Description.CODE, 0), []
    ours = info.start is not None and info.start.spec_hash == SPEC_HASH
    if not written and (by_host or ours):
        read = f"; {_some(by_host)} read by this version's own definition" if by_host else ""
        notes.append(f"no description of the messages is in the log{read}.")
    elif written:
        if ours and written < len(MESSAGES):
            notes.append(f"only {written} of the {len(MESSAGES)} descriptions that the firmware writes are in the log.")
        if by_host:
            notes.append(f"{_some(by_host)} not described in the log; read by this version's own definition.")
    for code, one in found.items():
        if one is not None and one.origin == "log" and code in MESSAGES:
            other = difference(one.message, by_spec(code))
            if other:
                notes.append(f"the log describes message {code} otherwise than this version, and counts: {other}.")
    if info.sensor_frames_lost and info.start is not None and not info.start.sensors:
        notes.append("while no sensor is on, the shelf holds few and short frames; those that found no room are lost.")
    return notes + [odd.words for odd in surveyed.oddities(info.run)]


def difference(told: DescribedMessage, known: DescribedMessage) -> str:
    """How ``told`` differs from ``known``, in words; empty where it does not. A message that has grown since, at its
    end, is not different but newer or older, which is said too."""
    parts = []
    if told.name != known.name:
        parts.append(f"it is {told.name}, not {known.name}")
    theirs, ours = ({one.name: one for one in message.fields} for message in (told, known))
    for words, names in (
        ("with", [name for name in theirs if name not in ours]),
        ("without", [name for name in ours if name not in theirs]),
        ("another", [name for name in theirs if name in ours and _other(theirs[name], ours[name])]),
    ):
        if names:
            parts.append(f"{words} {_some(names)}")
    kept = [name for name in theirs if name in ours]
    if kept != [name for name in ours if name in theirs]:
        parts.append("in another order")
    return ", ".join(parts)


def _other(told: DescribedField, known: DescribedField) -> bool:
    """Whether a field's values or their meaning differ; names of choices that one side lacks are no difference."""
    same = (told.kind, told.size, told.count, told.scale, told.unit, told.is_flags) == (
        known.kind, known.size, known.count, known.scale, known.unit, known.is_flags,
    )  # fmt: skip
    ours = known.choices or {}
    renamed = any(ours.get(value, name) != name for value, name in (told.choices or {}).items())
    return not same or renamed or (told.choices is None) != (known.choices is None)
