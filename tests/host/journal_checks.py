"""What must hold of every salvage, whatever the damage."""

from __future__ import annotations

from collections.abc import Iterable

from journal_maker import Put
from offtake.journal.frames import Frame
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.source import BytesSource


def check_account(found: Salvage) -> None:
    """Promise 4: every byte of the input is accounted for, each skipped extent with its reason."""
    account = found.account
    assert account.recovered + account.skipped_bytes == account.size
    assert not account.extents_left_out
    by_reason: dict[str, int] = {}
    end = 0
    for extent in account.extents:
        assert extent.length > 0
        assert extent.offset >= end
        assert extent.reason
        end = extent.offset + extent.length
        by_reason[extent.reason] = by_reason.get(extent.reason, 0) + extent.length
    assert end <= account.size
    assert by_reason == account.skipped


def check_truth(frames: Iterable[Frame], put: Iterable[Put]) -> set[int]:
    """Promise 4: nothing invented. Returns the file offsets of the recovered frames."""
    by_place = {(one.offset, one.block_number): one for one in put}
    last = (0, 0)
    offsets = set()
    for frame in frames:
        one = by_place[frame.offset, frame.block_number]
        assert (frame.position, frame.size, frame.code) == (one.position, one.size, one.code)
        assert frame.payload == one.payload
        assert frame.run in (one.run, None)
        assert frame.tick in (one.tick, None)
        assert frame.tick is not None or not frame.block_intact
        assert (frame.block_number, frame.offset) > last
        last = (frame.block_number, frame.offset)
        offsets.add(frame.offset)
    return offsets


def check_salvage(data: bytes, put: list[Put], kept: set[int] | None = None) -> Salvage:
    """Salvage ``data`` and hold it against ``put``; at least the frames at offsets ``kept`` must come back."""
    found = salvage(BytesSource(data))
    check_account(found)
    frames = list(found.frames())
    offsets = check_truth(frames, put)
    assert len(frames) == found.account.frames
    assert sum(frame.size for frame in frames) == found.account.frame_bytes
    if kept is not None:
        assert kept <= offsets
    return found
