"""The arrays that the tables are made of."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Ints32 = NDArray[np.int32]


def ranges(firsts: Ints, counts: Ints) -> Ints:
    """``counts[i]`` whole numbers from each of ``firsts`` on, one stretch after the other."""
    ends = np.cumsum(counts)
    total = int(ends[-1]) if ends.size else 0
    numbers: Ints = np.arange(total, dtype=np.int64)
    numbers += np.repeat(firsts - (ends - counts), counts)
    return numbers
