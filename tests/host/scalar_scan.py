"""Blocks one by one, and whose journal they are of: what journal/bulk and journal/identity must equal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from math import gcd

from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_MAGIC, BLOCK_SIZE, BlockHeader, Status
from offtake.journal.codec import block_status, decode_journal_header, frame_seed, parse_frame, read_block_header
from offtake.journal.identity import Identity
from offtake.journal.scan import Kind, Seen, block_total, classify
from offtake.journal.source import ByteSource

CHUNK_BLOCKS = 256
_IDS_MAX = 1024


def scalar_identify(source: ByteSource) -> Identity:
    """Read block 0; where it is lost, the id that most valid blocks carry, or else most damaged ones prove."""
    status, header = decode_journal_header(source.read(0, BLOCK_SIZE))
    if header is not None:
        return Identity(status, header, header.journal_id, "header")
    whole: Counter[int] = Counter()
    proven: Counter[int] = Counter()
    for _, data in read_blocks(source, 0, block_total(source)):
        if data[0] != BLOCK_MAGIC or len(data) < BLOCK_HEADER_SIZE:
            continue
        votes = whole if block_status(data) is Status.OK else proven
        found = read_block_header(data)
        if votes is proven and not _first_frame_holds(data, found):
            continue
        if found.journal_id in votes or len(votes) < _IDS_MAX:
            votes[found.journal_id] += 1
    for votes in (whole, proven):
        if votes:
            journal_id = max(votes, key=lambda key: (votes[key], -key))
            return Identity(status, None, journal_id, "blocks")
    return Identity(status, None, None, "")


def _first_frame_holds(data: bytes, header: BlockHeader) -> bool:
    """Whether the first frame's check, which covers id and number, bears a damaged block's header out."""
    seed = frame_seed(header.journal_id, header.block_number)
    return parse_frame(data, BLOCK_HEADER_SIZE, len(data), seed)[0] is Status.OK


def walk(
    source: ByteSource, journal_id: int | None, first: int, stop: int, at_once: int = CHUNK_BLOCKS
) -> Iterator[Seen]:
    """Every block from position ``first`` up to ``stop``, classified, in file order; ``at_once`` blocks in memory."""
    for position, data in read_blocks(source, first, stop, at_once):
        yield classify(position, data, journal_id)


def scalar_lap_length(source: ByteSource, identity: Identity) -> int:
    """Blocks in a lap: by the journal's header, or else what all shifts have in common; 0 if nothing tells it."""
    if identity.header is not None:
        return identity.header.blocks - 1
    common = 0
    for seen in walk(source, identity.journal_id, 0, block_total(source)):
        if seen.kind is Kind.INTACT:
            common = gcd(common, abs(seen.shift))
    return common


def read_blocks(source: ByteSource, first: int, stop: int, at_once: int = CHUNK_BLOCKS) -> Iterator[tuple[int, bytes]]:
    """Each block's position and bytes, from position ``first`` up to ``stop``, ``at_once`` blocks in memory.

    The last block of a source that ends inside it is short. A source that returns less than its size promised ends
    there.
    """
    position = first
    while position < stop:
        count = min(at_once, stop - position)
        data = source.read(position * BLOCK_SIZE, count * BLOCK_SIZE)
        for at in range(0, len(data), BLOCK_SIZE):
            yield position + at // BLOCK_SIZE, data[at : at + BLOCK_SIZE]
        if len(data) < count * BLOCK_SIZE:
            return
        position += count
