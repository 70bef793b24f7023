"""Consistent Overhead Byte Stuffing: takes the zeros out of a packet, so that a zero can end it.

Cheshire and Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2), 1999.
"""

from __future__ import annotations

_RUN_MAX = 254


def cobs_encode(data: bytes) -> bytes:
    """The coded form of ``data``, without a zero byte and without the zero that ends a packet."""
    coded = bytearray()
    pieces = data.split(b"\0")
    for index, piece in enumerate(pieces):
        last = index == len(pieces) - 1
        at = 0
        while len(piece) - at >= _RUN_MAX:
            coded.append(_RUN_MAX + 1)
            coded += piece[at : at + _RUN_MAX]
            at += _RUN_MAX
        # A full run at the very end of the data needs no further code byte.
        if not (last and at == len(piece) and at > 0):
            coded.append(len(piece) - at + 1)
            coded += piece[at:]
    return bytes(coded)


def cobs_decode(coded: bytes) -> bytes | None:
    """What ``coded`` stands for; None when it is not a coded form."""
    data = bytearray()
    at = 0
    while at < len(coded):
        code = coded[at]
        end = at + code
        if code == 0 or end > len(coded):
            return None
        run = coded[at + 1 : end]
        if 0 in run:
            return None
        data += run
        at = end
        if code != _RUN_MAX + 1 and at < len(coded):
            data.append(0)
    return bytes(data)
