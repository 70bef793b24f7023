"""Many frames of one message at once: their fixed fields as a NumPy array, without a Python object for each."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from offtake.errors import UsageError
from offtake.generated.records import MESSAGES
from offtake.journal.frames import Frame


def message_dtype(code: int) -> np.dtype[np.void]:
    """Columns of :func:`decode_fixed`: ``run`` (u16), ``block_number`` (u32), ``tick`` (u32, absolute, modulo 2^32),
    ``payload_size`` (u16, bytes), then the message's fixed fields as they lie, numbers little-endian. UsageError for an
    unknown code."""
    message = MESSAGES.get(code)
    if message is None:
        raise UsageError(f"message code {code} is not known", expected=", ".join(map(str, MESSAGES)))
    columns: list[tuple[str, Any]] = [("run", "<u2"), ("block_number", "<u4"), ("tick", "<u4"), ("payload_size", "<u2")]
    fixed = [(name, message.DTYPE[name]) for name in message.DTYPE.names or ()]
    return np.dtype(columns + fixed)


def gather_fixed(data: bytes | bytearray | memoryview, offsets: ArrayLike, code: int) -> NDArray[np.void]:
    """The fixed parts of message ``code`` whose payloads begin at ``offsets`` (bytes) in ``data``.

    Returns a structured array of shape (len(offsets),) and the message's DTYPE. UsageError for an unknown code, or
    for an offset from which the fixed part does not lie inside ``data``.
    """
    message = MESSAGES.get(code)
    if message is None:
        raise UsageError(f"message code {code} is not known", expected=", ".join(map(str, MESSAGES)))
    places = np.asarray(offsets, dtype=np.int64).reshape(-1)
    size = message.FIXED_SIZE
    buffer = np.frombuffer(data, dtype=np.uint8)
    if places.size and (places.min() < 0 or places.max() + size > buffer.size):
        raise UsageError("an offset lies outside the bytes", expected=f"0 to {buffer.size - size}")
    if size == 0 or not places.size:
        return np.zeros(places.size, dtype=message.DTYPE)
    rows = buffer[places[:, np.newaxis] + np.arange(size)]
    gathered: NDArray[np.void] = np.ascontiguousarray(rows).view(message.DTYPE).reshape(-1)
    return gathered


def decode_fixed(frames: Iterable[Frame], code: int) -> NDArray[np.void]:
    """The frames of message ``code`` that have a certain run and tick, as an array of :func:`message_dtype`.

    Shape (n,), in the order of ``frames``. Payloads shorter than the message's first release are left out; what an
    older frame, by its ``payload_size``, does not wholly have is 0. Values are not checked against the spec's ranges.
    Memory grows with the number of such frames.
    """
    dtype = message_dtype(code)
    size, size_min = MESSAGES[code].FIXED_SIZE, MESSAGES[code].SIZE_MIN
    kind = MESSAGES[code].DTYPE
    # Fields lie one after the other.
    ends = [0, *accumulate(kind[name].itemsize for name in kind.names or ())]
    payloads = bytearray()
    offsets: list[int] = []
    places: list[tuple[int, int, int, int]] = []
    for frame in frames:
        if frame.code != code or frame.run is None or frame.tick is None or len(frame.payload) < size_min:
            continue
        offsets.append(len(payloads))
        # A field that is there in part is not there.
        whole = ends[bisect_right(ends, len(frame.payload)) - 1]
        payloads += frame.payload[:whole].ljust(size, b"\0")
        places.append((frame.run, frame.block_number, frame.tick, len(frame.payload)))
    table = np.zeros(len(places), dtype=dtype)
    if places:
        columns = np.array(places, dtype=np.int64)
        for index, name in enumerate(("run", "block_number", "tick", "payload_size")):
            table[name] = columns[:, index]
        fixed = gather_fixed(payloads, offsets, code)
        for name in MESSAGES[code].DTYPE.names or ():
            table[name] = fixed[name]
    return table
