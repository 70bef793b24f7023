"""A logger of Python: the board's side of the desk link (shared_spec/link.toml) over a journal in memory.

It stands in for the firmware where a test wants faults at will: flipped bits, silence, answers with the wrong
sequence number, a port that vanishes, a speed the line does not carry.
"""

from __future__ import annotations

import os
import random
import select
import threading
import tty
from dataclasses import dataclass, field

from offtake.errors import InputOutputError
from offtake.generated.records import (
    BLOCK_SIZE,
    BlockHeader,
    Board,
    CardState,
    DataPacket,
    DescribePacket,
    DescriptionPacket,
    DonePacket,
    GreetingPacket,
    GreetPacket,
    HeaderPacket,
    HeaderWrittenPacket,
    LeavePacket,
    LeavingPacket,
    ReadPacket,
    Refusal,
    RefusedPacket,
    SpeedPacket,
    SpeedSetPacket,
    Status,
)
from offtake.journal.codec import block_status, decode_journal_header, encode_block, encode_frame, read_block_header
from offtake.link.packets import PacketStream, encode_packet
from offtake.records import Record

FIRST_BAUD = 115_200


@dataclass
class Faults:
    """What goes wrong; rates are shares, all drawn from ``seed``."""

    byte_error_rate: float = 0.0
    deaf_for: int = 0
    """Packets at the start that are not heard, as while the board is still starting."""
    wrong_sequence_every: int = 0
    vanish_after_bytes: int | None = None
    dead_speeds: tuple[int, ...] = ()
    """Speeds at which nothing gets through, in either direction."""
    seed: int = 1


@dataclass
class FakeLogger:
    """The logger. ``journal`` is changed in place by `header`; ``asked`` lists the requests it understood."""

    journal: bytearray
    faults: Faults = field(default_factory=Faults)
    state: CardState = CardState.READY
    baud_max: int = 1_000_000
    baud: int = FIRST_BAUD
    asked: list[Record] = field(default_factory=list)
    left: bool = False

    def __post_init__(self) -> None:
        self._stream = PacketStream()
        self._rng = random.Random(self.faults.seed)
        self._answers = 0
        self._heard = 0
        self._trial: int | None = None
        _, self.header = decode_journal_header(bytes(self.journal[:BLOCK_SIZE]))

    @property
    def blocks(self) -> int:
        return len(self.journal) // BLOCK_SIZE

    def hear(self, data: bytes, host_baud: int) -> bytes:
        """The bytes the host sends; returns what the logger sends back."""
        if host_baud != self.baud or host_baud in self.faults.dead_speeds:
            return b""
        out = b""
        for packet in self._stream.feed(self._spoil(data)):
            self._heard += 1
            if self._heard <= self.faults.deaf_for:
                continue
            self.asked.append(packet.record)
            for answer in self._answer(packet.record):
                out += self._spoil(encode_packet(answer, packet.sequence + self._slip()))
            if isinstance(packet.record, SpeedPacket) and packet.record.baud <= self.baud_max:
                self.baud = packet.record.baud
        return out

    def give_up_trial(self) -> None:
        """What the board does when nothing is heard at a new speed within the trial time."""
        self.baud = FIRST_BAUD

    def _slip(self) -> int:
        self._answers += 1
        every = self.faults.wrong_sequence_every
        return 7 if every and self._answers % every == 0 else 0

    def _spoil(self, data: bytes) -> bytes:
        rate = self.faults.byte_error_rate
        if not rate:
            return data
        return bytes(b ^ (1 << self._rng.randrange(8)) if self._rng.random() < rate else b for b in data)

    def _answer(self, request: Record) -> list[Record]:
        match request:
            case GreetPacket():
                return [GreetingPacket(version=1, chunk_max=BLOCK_SIZE, baud_max=self.baud_max)]
            case DescribePacket():
                return [self._description()]
            case ReadPacket(offset=offset, length=length, chunk=chunk):
                if offset + length > len(self.journal):
                    return [RefusedPacket(request=request.CODE, reason=Refusal.PAST_END)]
                pieces: list[Record] = [
                    DataPacket(offset=at, bytes=bytes(self.journal[at : at + chunk]))
                    for at in range(offset, offset + length, chunk)
                ]
                return [*pieces, DonePacket(offset=offset + length)]
            case SpeedPacket(baud=baud):
                return [SpeedSetPacket(baud=baud)]
            case HeaderPacket(bytes=block):
                return [self._replace_header(request, block)]
            case LeavePacket():
                self.left = True
                return [LeavingPacket()]
        return [RefusedPacket(request=request.CODE, reason=Refusal.UNKNOWN_REQUEST)]

    def _replace_header(self, request: Record, block: bytes) -> Record:
        _, header = decode_journal_header(block)
        if header is None or header.blocks != self.blocks:
            return RefusedPacket(request=request.CODE, reason=Refusal.BAD_HEADER)
        self.journal[:BLOCK_SIZE] = block
        self.header = header
        return HeaderWrittenPacket(journal_id=header.journal_id)

    def _status(self, position: int) -> tuple[Status, BlockHeader]:
        block = bytes(self.journal[position * BLOCK_SIZE : (position + 1) * BLOCK_SIZE])
        journal_id = self.header.journal_id if self.header else None
        return block_status(block, journal_id), read_block_header(block)

    def _description(self) -> Record:
        good = [header for at in range(1, self.blocks) for status, header in [self._status(at)] if status is Status.OK]
        newest = max(good, key=lambda header: header.block_number, default=None)
        header = self.header
        return DescriptionPacket(
            firmware_major=0,
            firmware_minor=1,
            firmware_patch=0,
            board=Board.ATMEGA328P_16MHZ,
            spec_hash=0,
            card_state=self.state,
            supply_mv=5_000,
            journal_id=header.journal_id if header else 0,
            journal_blocks=header.blocks if header else 0,
            next_block=newest.block_number + 1 if newest else 1,
            last_run=newest.run_number if newest else 0,
        )


