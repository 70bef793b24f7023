"""Whose journal a source is, and how long its laps are: by its header, or by what its blocks have in common."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from math import gcd

import numpy as np
from numpy.typing import NDArray

from offtake.generated.records import (
    BLOCK_HEADER_SIZE,
    BLOCK_MAGIC,
    BLOCK_SIZE,
    BlockHeader,
    JournalHeader,
    Status,
)
from offtake.journal.bulk.window import DAMAGED, TORN, BlockTable, scan_blocks
from offtake.journal.codec import decode_journal_header, frame_seed, parse_frame, read_block_header
from offtake.journal.scan import block_total
from offtake.journal.source import ByteSource

# An untrusted file may hold as many ids as blocks; a real one holds a few.
_IDS_MAX = 1024


@dataclass(frozen=True, slots=True)
class Identity:
    """Whose journal a source is. ``id_from`` is "header", "blocks" or, where no id was found, empty."""

    header_status: Status
    header: JournalHeader | None
    journal_id: int | None
    id_from: str


def identify(source: ByteSource) -> Identity:
    """Read block 0; where it is lost, the id that most valid blocks carry, or else most damaged ones prove."""
    status, header = decode_journal_header(source.read(0, BLOCK_SIZE))
    if header is not None:
        return Identity(status, header, header.journal_id, "header")
    whole: Counter[int] = Counter()
    proven: Counter[int] = Counter()
    for blocks in scan_blocks(source, None, 0, block_total(source)):
        _vote(whole, _ids(blocks)[blocks.intact])
        # What damaged blocks say is asked only where no block is valid.
        if not whole:
            _vote(proven, np.array(_proven_ids(blocks), np.uint32))
    for votes in (whole, proven):
        if votes:
            journal_id = max(votes, key=lambda key: (votes[key], -key))
            return Identity(status, None, journal_id, "blocks")
    return Identity(status, None, None, "")


def _ids(blocks: BlockTable) -> NDArray[np.uint32]:
    """The journal id in each block's header, 0 for a torn one."""
    ids = np.zeros(len(blocks), np.uint32)
    whole = len(blocks.data) // BLOCK_SIZE
    if whole:
        ids[:whole] = np.ndarray((whole,), BlockHeader.DTYPE, blocks.data, 0, (BLOCK_SIZE,))["journal_id"]
    return ids


def _vote(votes: Counter[int], ids: NDArray[np.uint32]) -> None:
    values, firsts, counts = np.unique(ids, return_index=True, return_counts=True)
    for index in np.argsort(firsts).tolist():
        value = int(values[index])
        if value in votes or len(votes) < _IDS_MAX:
            votes[value] += int(counts[index])


def _proven_ids(blocks: BlockTable) -> list[int]:
    """Ids of damaged blocks whose headers their first frames bear out."""
    found = []
    for index in np.flatnonzero((blocks.kind == DAMAGED) | (blocks.kind == TORN)).tolist():
        data = blocks.block(index)
        if data[0] == BLOCK_MAGIC and len(data) >= BLOCK_HEADER_SIZE:
            header = read_block_header(data)
            if _first_frame_holds(data, header):
                found.append(header.journal_id)
    return found


def _first_frame_holds(data: bytes, header: BlockHeader) -> bool:
    """Whether the first frame's check, which covers id and number, bears a damaged block's header out."""
    seed = frame_seed(header.journal_id, header.block_number)
    return parse_frame(data, BLOCK_HEADER_SIZE, len(data), seed)[0] is Status.OK


def lap_length(source: ByteSource, identity: Identity) -> int:
    """Blocks in a lap: by the journal's header, or else what all shifts have in common; 0 if nothing tells it."""
    if identity.header is not None:
        return identity.header.blocks - 1
    common = 0
    for blocks in scan_blocks(source, identity.journal_id, 0, block_total(source)):
        common = gcd(common, int(np.gcd.reduce(np.abs(blocks.shift[blocks.intact]))))
    return common
