"""COBS and the packets of the desk link."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from offtake.generated.records import DataPacket, DescribePacket, GreetPacket, SpeedPacket, Status
from offtake.link.cobs import cobs_decode, cobs_encode
from offtake.link.packets import CODED_BYTES_MAX, PacketError, PacketStream, decode_packet, encode_packet, packet_check

# Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999: the rules of the coding; the examples are worked
# out by hand from those rules.
COBS_CASES = [
    (b"", b"\x01"),
    (b"\0", b"\x01\x01"),
    (b"\0\0", b"\x01\x01\x01"),
    (b"\x11\x22\x00\x33", b"\x03\x11\x22\x02\x33"),
    (b"\x11\x00\x00\x00", b"\x02\x11\x01\x01\x01"),
    (bytes(range(1, 255)), b"\xff" + bytes(range(1, 255))),
    (bytes(range(0, 255)), b"\x01\xff" + bytes(range(1, 255))),
    (bytes(range(1, 256)), b"\xff" + bytes(range(1, 255)) + b"\x02\xff"),
    (bytes(range(2, 256)) + b"\0", b"\xff" + bytes(range(2, 256)) + b"\x01\x01"),
]


@pytest.mark.parametrize(("data", "coded"), COBS_CASES)
def test_cobs_examples(data: bytes, coded: bytes) -> None:
    assert cobs_encode(data) == coded
    assert cobs_decode(coded) == data


@given(st.binary(max_size=1200))
def test_cobs_round_trip_without_zeros(data: bytes) -> None:
    coded = cobs_encode(data)
    assert 0 not in coded
    assert len(coded) <= len(data) + len(data) // 254 + 1
    assert cobs_decode(coded) == data


@pytest.mark.parametrize("coded", [b"\x05\x01", b"\x02\x00", b"\x00", b"\xff\x01"])
def test_cobs_refuses_what_is_none(coded: bytes) -> None:
    assert cobs_decode(coded) is None


def test_packet_check_is_the_published_one() -> None:
    # CRC-16/IBM-3740 of "123456789" is 29B1 (catalogue of parametrised CRC algorithms).
    assert packet_check(b"123456789") == 0x29B1


@given(st.binary(max_size=512), st.integers(0, 255), st.integers(0, 2**32 - 1))
def test_packets_round_trip_through_a_stream_cut_anywhere(data: bytes, sequence: int, offset: int) -> None:
    wire = encode_packet(DataPacket(offset=offset, bytes=data), sequence)
    assert len(wire) <= CODED_BYTES_MAX
    stream = PacketStream()
    middle = (offset + sequence) % (len(wire) + 1)
    found = stream.feed(wire[:middle]) + stream.feed(wire[middle:])
    assert [(p.sequence, p.record) for p in found] == [(sequence, DataPacket(offset=offset, bytes=data))]
    assert stream.damaged == 0


def test_every_single_bit_flip_in_a_packet_is_noticed() -> None:
    wire = encode_packet(SpeedPacket(baud=0x01020304), 5)
    for bit in range(8, 8 * (len(wire) - 1)):
        spoilt = bytearray(wire)
        spoilt[bit // 8] ^= 1 << bit % 8
        assert PacketStream().feed(bytes(spoilt)) == []


def packed(body: bytes) -> bytes:
    return cobs_encode(body + packet_check(body).to_bytes(2, "little"))


@pytest.mark.parametrize(
    ("coded", "status"),
    [
        (b"\x09\x01", Status.BAD_STUFFING),
        (b"\x02\x01", Status.SHORT_INPUT),
        (cobs_encode(b"\x02\x01\x55\x55"), Status.BAD_PACKET_CHECK),
        (packed(b"\x7e\x01"), Status.UNKNOWN_CODE),
        (packed(b"\x06\x01\x00\x00\x00"), Status.SHORT_PAYLOAD),
        (packed(b"\x02\x01\x00"), Status.SHORT_PAYLOAD),
        (packed(b"\x01\x01" + b"\x00" * 8 + b"\x01"), Status.OUT_OF_RANGE),
        (packed(b"\xff\x01\x03\x63"), Status.OUT_OF_RANGE),
    ],
)
def test_malformed_packets_name_what_is_wrong(coded: bytes, status: Status) -> None:
    with pytest.raises(PacketError) as caught:
        decode_packet(coded)
    assert caught.value.status is status


def test_a_stream_finds_its_way_after_noise() -> None:
    stream = PacketStream()
    wire = encode_packet(GreetPacket(version=1), 1)
    noise = bytes(range(1, 256)) * 20
    assert [p.record for p in stream.feed(noise + wire + noise[:9] + encode_packet(DescribePacket(), 2))] == [
        GreetPacket(version=1),
        DescribePacket(),
    ]
    assert stream.damaged == 2
