"""Frames that the log holds twice: in a block that the card refused though it had taken it, and in the next one."""

from __future__ import annotations

from offtake.journal.frames import Frame


class Twins:
    """Remembers the frames of this block and the one before, to tell what is written a second time."""

    def __init__(self) -> None:
        self._number = 0
        self._before: dict[tuple[int, int], bytes] = {}
        self._here: dict[tuple[int, int], bytes] = {}

    def already_seen(self, frame: Frame) -> int:
        """Bytes at the payload's start that the block before held as well, at the same tick."""
        twin = self._twin(frame)
        return len(twin) if twin and frame.payload.startswith(twin) else 0

    def repeats(self, frame: Frame) -> bool:
        """Whether the block before held the whole frame as well, at the same tick."""
        return self._twin(frame) == frame.payload

    def _twin(self, frame: Frame) -> bytes | None:
        if frame.block_number != self._number:
            self._number, self._before, self._here = frame.block_number, self._here, {}
        if frame.tick is None:
            return None
        key = (frame.code, frame.tick)
        self._here[key] = frame.payload
        return self._before.get(key)
