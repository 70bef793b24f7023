"""Checks shared_spec, generates from it and releases it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from offtake.errors import InputOutputError, SpecError
from offtake.spec import lock
from offtake.spec.concerns import concerns
from offtake.spec.cost import SpecCosts, refuse, work_out
from offtake.spec.dialect import load_dialects
from offtake.spec.evolution import broken_rules
from offtake.spec.evolution_model import FITS, Finding
from offtake.spec.load import Loaded, find_spec_folder, load_with_sources
from offtake.spec.lock_diff import additions
from offtake.spec.model import Spec
from offtake.spec.places import Places, placed

_GENERATED = "host/offtake/generated/records.py"
_RELEASE = re.compile(r"^SPEC_RELEASE = ([0-9]{1,6})$", re.MULTILINE)


@dataclass(frozen=True)
class SpecFacts:
    """What the definitions hold.

    ``release`` is the number of the last one, None before the first; ``unpublished`` is what a next one would add.
    ``description_bytes`` is what a run's start says about the messages. ``broken`` is what may not be: rules of
    evolution, and what does not fit; ``costs`` are None where they cannot be told for it. ``tails`` are the most bytes
    of a sensor's field of any length, by message. ``warnings`` are what may be but should be known; ``stale`` are the
    generated files that are not current, relative to the checkout.
    """

    folder: Path
    layout_hash: int
    release: int | None
    unpublished: tuple[str, ...]
    messages: tuple[str, ...]
    packets: int
    boards: tuple[str, ...]
    dialects: tuple[str, ...]
    description_bytes: int | None
    broken: tuple[Finding, ...]
    costs: SpecCosts | None
    tails: dict[str, int]
    warnings: tuple[Finding, ...]
    stale: tuple[Path, ...]


@dataclass(frozen=True)
class Generated:
    """Generated files that were not current, relative to the checkout; ``written`` says whether they are now."""

    root: Path
    stale: tuple[Path, ...]
    written: bool


@dataclass(frozen=True)
class Published:
    """The release that the definitions are: its number and layout hash, and what it adds to the one before it where it
    ``is_new``. ``written`` says whether this call wrote it."""

    path: Path
    number: int
    layout_hash: int
    added: tuple[str, ...]
    is_new: bool
    written: bool
    warnings: tuple[Finding, ...]


def other_checkout() -> tuple[Path, Path] | None:
    """The checkout that this program is from and the one that the current directory lies in, where they differ."""
    try:
        own = find_spec_folder().resolve().parent
        here = find_spec_folder(Path.cwd()).resolve().parent
    except InputOutputError:
        return None
    return None if own == here else (own, here)


def check(root: Path | None = None, asked: Mapping[str, Any] | None = None) -> SpecFacts:
    """Reads every definition of the checkout ``root`` and holds it against what was released and what fits.

    ``asked`` goes to :func:`offtake.spec.cost.work_out`. SpecError for a mistake in a file, UsageError for a wrong
    question about costs.
    """
    folder = find_spec_folder(root)
    loaded = load_with_sources(folder)
    dialects = load_dialects(folder / "dialects")
    spec = loaded.spec
    broken, costs = examine(loaded, asked)
    return SpecFacts(
        folder=folder,
        layout_hash=spec.layout_hash,
        release=loaded.lock.latest.number if loaded.lock else None,
        unpublished=() if broken else additions(loaded.lock, lock.publish(spec, loaded.lock)),
        messages=tuple(message.name for message in spec.messages),
        packets=len(spec.link.packets),
        boards=tuple(variant.name for board in spec.boards for variant in board.variants),
        dialects=tuple(dialect.name for dialect in dialects),
        description_bytes=costs.description_bytes if costs else None,
        broken=broken,
        costs=costs,
        tails=_tails(spec, costs) if costs else {},
        warnings=concerns(loaded),
        stale=() if broken else _stale(loaded),
    )


def _stale(loaded: Loaded) -> tuple[Path, ...]:
    """Generated files that are not current; none in a folder that is nothing but definitions."""
    from offtake.codegen.all import stale

    root = loaded.folder.parent
    return tuple(stale(root)) if (root / _GENERATED).is_file() else ()


def _tails(spec: Spec, costs: SpecCosts) -> dict[str, int]:
    longest = {each.name: each.payload_bytes for each in costs.messages}
    tailed = [message for message in spec.messages if message.tail and message.role == "sensor"]
    return {message.name: longest[message.name] - message.fixed_size for message in tailed}


def examine(loaded: Loaded, asked: Mapping[str, Any] | None = None) -> tuple[tuple[Finding, ...], SpecCosts | None]:
    """All that a definition, valid in itself, may not do, and its costs where they can be told."""
    from offtake.codegen.c_names import check_names
    from offtake.codegen.description import size

    broken = [*_lost_lock(loaded), *broken_rules(loaded.spec, loaded.lock, loaded.sources)]
    places = Places(loaded.spec, loaded.sources)
    costs = None
    try:
        check_names(loaded.spec, loaded.folder.parent)
        size(loaded.spec)
        costs = work_out(loaded.spec, **(asked or {}))
        refuse(costs, where=lambda name: places.record("message", name))
    except SpecError as error:
        told = placed(error, loaded.sources)
        broken.append(Finding(FITS, told.where, told.what, told.expected))
    return tuple(broken), costs


def _lost_lock(loaded: Loaded) -> tuple[Finding, ...]:
    """There is no lock, but what was generated last knows of a release."""
    path = loaded.folder.parent / _GENERATED
    if loaded.lock is not None or not path.is_file():
        return ()
    try:
        found = _RELEASE.search(path.read_text(encoding="utf-8", errors="replace"))
    except OSError as error:
        raise InputOutputError(f"cannot read: {error.strerror}", where=str(path)) from error
    if found is None or int(found[1]) == 0:
        return ()
    what = f"missing, though {_GENERATED} was generated from release {found[1]}: nobody could tell what may not change"
    advice = f"take it back from version control (git checkout shared_spec/{lock.FILE})"
    return (Finding("lock_lost", lock.FILE, what, advice),)


def require_sound(loaded: Loaded) -> None:
    """SpecError for the first thing that :func:`examine` finds."""
    broken, _ = examine(loaded)
    if broken:
        raise broken[0].error()


def generate(root: Path | None = None, *, write: bool) -> Generated:
    """Finds the generated files that are not current, and writes them if told to. SpecError for a wrong spec."""
    from offtake.codegen.all import stale, write_all

    folder = find_spec_folder(root)
    require_sound(load_with_sources(folder))
    found = write_all(folder.parent) if write else stale(folder.parent)
    return Generated(folder.parent, tuple(found), write)


def publish(root: Path | None = None, *, write: bool) -> Published:
    """Makes the definitions as they are a release: from then on they may only grow.

    Nothing is written where they are as in the last release, nor without ``write``. SpecError where they break a rule.
    """
    folder = find_spec_folder(root)
    loaded = load_with_sources(folder)
    require_sound(loaded)
    new = lock.publish(loaded.spec, loaded.lock)
    path = folder / lock.FILE
    is_new = new is not loaded.lock
    if is_new and write:
        write_text(path, lock.render_lock(new))
    added = additions(loaded.lock, new)
    found = concerns(loaded)
    return Published(path, new.latest.number, new.latest.layout_hash, added, is_new, is_new and write, found)


def write_text(path: Path, text: str) -> None:
    """Puts ``text`` in the place of the file at ``path``, whole or not at all. InputOutputError where it cannot."""
    draft = path.with_name(f".{path.name}.new")
    try:
        draft.write_text(text, encoding="utf-8", newline="")
        draft.replace(path)
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise InputOutputError(f"cannot write: {error.strerror}", where=str(path)) from error
