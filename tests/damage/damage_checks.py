"""What must hold of every reader, whatever is done to a journal's file."""

from __future__ import annotations

from collections.abc import Iterable

from damage_journals import Recorded
from journal_checks import check_account
from journal_maker import Put
from offtake.errors import DamageError
from offtake.generated.records import BLOCK_SIZE, Raw, RawMore
from offtake.journal.bulk.stream import chunks_of_windows, stream_windows
from offtake.journal.frames import Frame
from offtake.journal.reader import Journal
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.source import BytesSource
from offtake.journal.stream import salvaged_windows
from offtake.journal.verify import VerifyReport, verify


def check_salvage(
    data: bytes, truth: Iterable[Put], kept: set[int] | None = None, *, journal_id: int | None = None
) -> tuple[Salvage, list[Frame]]:
    """Promise 4 of ``data``: only frames of ``truth`` (by block number and place in the block), in order, and a full
    account. ``kept`` are file offsets of frames that must come back."""
    found = salvage(BytesSource(data))
    check_account(found)
    frames = list(found.frames())
    check_cover(found, frames, data)
    assert len(frames) == found.account.frames
    assert sum(frame.size for frame in frames) == found.account.frame_bytes
    assert [key_of(one) for one in frames] == sorted({key_of(one) for one in frames})
    check_truth(frames, data, truth)
    if journal_id is not None:
        assert {frame.journal_id for frame in frames} <= {journal_id}
    if kept is not None:
        assert kept <= {frame.offset for frame in frames}
    return found, frames


def key_of(frame: Frame) -> tuple[int, int, int]:
    return frame.block_number, frame.offset % BLOCK_SIZE, frame.offset


def check_truth(frames: Iterable[Frame], data: bytes, truth: Iterable[Put]) -> None:
    by_place = {(one.block_number, one.offset % BLOCK_SIZE): one for one in truth}
    for frame in frames:
        one = by_place[frame.block_number, frame.offset % BLOCK_SIZE]
        assert (frame.size, frame.code, frame.payload) == (one.size, one.code, one.payload)
        assert frame.position == frame.offset // BLOCK_SIZE
        assert frame.payload in data[frame.offset : frame.offset + frame.size]
        assert frame.run in (one.run, None)
        assert frame.tick in (one.tick, None)
        assert not frame.block_intact or (frame.run, frame.tick) == (one.run, one.tick)


def check_cover(found: Salvage, frames: list[Frame], data: bytes) -> None:
    """Frames and skipped extents are disjoint; what is neither is the journal's header or in an intact block."""
    intact = {frame.position for frame in frames if frame.block_intact}
    spans = sorted([(e.offset, e.length) for e in found.account.extents] + [(f.offset, f.size) for f in frames])
    end = structure = 0
    for offset, length in [*spans, (len(data), 0)]:
        assert offset >= end
        for position in range(end // BLOCK_SIZE, -(-offset // BLOCK_SIZE)) if offset > end else ():
            # A whole block without a frame may be intact and empty.
            edges = max(end, position * BLOCK_SIZE), min(offset, (position + 1) * BLOCK_SIZE)
            assert position in intact or edges[1] - edges[0] == BLOCK_SIZE
        structure += offset - end
        end = offset + length
    assert structure == found.account.structure_bytes


def check_readers(data: bytes, *, damaged: bool) -> VerifyReport:
    """Verify and the reader take anything; verify calls what is damaged damaged."""
    report = verify(BytesSource(data))
    assert not (damaged and report.clean), "verify calls a damaged journal clean"
    assert report.clean == (not any(one.severity == "damage" for one in report.findings))
    try:
        journal = Journal(BytesSource(data))
    except DamageError:
        assert not report.clean
        return report
    numbers = [block.header.block_number for block in journal.blocks()]
    assert numbers == sorted(numbers)
    return report


def check_streams(data: bytes, recorded: Recorded) -> None:
    """What the exports are made of holds no byte that the journal did not hold, none twice, and all in order."""
    found = salvage(BytesSource(data))
    pieces = {
        run: [one.payload for one in recorded.put if one.run == run and one.code in (Raw.CODE, RawMore.CODE)]
        for run in {one.run for one in recorded.put}
    }
    runs = {info.run for info in found.runs() if info.run in pieces}
    sources = [(run, chunks_of_windows(salvaged_windows(found, run))) for run in runs]
    if found.journal_id is not None:
        sources += [
            (run, chunks_of_windows(stream_windows(Journal(BytesSource(data)).frame_tables(run)))) for run in runs
        ]
    for run, chunks in sources:
        assert is_made_of(b"".join(chunk.data for chunk in chunks), pieces[run])


def is_made_of(line: bytes, pieces: list[bytes]) -> bool:
    """Whether ``line`` is some of ``pieces``, each at most once, in their order."""
    ends = {0}
    for piece in pieces:
        ends |= {at + len(piece) for at in ends if line.startswith(piece, at)}
    return len(line) in ends
