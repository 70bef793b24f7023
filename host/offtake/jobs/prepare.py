"""Puts a new journal onto a mounted card, into a card image, or, through a logger, onto the card in it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from offtake.card import prepare_in_image, prepare_on_mount
from offtake.card.prepare import Progress
from offtake.errors import UsageError
from offtake.generated.records import BLOCK_SIZE, JournalHeader
from offtake.jobs.header import Settings, new_header
from offtake.jobs.places import is_port
from offtake.journal.codec import decode_journal_header, encode_journal_header
from offtake.link import open_desk
from offtake.link.refusals import require_journal

_BLOCKS_LEAST = 2


@dataclass(frozen=True)
class PreparedJournal:
    """The new journal. ``pieces`` is None where the card does not tell; ``replaced_id`` is an older journal's."""

    where: str
    size_bytes: int
    pieces: int | None
    header: JournalHeader
    replaced: bool
    replaced_id: int | None


def prepare(
    target: Path, settings: Settings, size_bytes: int, *, replace: bool = False, progress: Progress | None = None
) -> PreparedJournal:
    """Makes a journal of ``size_bytes`` on ``target``: a mounted card's folder, a card image, or a logger's port.

    At a port the journal's file is there already and keeps its size; it gets a new header, and with it a new id.

    :raises UsageError: a journal is there and no ``replace``; a senseless size or setting.
    :raises DamageError: a card that the logger cannot use.
    :raises InputOutputError: no room, read-only, or the card, image or port fails.
    """
    # Looked at before any card or port is.
    new_header(settings, _BLOCKS_LEAST)
    if is_port(target):
        return _prepare_at_desk(str(target), settings, replace)
    blocks, rest = divmod(size_bytes, BLOCK_SIZE)
    if rest or blocks < _BLOCKS_LEAST:
        expected = f"--size a multiple of {BLOCK_SIZE}, at least {_BLOCKS_LEAST * BLOCK_SIZE}: 1GiB, say"
        raise UsageError(f"a size of {size_bytes} bytes", expected=expected)
    header = new_header(settings, blocks)
    write = prepare_on_mount if target.is_dir() else prepare_in_image
    done = write(target, encode_journal_header(header), blocks, replace=replace, progress=progress)
    older = decode_journal_header(done.replaced.header)[1] if done.replaced else None
    return PreparedJournal(
        where=done.where,
        size_bytes=done.size_bytes,
        pieces=None if done.extents is None else len(done.extents),
        header=header,
        replaced=done.replaced is not None,
        replaced_id=older.journal_id if older else None,
    )


def _prepare_at_desk(port: str, settings: Settings, replace: bool) -> PreparedJournal:
    with open_desk(port) as desk:
        found = desk.describe()
        require_journal(found, port)
        if not replace:
            raise UsageError(
                f"the logger's card holds journal {found.journal_id:08x}",
                where=port,
                expected="--replace, once that journal has been pulled",
            )
        header = new_header(settings, found.journal_blocks)
        desk.write_header(encode_journal_header(header))
    return PreparedJournal(
        where=f"the card of the logger at {port}",
        size_bytes=found.journal_blocks * BLOCK_SIZE,
        pieces=None,
        header=header,
        replaced=True,
        replaced_id=found.journal_id,
    )
