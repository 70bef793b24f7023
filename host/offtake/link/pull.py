"""Pulls a journal into a file: checks every block as it comes, and goes on where an earlier pull was broken off."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, BinaryIO

from offtake.card import open_journal
from offtake.errors import DamageError, UsageError
from offtake.export.aside import cannot_write, require_folder
from offtake.generated.records import BLOCK_SIZE, Status
from offtake.journal.codec import block_status, decode_journal_header
from offtake.link.desk import Desk, checked_speed
from offtake.link.sources import DeskSource, Extent, LocalSource, Source

Progress = Callable[[int, int], None]
"""Called with the bytes done and the bytes in all."""

STATE_SCHEMA = "offtake.pull_state/1"
_READINGS_MAX = 4
_FOUND_MAX = 1000
_NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EINVAL)


@dataclass(frozen=True)
class BlockFound:
    """A pulled block whose own check fails on the card too: its position and what the check says."""

    position: int
    status: str


@dataclass(frozen=True)
class PullResult:
    """What was pulled. ``resumed_bytes`` came in an earlier, broken-off pull; ``asked_again`` counts requests.

    ``not_intact`` are blocks that are damaged, blank or another journal's on the card itself (the first thousand;
    ``not_intact_count`` is all of them). They are in the file as they lie. ``unreadable_sectors`` are zeros in it.
    """

    target: Path
    source: str
    journal_id: int
    blocks: int
    size_bytes: int
    resumed_bytes: int
    asked_again: int
    unreadable_sectors: int
    not_intact: tuple[BlockFound, ...]
    not_intact_count: int


@dataclass(frozen=True)
class _State:
    """What a broken-off pull leaves beside its part file."""

    journal_id: int
    next_block: int
    wrapped: bool
    done_bytes: int


def pull_from_path(source: Path, target: Path, progress: Progress | None = None) -> PullResult:
    """Pulls from a journal file, card image, mounted card or card device; errors as :func:`pull`."""
    require_new(target)
    with open_journal(source) as opened:
        return pull(LocalSource(opened), target, progress)


def pull_from_desk(
    desk: Desk, target: Path, progress: Progress | None = None, *, baud: int = 0, window_blocks: int = 0
) -> PullResult:
    """Pulls from a logger that has been greeted; ``baud`` is the speed to pull at, 0 for the fastest it takes.

    A line that does not carry the speed is used at the speed it was greeted with. ``window_blocks`` are asked for at
    once, 0 for as many as suit the speed. Errors as :func:`pull`.
    """
    require_new(target)
    greeting = desk.greet()
    if greeting.baud_max:
        desk.speed_up(checked_speed(baud, greeting.baud_max) if baud else greeting.baud_max)
    return pull(DeskSource(desk, greeting.chunk_max, window_blocks), target, progress)


def pull(source: Source, target: Path, progress: Progress | None = None) -> PullResult:
    """Copies the used part of a journal to ``target``, block by block as it lies.

    Until it is whole it is ``target.part``, with ``target.part.json`` beside it; a pull that was broken off goes on
    there. A block whose check fails is read again, and kept as it is once two readings agree.

    :raises UsageError: ``target`` exists, or there is a part that does not fit.
    :raises DamageError: no journal, or the part is of a journal of another card.
    :raises InputOutputError: the source or the target fails; what has come so far stays for the next try.
    """
    require_new(target)
    extent = source.extent()
    part, note = part_paths(target)
    copier = _Copier(source, extent, note, progress)
    try:
        with _open_part(part, note, extent) as (file, done):
            size = copier.copy(file, done)
    except OSError as error:
        # Of the copying, or of closing the file on a disk that is full.
        raise cannot_write(part, error) from error
    _put_in_place(part, target)
    note.unlink(missing_ok=True)
    return PullResult(
        target=target,
        source=source.description,
        journal_id=extent.journal_id,
        blocks=extent.blocks,
        size_bytes=size,
        resumed_bytes=done,
        asked_again=int(getattr(source, "asked_again", 0)),
        unreadable_sectors=int(getattr(source, "unreadable", 0)),
        not_intact=tuple(copier.found),
        not_intact_count=copier.found_count,
    )


def require_new(target: Path) -> None:
    """UsageError unless ``target`` is a name that nothing has yet, InputOutputError unless its folder is there."""
    if target.is_dir():
        raise UsageError("is a folder", where=str(target), expected="a file name")
    if os.path.lexists(target):
        raise UsageError("exists already", where=str(target), expected="a new name; nothing is overwritten")
    require_folder(target)


def part_paths(target: Path) -> tuple[Path, Path]:
    """The unfinished file of a pull to ``target``, and the note beside it."""
    part = target.with_name(target.name + ".part")
    return part, part.with_name(part.name + ".json")


class _Copier:
    def __init__(self, source: Source, extent: Extent, note: Path, progress: Progress | None) -> None:
        self._source = source
        self._extent = extent
        self._note = note
        self._progress = progress
        self.found: list[BlockFound] = []
        self.found_count = 0

    def copy(self, file: BinaryIO, done: int) -> int:
        """Writes what lies from byte ``done`` on, and before it what the part lacks; returns the size in the end."""
        total = self._extent.blocks
        # Before anything else: a part without its note says nothing to the next pull.
        self._write_note(done)
        for first, stop in self._lacking(file, done // BLOCK_SIZE):
            self._copy_stretch(file, first, stop, done)
        file.seek(done)
        file.truncate()
        self._copy_stretch(file, done // BLOCK_SIZE, total, done)
        os.fsync(file.fileno())
        return file.seek(0, os.SEEK_END)

    def _copy_stretch(self, file: BinaryIO, first: int, stop: int, done: int) -> None:
        for position, data in self._source.stream(first, stop):
            file.seek(position * BLOCK_SIZE)
            for at in range(0, len(data), BLOCK_SIZE):
                file.write(self._settled(position + at // BLOCK_SIZE, data[at : at + BLOCK_SIZE]))
            file.flush()
            done = max(done, file.tell() // BLOCK_SIZE * BLOCK_SIZE)
            self._write_note(done)
            if self._progress is not None:
                self._progress(done, self._extent.blocks * BLOCK_SIZE)

    def _lacking(self, file: BinaryIO, blocks: int) -> list[tuple[int, int]]:
        """The stretches, from and to, of the part's first ``blocks`` that have to come anew.

        What came earlier is checked as if it came now: a computer that died may not have kept all it noted, and where
        a port vanished, blocks behind a hole may have come already. The header comes anew in any case: it may have
        been given new settings since.
        """
        found: list[tuple[int, int]] = []
        file.seek(0)
        for position in range(blocks):
            block = file.read(BLOCK_SIZE)
            if position > 0 and self._status(position, block) is Status.OK:
                continue
            if found and found[-1][1] == position:
                found[-1] = (found[-1][0], position + 1)
            else:
                found.append((position, position + 1))
        return found

    def _settled(self, position: int, block: bytes) -> bytes:
        """The block, read again where its check fails, until one is right or two readings agree."""
        status = self._status(position, block)
        for _ in range(_READINGS_MAX):
            if status is Status.OK:
                return block
            again = self._source.read_blocks(position, 1)
            agreed = again == block
            block, status = again, self._status(position, again)
            if agreed:
                break
        if status is not Status.OK:
            self.found_count += 1
            if len(self.found) < _FOUND_MAX:
                self.found.append(BlockFound(position, status.name.lower()))
        return block

    def _status(self, position: int, block: bytes) -> Status:
        if position == 0:
            return decode_journal_header(block)[0]
        return block_status(block, self._extent.journal_id)

    def _write_note(self, done: int) -> None:
        state = _State(self._extent.journal_id, self._extent.next_block, self._extent.wrapped, done)
        text = json.dumps({"schema": STATE_SCHEMA, **asdict(state)}, indent=1)
        fresh = self._note.with_name(self._note.name + ".new")
        fresh.write_text(text + "\n", encoding="utf-8")
        os.replace(fresh, self._note)


@contextmanager
def _open_part(part: Path, note: Path, extent: Extent) -> Iterator[tuple[BinaryIO, int]]:
    """Opens the part file, new or to go on with; gives the file and the bytes that are there already."""
    done = _resume_at(part, note, extent)
    try:
        file = part.open("xb" if done is None else "r+b")
    except FileExistsError as error:
        raise _stray(part) from error
    except OSError as error:
        raise cannot_write(part, error) from error
    with file:
        yield file, done or 0


def _resume_at(part: Path, note: Path, extent: Extent) -> int | None:
    """Bytes of an earlier pull that still hold; None where there was none."""
    if not os.path.lexists(part):
        return None
    size = part.stat().st_size
    if size == 0 and not os.path.lexists(note):
        # Broken off before the first byte.
        return 0
    state = _read_note(part, note)
    if state.journal_id != extent.journal_id:
        raise DamageError(
            f"a journal of another card: this one is {extent.journal_id:08x}",
            where=str(part),
            expected=f"{state.journal_id:08x}, as in the pull that was broken off; choose another file name",
        )
    # A wrapped journal that was recorded on since has changed under the part: begin again.
    changed = (state.wrapped or extent.wrapped) and state.next_block != extent.next_block
    return 0 if changed else min(state.done_bytes, size, extent.blocks * BLOCK_SIZE) // BLOCK_SIZE * BLOCK_SIZE


def _read_note(part: Path, note: Path) -> _State:
    try:
        values: Any = json.loads(note.read_text(encoding="utf-8"))
        if not isinstance(values, dict) or values.pop("schema", None) != STATE_SCHEMA:
            raise ValueError("another schema")
        state = _State(**values)
        if not all(type(getattr(state, name)) is int for name in ("journal_id", "next_block", "done_bytes")):
            raise ValueError("not numbers")
    except (OSError, ValueError, TypeError) as error:
        raise _stray(part) from error
    if state.done_bytes < 0:
        raise _stray(part)
    return state


def _stray(part: Path) -> UsageError:
    return UsageError(
        "exists, but does not say which pull it belongs to",
        where=str(part),
        expected="a part with its .json beside it; move it away, or choose another file name",
    )


def _put_in_place(part: Path, target: Path) -> None:
    """Gives the finished part its name, unless another file has taken it meanwhile."""
    try:
        # Unlike rename, link refuses when someone made `target` in the meantime.
        os.link(part, target)
        part.unlink()
    except FileExistsError as error:
        raise UsageError("exists already", where=str(target), expected="a new name; nothing is overwritten") from error
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise cannot_write(target, error) from error
        require_new(target)
        os.rename(part, target)
