"""What a collection has done, and what the dataset holds then."""

from __future__ import annotations

from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from offtake.collect.dataset import Dataset
from offtake.collect.manifest import SourceEntry


@dataclass(frozen=True)
class Told:
    """A file, and what is to be said of it."""

    path: str
    text: str


@dataclass(frozen=True)
class Copy:
    """A file whose journal was taken from another one, ``preferred``, for the reason in ``text``."""

    path: str
    preferred: str
    text: str


@dataclass(frozen=True)
class CollectResult:
    """What was done. Each of the ``files`` that are journals or are called so is one of these: ``taken`` now,
    ``unchanged`` in what it holds, ``moved`` (its journal was collected from another path), one of the ``copies`` or
    of what is ``set_aside``. ``journals``, ``parts``, ``rows`` and ``size_bytes`` are the whole dataset's; ``gone`` are
    the paths of journals in it that are not in the folder. ``set_aside``, ``copies`` and ``damaged`` (which were
    salvaged) are all that are so now, ``notes`` those on journals taken this time.
    """

    dataset: str
    files: int
    taken: int
    unchanged: int
    moved: int
    journals: int
    parts: int
    rows: dict[str, int]
    size_bytes: int
    copies: tuple[Copy, ...]
    set_aside: tuple[Told, ...]
    damaged: tuple[Told, ...]
    gone: tuple[str, ...]
    notes: tuple[Told, ...]


def result_of(dataset: Dataset, here: AbstractSet[str], taken: int, moved: int, notes: Sequence[Told]) -> CollectResult:
    """The result, when ``here`` are the paths of the files seen."""
    journals = sorted(dataset.manifest.journals.values(), key=lambda one: one.path)
    sources = [one for path, one in sorted(dataset.manifest.sources.items()) if path in here]
    rows: dict[str, int] = {}
    for part in (part for journal in journals for part in journal.parts):
        message = part.path.split("/")[2].removeprefix("message=")
        rows[message] = rows.get(message, 0) + part.rows
    return CollectResult(
        dataset=str(dataset.folder),
        files=len(here),
        taken=taken,
        unchanged=sum(one.state == "taken" for one in sources) - taken - moved,
        moved=moved,
        journals=len(journals),
        parts=sum(len(journal.parts) for journal in journals),
        rows=dict(sorted(rows.items())),
        size_bytes=sum(part.size_bytes for journal in journals for part in journal.parts),
        copies=tuple(
            Copy(one.path, _preferred(dataset, one), one.reason) for one in sources if one.state == "copy"
        ),
        set_aside=tuple(Told(one.path, one.reason) for one in sources if one.state == "set_aside"),
        damaged=tuple(
            Told(one.path, f"{one.damaged_bytes:,} bytes could not be used") for one in journals if one.damaged_bytes
        ),
        gone=tuple(one.path for one in journals if one.path not in here),
        notes=tuple(notes),
    )  # fmt: skip


def _preferred(dataset: Dataset, copy: SourceEntry) -> str:
    journal = dataset.manifest.journals.get(copy.journal_id)
    return journal.path if journal is not None else ""
