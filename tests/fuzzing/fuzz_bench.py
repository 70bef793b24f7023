"""The desk of the real firmware on the bench, spoken to by a hostile computer. Same seed, same talk, same cycles."""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fuzz_build import base_card
from offtake.bench.board import Bench
from offtake.bench.cards import Card, uniform
from offtake.bench.figures import Reset
from offtake.firmware_build import build
from offtake.generated.records import (
    BLOCK_SIZE,
    DESK_BAUDS,
    LINK_BAUD_TRIAL_MS,
    LINK_VERSION,
    DescribePacket,
    DescriptionPacket,
    GreetingPacket,
    GreetPacket,
    HeaderWrittenPacket,
    LeavePacket,
    LeavingPacket,
    ReadPacket,
    SpeedPacket,
    SpeedSetPacket,
)
from offtake.link.cobs import cobs_encode
from offtake.link.packets import Packet, PacketStream, encode_packet, packet_check
from offtake.records import Record

ENVIRONMENT = "atmega328p_16mhz"
STEP_MS = 2.0
QUIET_MS = 400.0
"""Longer than the logger needs for the longest work between two answers: the journal's search after a new header."""
BUSY_MS = 60_000.0
"""No talk keeps it busy for longer: some thirty requests fit its memory, each for at most the whole journal."""
ANSWER_MS = 1_000.0
GREET_MS = 4_000.0
CERTAIN_BAUDS = (9_600, 19_200, 38_400, 57_600, 115_200, 250_000, 500_000, 1_000_000)
"""Those whose divisor at 16 MHz is close enough for both ends to hear each other (chip's datasheet, baud tables)."""
SETTINGS_AT, SETTINGS_BYTES = 8, 23
WORDS = (0, 1, 31, 32, 511, 512, 513, 48 * 512, 47 * 512, 0x7FFFFFFF, 0x80000000, 0xFFFFFE00, 0xFFFFFFFF)
CHUNKS = (0, 1, 16, 32, 48, 64, 128, 256, 512, 1024, 0x8000, 0xFFFF)


class DeskError(Exception):
    """The logger broke a promise; the text says which."""


