"""The vectorised checks equal the plain ones over any stretches."""

from __future__ import annotations

import random

import numpy as np
import pytest
from offtake.dialects.bulk.buffer import Buffer
from offtake.dialects.bulk.checks import KERNELS
from offtake.dialects.bulk.crc import Crc
from offtake.dialects.checks import CHECKS


def test_every_check_has_a_kernel() -> None:
    assert set(KERNELS) == set(CHECKS)


def stretches(rng: random.Random, size: int, count: int, longest: int) -> tuple[np.ndarray, np.ndarray]:
    """Rising starts; ends anywhere behind, so that stretches overlap; some are empty."""
    starts = sorted(rng.randrange(size) for _ in range(count))
    ends = [min(size, start + rng.choice((0, 1, 7, rng.randrange(longest + 1)))) for start in starts]
    return np.array(starts, np.int64), np.array(ends, np.int64)


# Sizes around a row of the CRC's table; few and short stretches, and so many and long ones that they overlap deeply.
@pytest.mark.parametrize(
    ("size", "count", "longest"), [(1, 3, 1), (63, 5, 63), (64, 5, 64), (4096, 40, 300), (20_000, 900, 9_000)]
)
@pytest.mark.parametrize("name", sorted(KERNELS))
def test_kernels_equal_the_plain_checks(name: str, size: int, count: int, longest: int) -> None:
    rng = random.Random(f"{name} {size}")
    data = rng.randbytes(size)
    starts, ends = stretches(rng, size, count, longest)
    computed = KERNELS[name](Buffer(data), starts, ends)
    pairs = zip(starts.tolist(), ends.tolist(), strict=True)
    assert computed.tolist() == [CHECKS[name].compute(data[start:end]) for start, end in pairs]


@pytest.mark.parametrize("name", sorted(KERNELS))
def test_no_stretches(name: str) -> None:
    nothing = np.zeros(0, np.int64)
    assert KERNELS[name](Buffer(b"abc"), nothing, nothing).tolist() == []


# Any polynomial will do: the CRC is held against its definition, the remainder of a long division.
@pytest.mark.parametrize(("width", "poly"), [(8, 0x07), (12, 0x80F), (24, 0x864CFB), (32, 0x04C11DB7)])
def test_any_width_equals_long_division(width: int, poly: int) -> None:
    rng = random.Random(width)
    data = rng.randbytes(700)
    starts, ends = stretches(rng, 700, 30, 600)

    def divided(part: bytes) -> int:
        register = int.from_bytes(part, "big") << width
        for bit in range(8 * len(part) + width - 1, width - 1, -1):
            if register >> bit & 1:
                register ^= (poly | 1 << width) << bit - width
        return register

    computed = Crc(width, poly, 0, False, 0).compute(np.frombuffer(data, np.uint8), starts, ends)
    assert computed.tolist() == [divided(data[start:end]) for start, end in zip(starts, ends, strict=True)]
