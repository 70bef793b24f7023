"""How memory that NumPy frees is kept for its next array."""

from __future__ import annotations

import functools

import numpy as np

# The C library's allocator maps an array of 128 KiB or more by itself and gives it back when it is freed, so that each
# temporary array of a window is paged in again: a fifth of the time and more. Freeing one such block of at most 32 MiB
# raises that border to the block's size for good (GNU's library says so of its dynamic threshold; others do not mind).
_BLOCK_BYTES = 31 << 20


@functools.cache
def keep_freed_memory() -> None:
    """Let the process keep freed arrays up to 31 MiB for reuse, which costs nothing now; once is enough."""
    # Never written to, so no page of it is ever used.
    np.empty(_BLOCK_BYTES, np.uint8)
