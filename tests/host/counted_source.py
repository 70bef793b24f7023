"""A source that counts what is read of it."""

from __future__ import annotations

from offtake.generated.records import BLOCK_SIZE
from offtake.journal.source import BytesSource


class Counted(BytesSource):
    """``given`` counts bytes, ``blocks`` has the positions of the blocks that were read, wholly or in part."""

    def __init__(self, data: bytes) -> None:
        super().__init__(data)
        self.given = 0
        self.blocks: set[int] = set()

    def read(self, offset: int, length: int) -> bytes:
        data = super().read(offset, length)
        self.given += len(data)
        self.blocks.update(range(offset // BLOCK_SIZE, -(-(offset + len(data)) // BLOCK_SIZE)))
        return data