class MemoryPort:
    """A port without a system behind it: what is written is answered at once."""

    def __init__(self, logger: FakeLogger, name: str = "memory") -> None:
        self.name = name
        self.logger = logger
        self.baud = FIRST_BAUD
        self.closed = False
        self.sent = 0
        self._waiting = b""
        self._gone = False

    def write(self, data: bytes) -> None:
        self._check()
        self._waiting += self.logger.hear(data, self.baud)

    def read(self, timeout_s: float) -> bytes:
        """Waits for nothing: silence stays silence."""
        self._check()
        data, self._waiting = self._waiting[:300], self._waiting[300:]
        limit = self.logger.faults.vanish_after_bytes
        self.sent += len(data)
        if limit is not None and self.sent >= limit:
            self._gone = True
        return data

    def set_baud(self, baud: int) -> None:
        self._check()
        if baud == FIRST_BAUD != self.baud:
            self.logger.give_up_trial()
        self.baud = baud
        self._waiting = b""

    def close(self) -> None:
        self.closed = True

    def _check(self) -> None:
        if self._gone:
            raise InputOutputError("the port has vanished", where=self.name)


class PtyLogger:
    """The logger behind a real terminal, for what is to run through pyserial. Use it as a context manager."""

    def __init__(self, logger: FakeLogger) -> None:
        self.logger = logger
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self._halt = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> PtyLogger:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._halt.set()
        self._thread.join()
        os.close(self._slave)
        if self._master >= 0:
            os.close(self._master)

    def _serve(self) -> None:
        sent = 0
        limit = self.logger.faults.vanish_after_bytes
        while not self._halt.is_set():
            if not select.select([self._master], [], [], 0.02)[0]:
                continue
            # A terminal's own speed means nothing here: the logger hears at whatever speed it is at.
            out = self.logger.hear(os.read(self._master, 4096), self.logger.baud)
            while out:
                written = os.write(self._master, out[:1024])
                sent, out = sent + written, out[written:]
                if limit is not None and sent >= limit:
                    os.close(self._master)
                    self._master = -1
                    return


def make_journal(
    header_block: bytes, blocks: int, runs: list[int], *, journal_id: int, first_number: int = 1, seed: int = 3
) -> bytearray:
    """A journal with ``runs[i]`` blocks in run i + 1, numbered on from ``first_number``, wrapped where need be."""
    rng = random.Random(seed)
    data = bytearray(header_block + b"\xff" * (blocks - 1) * BLOCK_SIZE)
    number = first_number
    for index, count in enumerate(runs):
        for _ in range(count):
            payload = rng.randbytes(rng.randrange(20, 470))
            frames = encode_frame(2, 0, payload, journal_id, number)
            block = encode_block(journal_id, number, index + 1, number * 1000, frames)
            at = (1 + (number - 1) % (blocks - 1)) * BLOCK_SIZE
            data[at : at + BLOCK_SIZE] = block
            number += 1
    return data
