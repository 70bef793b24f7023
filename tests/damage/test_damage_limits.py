"""Damage costs neither unbounded memory nor time that grows faster than the file: reads and checks are counted."""

from __future__ import annotations

import random
import tracemalloc
import zlib
from collections.abc import Callable

import pytest
from damage_journals import recorded
from journal_maker import FILL, JOURNAL_ID, header
from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE, Raw
from offtake.journal import codec
from offtake.journal.bulk import window
from offtake.journal.bulk.order import SHIFTS_MAX
from offtake.journal.codec import encode_block, encode_frame, encode_journal_header
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from offtake.journal.verify import verify


class Counted(BytesSource):
    """A source that counts the bytes read from it."""

    bytes_read = 0

    def read(self, offset: int, length: int) -> bytes:
        data = super().read(offset, length)
        self.bytes_read += len(data)
        return data


def block(number: int, journal_id: int = JOURNAL_ID) -> bytes:
    frames = b"".join(encode_frame(Raw.CODE, n, b"%08d" % number, journal_id, number) for n in range(3))
    return encode_block(journal_id, number, 1, 0, frames)


def spoiled(content: bytes) -> bytes:
    return content[:-1] + bytes([content[-1] ^ 1])


def head(blocks: int) -> bytes:
    return encode_journal_header(header(blocks))


def all_damaged(n: int) -> list[bytes]:
    return [spoiled(block(number)) for number in range(1, n + 1)]


def every_second_damaged(n: int) -> list[bytes]:
    return [spoiled(block(number)) if number % 2 else block(number) for number in range(1, n + 1)]


def far_apart(n: int) -> list[bytes]:
    """Damaged stretches as long as can be between intact blocks."""
    return [block(number) if number % (n // 4) == 0 else spoiled(block(number)) for number in range(1, n + 1)]


def shifts_without_end(n: int) -> list[bytes]:
    """Each block further out of its place."""
    return [block(1 + 7 * number) for number in range(n)]


def mixed_shifts(n: int) -> list[bytes]:
    """Many interleaved shifts, with damage between them."""
    return [block(number + 1000 * (number % 20)) if number % 3 else b"\x55" * BLOCK_SIZE for number in range(1, n + 1)]


def reversed_order(n: int) -> list[bytes]:
    return [block(number) for number in range(n, 0, -1)]


def copies(n: int) -> list[bytes]:
    return [block(1)] * n


def starts_everywhere(n: int) -> list[bytes]:
    """Bytes that look like the head of a short frame at every offset: the dearest block to search."""
    return [b"\xd7" + b"\x04\x04" * 255 + b"\0"] * n


def ids_without_end(n: int) -> list[bytes]:
    return [block(1, journal_id=number) for number in range(1, n + 1)]


SHAPES = [all_damaged, every_second_damaged, far_apart, shifts_without_end, mixed_shifts, reversed_order, copies,
          starts_everywhere, ids_without_end]  # fmt: skip


def cost(data: bytes, monkeypatch: pytest.MonkeyPatch) -> tuple[int, int]:
    """(bytes read, bytes put through the frame check) by salvage, its frames, and verify."""
    checked = 0

    def crc32(content: bytes, start: int = 0) -> int:
        nonlocal checked
        checked += len(content)
        return zlib.crc32(content, start)

    class Zlib:
        """Stands in for the module where the codec looks for it."""

    Zlib.crc32 = staticmethod(crc32)  # type: ignore[attr-defined]
    monkeypatch.setattr(codec, "zlib", Zlib)
    source = Counted(data)
    for _ in salvage(source).frames():
        pass
    verify(source)
    monkeypatch.undo()
    return source.bytes_read, checked


@pytest.mark.parametrize("with_header", [True, False], ids=["header", "no header"])
@pytest.mark.parametrize("shape", SHAPES)
def test_four_times_the_file_costs_four_times_as_much(
    shape: Callable[[int], list[bytes]], with_header: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Each of 20 shifts spans the file but for its ends: only in a file that is long against 20 do the ends not count.
    n = 240 if shape is mixed_shifts else 120
    sizes = (n, 4 * n)
    small, large = (
        cost((head(size + 1) if with_header else b"") + b"".join(shape(size)), monkeypatch) for size in sizes
    )
    for one, four in zip(small, large, strict=True):
        assert four <= 5 * one + 100_000
    # Salvage and verify each follow at most so many shifts, and pass over the file a few times besides.
    assert large[0] <= 2 * (SHIFTS_MAX + 4) * (4 * n + 1) * BLOCK_SIZE


@pytest.mark.parametrize("shape", [shape for shape in SHAPES if shape is not starts_everywhere])
def test_memory_does_not_grow_with_a_hostile_file(
    shape: Callable[[int], list[bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(window, "WINDOW_BLOCKS", 32)
    peaks = []
    for n in (200, 800):
        source = BytesSource(head(n + 1) + b"".join(shape(n)))
        tracemalloc.start()
        found = salvage(source)
        for _ in found.frames():
            pass
        extents = len(found.account.extents)
        verify(source)
        peaks.append(tracemalloc.get_traced_memory()[1] - 200 * extents)
        tracemalloc.stop()
    # Extents and findings are kept up to a limit; nothing else may grow.
    assert peaks[1] < peaks[0] + 400_000
    assert peaks[1] < 4_000_000


@pytest.mark.parametrize("shape", [copies, ids_without_end])
def test_a_long_file_is_never_in_memory_whole(shape: Callable[[int], list[bytes]]) -> None:
    """32 MiB with the windows as they are: all of it at once, or a few numbers of each block kept, is too much."""
    n = 65_536
    source = BytesSource(head(n + 1) + b"".join(shape(n // 64)) * 64)
    tracemalloc.start()
    for _ in salvage(source).frames():
        pass
    verify(source)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert window.WINDOW_BLOCKS * BLOCK_SIZE < peak < 16_000_000


def test_extents_are_bounded_and_the_sums_stay_right() -> None:
    # One frame gone from each block: more extents than are listed.
    good = block(1)
    at = BLOCK_HEADER_SIZE + 20
    data = head(14_000) + b"".join(content[:at] + b"\0" + content[at + 1 :] for content in map(block, range(1, 12_000)))
    assert good[at] != 0
    found = salvage(BytesSource(data))
    account = found.account
    assert len(account.extents) == 10_000
    assert account.extents_left_out > 0
    assert account.recovered + account.skipped_bytes == account.size == len(data)


def test_random_bytes_in_quantity_give_no_frame() -> None:
    journal = recorded("made straight")
    data = journal.data[:BLOCK_SIZE] + random.Random(1).randbytes(3_000 * BLOCK_SIZE) + FILL
    found = salvage(BytesSource(data))
    assert list(found.frames()) == []
    assert found.account.skipped["damaged"] == 3_000 * BLOCK_SIZE
