"""Packets of the desk link (shared_spec/link.toml): kind, sequence, fields, CRC-16; COBS between zero bytes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import crcmod.predefined  # type: ignore[import-untyped]

from offtake.errors import DamageError
from offtake.generated.records import LINK_CHUNK_BYTES_MAX, PACKETS, Status
from offtake.link.cobs import cobs_decode, cobs_encode
from offtake.records import Record

CHECK_BYTES = 2
OVERHEAD_BYTES = 2 + CHECK_BYTES
CODED_BYTES_MAX = LINK_CHUNK_BYTES_MAX + 64
"""More than any packet's coded form; what is longer without a zero is noise."""

# CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF, not reflected; crcmod knows it under an older name.
packet_check: Callable[[bytes], int] = crcmod.predefined.mkCrcFun("crc-ccitt-false")


class PacketError(DamageError):
    """Bytes that are no packet; ``status`` says what is wrong with them."""

    def __init__(self, status: Status, where: str = "") -> None:
        self.status = status
        super().__init__(f"{status.name.lower()} in a packet of the desk link", where=where)


@dataclass(frozen=True)
class Packet:
    """One packet as received: its sequence number and its fields as a record of offtake.generated.records."""

    sequence: int
    record: Record

    @property
    def kind(self) -> int:
        """The packet's kind."""
        return int(self.record.CODE)


def encode_packet(record: Record, sequence: int) -> bytes:
    """The bytes for the wire, the zero before and after included. ``sequence`` is taken modulo 256."""
    body = bytes([record.CODE, sequence & 0xFF]) + record.encode()
    return b"\0" + cobs_encode(body + packet_check(body).to_bytes(CHECK_BYTES, "little")) + b"\0"


def decode_packet(coded: bytes) -> Packet:
    """The packet whose coded form, without the zeros around it, is ``coded``.

    :raises PacketError: it is none; checked in this order: stuffing, length, check, kind, fields.
    """
    body = cobs_decode(coded)
    if body is None:
        raise PacketError(Status.BAD_STUFFING)
    if len(body) < OVERHEAD_BYTES:
        raise PacketError(Status.SHORT_INPUT)
    body, check = body[:-CHECK_BYTES], body[-CHECK_BYTES:]
    if packet_check(body) != int.from_bytes(check, "little"):
        raise PacketError(Status.BAD_PACKET_CHECK)
    kind = PACKETS.get(body[0])
    if kind is None:
        raise PacketError(Status.UNKNOWN_CODE)
    status, record = kind.decode(body[2:], exact=True)
    if record is None:
        raise PacketError(status)
    return Packet(body[1], record)


class PacketStream:
    """Finds packets in a stream of bytes. ``damaged`` counts what lay between two zeros and was none."""

    def __init__(self) -> None:
        self._rest = bytearray()
        self.damaged = 0

    def feed(self, data: bytes) -> list[Packet]:
        """Takes the next bytes; returns the packets that they complete, in order."""
        found: list[Packet] = []
        *whole, rest = (bytes(self._rest) + data).split(b"\0")
        for coded in whole:
            if not coded:
                continue
            try:
                found.append(decode_packet(coded))
            except PacketError:
                self.damaged += 1
        self._rest = bytearray(rest if len(rest) <= CODED_BYTES_MAX else rest[-CODED_BYTES_MAX:])
        return found

    def forget(self) -> None:
        """Drops an unfinished packet, as after a change of speed."""
        self._rest.clear()