@dataclass(frozen=True)
class DeskReport:
    """What a talk came to: simulated seconds, hostile actions, packets the logger sent, resets, blocks it wrote, and
    ``failure``, empty when it kept every promise."""

    seed: int
    seconds: float
    actions: int
    answers: int
    resets: int
    blocks_written: int
    failure: str

    def figures(self) -> dict[str, Any]:
        """The report for a JSON file."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def fuzz_desk(seed: int, seconds: float) -> DeskReport:
    """Talks to the firmware for so many simulated seconds; a broken promise ends it and stands in the report.

    :raises InputOutputError: the firmware or the bench cannot be built.
    """
    talk = _Talk(seed)
    failure = ""
    with talk.bench:
        try:
            talk.reach_desk()
            while talk.seconds < seconds:
                talk.act()
            talk.judge_card()
            if not talk.bench.passive.rx_untouched:
                raise DeskError("the receiving pin was driven")
        except DeskError as error:
            failure = f"{error} (after {talk.doing}, action {talk.actions}, {talk.seconds:.3f} s)"
        return DeskReport(
            seed, talk.seconds, talk.actions, talk.answers, talk.resets, len(talk.bench.writes), failure
        )


class _Talk:
    """The computer's side, and the judge."""

    def __init__(self, seed: int) -> None:
        self._rng = random.Random(seed)
        content, sectors = base_card(0)
        self._image = bytearray(content)
        self._outside = content
        self._sectors = sectors
        self.bench = Bench(build(ENVIRONMENT), image=self._image, card=Card(busy=uniform(1, 20), seed=seed), seed=seed)
        self._stream = PacketStream()
        self._sequence = 0
        self._baud = DESK_BAUDS[0]
        self._writes_seen = 0
        self._heard: list[Packet] = []
        self.actions = 0
        self.answers = 0
        self.resets = 0
        self.doing = "power-up"
        self._acts: tuple[tuple[int, Callable[[], None]], ...] = (
            (6, self._noise),
            (3, self._endless_noise),
            (8, self._mutated),
            (6, self._hostile_read),
            (5, self._odd_packet),
            (5, self._header),
            (4, self._several),
            (5, self._speed),
            (2, self._speed_among_others),
            (1, self._leave),
            (1, self._reset),
        )

    @property
    def seconds(self) -> float:
        """Simulated time since power-up."""
        return self.bench.ms(self.bench.cycle) / 1000.0

    def act(self) -> None:
        """One hostile action; then the next well-formed request must be answered."""
        acts = [act for weight, act in self._acts for _ in range(weight)]
        chosen = self._rng.choice(acts)
        self.actions += 1
        self.doing = chosen.__name__.strip("_").replace("_", " ")
        chosen()
        self._probe()
        self._judge_writes()
        if self.actions % 16 == 0:
            self.judge_card()

    # ---- the line ----

    def _run(self, ms: float) -> None:
        end = self.bench.run_ms(ms)
        if not end.ok:
            raise DeskError(f"the chip stopped: {end.message or end.status.name}")
        found = self._stream.feed(self.bench.host_take(self._baud))
        self.answers += len(found)
        self._heard += found

    def _send(self, data: bytes) -> None:
        self.bench.host_send(data, self._baud)

    def _ask(self, record: Record) -> int:
        self._sequence = (self._sequence + 1) & 0xFF
        self._send(encode_packet(record, self._sequence))
        return self._sequence

    def _await(self, kind: type[Record], sequence: int | None, within_ms: float) -> Record | None:
        """The answer of a kind, or None when the time is up. The time begins when all has been sent."""
        end = max(self.bench.line_end, self.bench.cycle) + self.bench.cycles(within_ms)
        while self.bench.cycle < end:
            self._run(STEP_MS)
            for packet in self._heard:
                if isinstance(packet.record, kind) and sequence in (None, packet.sequence):
                    return packet.record
        return None

    def _settle(self) -> None:
        """Until all is sent and the logger has been silent for a while."""
        end = self.bench.cycle + self.bench.cycles(BUSY_MS)
        silent_since, sent = self.bench.cycle, len(self.bench.uart_sent)
        while self.bench.line_end > self.bench.cycle or self.bench.ms(self.bench.cycle - silent_since) < QUIET_MS:
            self._run(10.0)
            now = len(self.bench.uart_sent)
            if now != sent or self.bench.line_end > self.bench.cycle:
                silent_since, sent = self.bench.cycle, now
            if self.bench.cycle > end:
                raise DeskError(f"no end of answers within {BUSY_MS / 1000:.0f} s")

    def reach_desk(self) -> None:
        """Resets the chip as an adapter does, and greets it."""
        self.resets += 1
        self.bench.reset(Reset.EXTERNAL)
        self._first_speed()
        self._heard.clear()
        for _ in range(int(GREET_MS / 50.0)):
            self._ask(GreetPacket(LINK_VERSION))
            if self._await(GreetingPacket, None, 50.0):
                self._settle()
                return
        raise DeskError("no answer to greetings after a reset")

    def _first_speed(self) -> None:
        self._run(STEP_MS)
        self._stream.forget()
        self._baud = DESK_BAUDS[0]

    def _probe(self) -> None:
        self._settle()
        self._heard.clear()
        sequence = self._ask(DescribePacket())
        if self._await(DescriptionPacket, sequence, ANSWER_MS) is None:
            raise DeskError(f"a well-formed request has no answer at {self._baud} baud")

    # ---- hostile actions ----

    def _noise(self) -> None:
        self._send(self._rng.randbytes(self._rng.randrange(1, 600)))

    def _endless_noise(self) -> None:
        """More than the logger's memory holds, without a zero that would end a packet."""
        self._send(bytes(self._rng.randrange(1, 256) for _ in range(self._rng.randrange(700, 3000))))

    def _request(self) -> Record:
        rng = self._rng
        read = ReadPacket(rng.choice(WORDS), rng.choice(WORDS), rng.choice(CHUNKS))
        return rng.choice([GreetPacket(LINK_VERSION), DescribePacket(), read])

    def _mutated(self) -> None:
        rng = self._rng
        for _ in range(rng.randrange(1, 5)):
            data = bytearray(encode_packet(self._request(), rng.randrange(256)))
            for _ in range(rng.randrange(1, 4)):
                at = rng.randrange(len(data))
                change = rng.randrange(4)
                if change == 0:
                    data[at] ^= 1 << rng.randrange(8)
                elif change == 1:
                    del data[at:]
                elif change == 2:
                    data[at:at] = rng.randbytes(rng.randrange(1, 9))
                else:
                    data[at : at + 1] = bytes([rng.choice((0, 1, 0xFF))])
                if not data:
                    break
            self._send(bytes(data))

    def _packet(self, kind: int, fields: bytes) -> None:
        body = bytes([kind, self._rng.randrange(256)]) + fields
        self._send(b"\0" + cobs_encode(body + struct.pack("<H", packet_check(body))) + b"\0")

    def _hostile_read(self) -> None:
        rng = self._rng
        offset = rng.choice((*WORDS, rng.randrange(2**32), 32 * rng.randrange(800)))
        length = rng.choice((*WORDS, rng.randrange(2**32), 32 * rng.randrange(100)))
        self._packet(ReadPacket.CODE, struct.pack("<IIH", offset, length, rng.choice(CHUNKS)))

    def _odd_packet(self) -> None:
        """A right check around any kind and any number of fields."""
        rng = self._rng
        kind = rng.choice([k for k in range(256) if k not in (SpeedPacket.CODE, LeavePacket.CODE)])
        self._packet(kind, rng.randbytes(rng.choice((0, 1, 4, 9, 10, 24, 25, 200, 511, 512, 513, 600))))

    def _header(self) -> None:
        """A header that lies in one place or another; where it passes, its settings hold from then on."""
        rng = self._rng
        start = self._sectors[0] * BLOCK_SIZE
        block = bytearray(self._image[start : start + BLOCK_SIZE])
        for _ in range(rng.randrange(0, 3)):
            block[SETTINGS_AT + rng.randrange(SETTINGS_BYTES)] = rng.choice((0, 1, 2, 0xFF, rng.randrange(256)))
        block[-4:] = struct.pack("<I", zlib.crc32(block[:-4]))
        if rng.random() < 0.2:
            block[rng.randrange(BLOCK_SIZE)] ^= 1 << rng.randrange(8)
        self._heard.clear()
        self._packet(0x07, bytes(block))
        self._settle()
        written = [one for one in self._heard if isinstance(one.record, HeaderWrittenPacket)]
        if written and self._image[start : start + BLOCK_SIZE] != block:
            raise DeskError("a header was said to be written and is not on the card")

    def _several(self) -> None:
        """Requests without waiting for answers."""
        for _ in range(self._rng.randrange(2, 8)):
            self._rng.choice((self._hostile_read, self._odd_packet, self._mutated))()

    def _speed(self) -> None:
        rng = self._rng
        baud = rng.choice((*CERTAIN_BAUDS, *CERTAIN_BAUDS, 0, 1, 9_599, 1_000_001, rng.randrange(2**32), 700_000))
        self._heard.clear()
        sequence = self._ask(SpeedPacket(baud))
        if self._await(SpeedSetPacket, sequence, 200.0) is None:
            return
        if baud not in CERTAIN_BAUDS or rng.random() < 0.5:
            self._break_the_trial(baud)
            return
        self._run(rng.uniform(0.0, LINK_BAUD_TRIAL_MS - 100.0))
        self._stream.forget()
        self._baud = baud
        self._heard.clear()
        sequence = self._ask(DescribePacket())
        if self._await(DescriptionPacket, sequence, ANSWER_MS) is None:
            raise DeskError(f"no answer at the new speed, {baud} baud")

    def _break_the_trial(self, baud: int) -> None:
        """Say nothing, or nothing that can be understood: the logger goes back to the first speed."""
        what = self._rng.randrange(3)
        if what == 1:
            self.bench.host_send(self._rng.randbytes(40), baud if baud > 300 else 300)
        elif what == 2:
            self.bench.host_send(self._rng.randbytes(100), self._baud)
        self._run(LINK_BAUD_TRIAL_MS + 400.0)
        self._stream.forget()
        self._baud = DESK_BAUDS[0]

    def _speed_among_others(self) -> None:
        """A change of speed half-way through other requests, all at the old speed: what was queued behind it counts as
        heard, so that the logger may be at either speed after it. A computer looks at both."""
        rng = self._rng
        baud = rng.choice(CERTAIN_BAUDS)
        self._heard.clear()
        for _ in range(rng.randrange(0, 3)):
            self._hostile_read()
        self._ask(SpeedPacket(baud))
        for _ in range(rng.randrange(0, 3)):
            rng.choice((self._hostile_read, self._odd_packet))()
        self._settle()
        self._run(LINK_BAUD_TRIAL_MS + 400.0)
        for attempt in (self._baud, baud, DESK_BAUDS[0]):
            self._run(STEP_MS)
            self._stream.forget()
            self._baud = attempt
            self._heard.clear()
            sequence = self._ask(DescribePacket())
            if self._await(DescriptionPacket, sequence, ANSWER_MS) is not None:
                return
        raise DeskError(f"no answer at any speed after {baud} baud was asked for among other requests")

    def _leave(self) -> None:
        """To the field and back: it records what the line says, inside the journal."""
        self._settle()
        self._judge_writes()
        self._heard.clear()
        sequence = self._ask(LeavePacket())
        if self._await(LeavingPacket, sequence, ANSWER_MS) is None:
            raise DeskError("leave has no answer")
        self.bench.host_send(self._rng.randbytes(2_000), 57_600)
        self._run(self._rng.uniform(200.0, 2_500.0))
        self._judge_writes(recording=True)
        self.reach_desk()
        self._judge_writes(recording=True)

    def _reset(self) -> None:
        """In the middle of an answer."""
        self._packet(ReadPacket.CODE, struct.pack("<IIH", 0, 4096, 512))
        self._run(self._rng.uniform(1.0, 100.0))
        self.reach_desk()

    # ---- judging ----

    def _judge_writes(self, *, recording: bool = False) -> None:
        writes = self.bench.writes
        allowed = self._sectors[1:] if recording else self._sectors[:1]
        wrong = {int(one["lba"]) for one in writes[self._writes_seen :]} - set(allowed)
        if wrong:
            raise DeskError(f"sector {min(wrong)} was written {'while recording' if recording else 'at the desk'}")
        self._writes_seen = len(writes)

    def judge_card(self) -> None:
        """Nothing outside the journal file has changed."""
        start, stop = self._sectors[0] * BLOCK_SIZE, (self._sectors[-1] + 1) * BLOCK_SIZE
        view, before = memoryview(self._image), memoryview(self._outside)
        if view[:start] != before[:start] or view[stop:] != before[stop:]:
            raise DeskError("the card has changed outside the journal file")
