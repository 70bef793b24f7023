"""The computer's side of the desk: asks the logger and waits for its answers (shared_spec/link.toml)."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import TracebackType
from typing import TypeVar

from offtake.errors import DamageError, InputOutputError, UsageError
from offtake.generated.records import (
    DESK_BAUDS,
    LINK_BAUD_FASTEST,
    LINK_BAUD_TRIAL_MS,
    LINK_VERSION,
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
    RefusedPacket,
    SpeedPacket,
    SpeedSetPacket,
)
from offtake.link.packets import Packet, PacketStream, encode_packet
from offtake.link.port import Port, SerialPort, SpeedRefusedError
from offtake.link.refusals import RefusedError
from offtake.records import Record

_SEQUENCES = 99
"""Requests are numbered 1 to 99: no greeting then holds 64 (hexadecimal), some boot loaders' command to write a
page."""

_AT_ONCE = 24
"""Reads under way at once over a bad line: the logger keeps what it has not come to in about 600 bytes."""

_TOGETHER = 4
"""Of these, sent without a pause: where one byte overruns the logger's receiver at the fastest speeds, those that
follow at once do too."""

_NOISY_ANSWERS = 3
"""How many times ``noisy_s`` an answer may take on a line that damages packets, before it is taken for lost."""
_NOISY_SILENCES = 3
"""How many times more silences in a row than on a good line it takes to give such a line up."""

Answer = TypeVar("Answer", bound=Record)
Take = Callable[[int, bytes], None]
Stretch = tuple[int, int]
"""Offset and length, in bytes."""

_GREET_VISIT_S = 0.3
"""How long a speed is tried before the next: all of them come by well within the time a reset board listens."""

_LINE_TIME_FACTOR = 3.0
"""How much longer than its bytes on the wire an answer may take: small chunks, and a card that takes its time."""


@dataclass(frozen=True)
class Patience:
    """How long to wait, in seconds of the wall clock.

    ``greet_s`` in all for a greeting, asked for every ``greet_every_s``; ``answer_s`` for an answer, ``tries`` times in
    silence and ``noisy_tries`` times where damaged answers come; ``first_s`` for the first data of a `read`, and
    ``quiet_s`` of silence ends one whose last packet was lost. ``noisy_s`` stands for both, and for ``answer_s``, where
    waiting gains nothing: after damage, and when the logger had the request before it ended the last answer.
    """

    greet_s: float = 6.0
    greet_every_s: float = 0.05
    answer_s: float = 1.0
    first_s: float = 0.5
    quiet_s: float = 0.4
    noisy_s: float = 0.1
    tries: int = 8
    noisy_tries: int = 200


class Desk:
    """A logger on a port; use it as a context manager. ``baud`` is the speed in use.

    Every method may raise InputOutputError: the port is gone, or the logger does not answer.
    """

    def __init__(self, port: Port, patience: Patience | None = None) -> None:
        self.port = port
        self.patience = patience or Patience()
        self.baud = DESK_BAUDS[0]
        self.re_asked = 0
        self._sequence = 0
        self._stream = PacketStream()
        self._open: dict[int, tuple[int, int, int]] = {}
        """Reads that may still be answered, in the order in which they were asked: offset, length and chunk."""
        self._open_until = 0.0

    def __enter__(self) -> Desk:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.port.close()

    @property
    def damaged_packets(self) -> int:
        """Packets that came in damaged so far."""
        return self._stream.damaged

    # ---- requests ----

    def greet(self) -> GreetingPacket:
        """Calls the logger to the desk. After a reset it listens for a second and a half, so it is called often, and
        at each of the speeds that it may be at: its board's first one, or the fastest, where a session was broken off.
        """
        bauds = [*DESK_BAUDS, LINK_BAUD_FASTEST]
        visit_s = min(_GREET_VISIT_S, self.patience.greet_s / len(bauds))
        end = time.monotonic() + self.patience.greet_s
        greeting = self._call(visit_s)
        while greeting is None and time.monotonic() < end:
            baud = bauds[(bauds.index(self.baud) + 1) % len(bauds)] if self.baud in bauds else bauds[0]
            try:
                self._set_baud(baud)
            except SpeedRefusedError:
                # An old port may not go as fast as a logger can; then no logger is waiting there for it either.
                bauds.remove(baud)
                continue
            greeting = self._call(visit_s)
        if greeting is None:
            self._set_baud(DESK_BAUDS[0])
            raise InputOutputError(
                "no logger answers",
                where=self.port.name,
                expected="a board with Offtake's firmware, its RX and TX crossed with the adapter's; "
                "if its DTR is not wired, press its reset button now and repeat the command",
            )
        if greeting.version < 1:
            raise DamageError(f"link version {greeting.version}", where=self.port.name, expected="1 or higher")
        return greeting

    def describe(self) -> DescriptionPacket:
        """Who the logger is and what its card holds."""
        return self._ask(DescribePacket(), DescriptionPacket)

    def read(self, offset: int, length: int, chunk: int, take: Take, ahead: Stretch | None = None) -> bool:
        """Asks once for a stretch of the journal; ``take(offset, data)`` gets each chunk that arrives whole.

        Chunks of other stretches that were asked for before go there too. Returns False when not even one packet came.
        ``offset`` and ``length`` are multiples of ``chunk`` (32 to 512 bytes). ``ahead`` is the offset and length of
        the stretch that will be read next: it is asked for when half of this one has come, so that the line does not
        stand still between them. RefusedError as the logger says.
        """
        known = self._answering(offset, length, chunk)
        sequence = self._ask_read(offset, length, chunk) if known is None else known
        missing = set(range(offset, offset + length, chunk))
        half = len(missing) // 2
        heard = False
        while missing and sequence in self._open:
            first_s = self.patience.first_s if known is None else self.patience.noisy_s
            packets = self._hear_reads(self.patience.quiet_s if heard else first_s)
            heard = heard or bool(packets)
            for packet in packets:
                missing.discard(self._take_packet(packet, take))
            if ahead is not None and len(missing) <= half:
                self._ask_read(*ahead, chunk)
                ahead = None
        return heard

    def sweep(self, stretches: Iterator[Stretch], chunk: int, take: Take) -> int:
        """Asks for some of ``stretches``, many at once, for a line on which requests get lost as well as answers.

        Returns when one in four of those under way has been answered or lost, or ``stretches`` ends; the others stay
        under way. The result is how many bytes were asked for in those that have come to an end. As :meth:`read`.
        """
        asked = self._bytes_under_way()
        ended = 0
        while ended < _AT_ONCE // 4:
            for _ in range(min(_TOGETHER, _AT_ONCE - len(self._open))):
                stretch = next(stretches, None)
                if stretch is None:
                    return asked - self._bytes_under_way()
                self._ask_read(*stretch, chunk)
                asked += stretch[1]
            under_way = len(self._open)
            for packet in self._hear_reads(self.patience.noisy_s):
                self._take_packet(packet, take)
            ended += under_way - len(self._open)
        return asked - self._bytes_under_way()

    def _bytes_under_way(self) -> int:
        return sum(length for _, length, _ in self._open.values())

    def _hear_reads(self, silence_s: float) -> list[Packet]:
        """The answers to reads that came in; after a silence no more are waited for."""
        packets = self._hear(silence_s)
        # A line full of noise is never silent, so there is an end by the clock as well.
        if packets is None or time.monotonic() > self._open_until:
            self._open.clear()
            return []
        return [packet for packet in packets if packet.sequence in self._open]

    def _answering(self, offset: int, length: int, chunk: int) -> int | None:
        """The number of an earlier request whose answer brings this stretch; of its beginning some may have come."""
        for number, (from_offset, its_length, its_chunk) in self._open.items():
            if its_chunk == chunk and from_offset <= offset and offset + length <= from_offset + its_length:
                return number
        return None

    def _ask_read(self, offset: int, length: int, chunk: int) -> int:
        if not self._open:
            self._open_until = time.monotonic() + self.patience.answer_s
        self._open_until += _LINE_TIME_FACTOR * 10.0 * length / self.baud
        sequence = self._send(ReadPacket(offset=offset, length=length, chunk=chunk))
        self._open[sequence] = (offset, length, chunk)
        return sequence

    def _take_packet(self, packet: Packet, take: Take) -> int:
        """Takes an answer to a read; returns the offset of its chunk, -1 where it has none."""
        if packet.sequence not in self._open:
            return -1
        offset, length, chunk = self._open[packet.sequence]
        # Requests are answered in their order: those before this one have got all that they will get.
        for earlier in list(self._open):
            if earlier == packet.sequence:
                break
            del self._open[earlier]
        record = packet.record
        if isinstance(record, DataPacket):
            within = offset <= record.offset < offset + length and (record.offset - offset) % chunk == 0
            if within and len(record.bytes) == chunk:
                take(record.offset, record.bytes)
                return record.offset
        elif isinstance(record, DonePacket):
            del self._open[packet.sequence]
        elif isinstance(record, RefusedPacket):
            self._open.clear()
            raise RefusedError(record.reason, self.port.name)
        return -1

    def speed_up(self, baud: int) -> bool:
        """Changes the speed of both ends; False when the line does not carry it and both have gone back."""
        if baud == self.baud:
            return True
        answer = self._ask(SpeedPacket(baud=baud), SpeedSetPacket)
        if answer.baud != baud:
            raise DamageError(f"the logger answers {answer.baud} baud", where=self.port.name, expected=str(baud))
        before = self.baud
        self._set_baud(baud)
        # The first packet at the new speed has to get through within the trial time.
        if self._call(LINK_BAUD_TRIAL_MS / 1000.0) is not None:
            return True
        self._fall_back(before, baud)
        return self.baud == baud

    def write_header(self, block: bytes) -> int:
        """Replaces the journal's header by these 512 bytes; returns the journal id from now on."""
        # The logger looks for the journal's end again before it answers.
        return self._ask(HeaderPacket(bytes=block), HeaderWrittenPacket, patience=5.0).journal_id

    def leave(self) -> None:
        """Ends the desk: the logger starts a new run."""
        self._ask(LeavePacket(), LeavingPacket)

    # ---- beneath ----

    def _call(self, within_s: float) -> GreetingPacket | None:
        end = time.monotonic() + within_s
        while time.monotonic() < end:
            self._send(GreetPacket(version=LINK_VERSION))
            until = min(end, time.monotonic() + self.patience.greet_every_s)
            while (left := until - time.monotonic()) > 0:
                for packet in self._hear(left) or ():
                    # Any greeting will do: the request it answers may be an earlier one.
                    if isinstance(packet.record, GreetingPacket):
                        return packet.record
        return None

    def _fall_back(self, before: int, tried: int) -> None:
        """A logger that heard us at the new speed stays there, one that did not goes back: look at both."""
        end = time.monotonic() + self.patience.greet_s
        while time.monotonic() < end:
            # A logger that gave up the trial is back at its board's own first speed.
            for baud in dict.fromkeys((before, tried, *DESK_BAUDS)):
                self._set_baud(baud)
                if self._call(min(0.6, self.patience.greet_s / 4.0)) is not None:
                    return
        raise self._silent("change of speed")

    def _set_baud(self, baud: int) -> None:
        self.port.set_baud(baud)
        self._stream.forget()
        self._open.clear()
        self.baud = baud

    def _ask(self, request: Record, answer: type[Answer], patience: float = 1.0) -> Answer:
        silent = 0
        for attempt in range(self.patience.noisy_tries):
            self.re_asked += attempt > 0
            damaged = self._stream.damaged
            # On a line that damages packets a silence mostly means that the request was lost.
            wait_s = min(self.patience.answer_s, _NOISY_ANSWERS * self.patience.noisy_s if damaged else math.inf)
            found = self._answer(self._send(request), answer, wait_s * patience)
            if found is not None:
                return found
            silent = silent + 1 if self._stream.damaged == damaged else 0
            if silent >= self.patience.tries * (_NOISY_SILENCES if damaged else 1):
                break
        raise self._silent(request.NAME)

    def _answer(self, sequence: int, answer: type[Answer], within_s: float) -> Answer | None:
        """The answer to a request; None once it cannot come any more."""
        end = time.monotonic() + within_s
        damaged = self._stream.damaged
        while (left := end - time.monotonic()) > 0:
            packets = self._hear(left)
            for packet in packets or ():
                if packet.sequence != sequence:
                    continue
                if isinstance(packet.record, answer):
                    return packet.record
                if isinstance(packet.record, RefusedPacket):
                    raise RefusedError(packet.record.reason, self.port.name)
            if self._stream.damaged > damaged:
                # That was the answer, or is in front of it.
                end = min(end, time.monotonic() + self.patience.noisy_s)
                damaged = self._stream.damaged
        return None

    def _send(self, request: Record) -> int:
        self._sequence = self._sequence % _SEQUENCES + 1
        self.port.write(encode_packet(request, self._sequence))
        return self._sequence

    def _hear(self, timeout_s: float) -> list[Packet] | None:
        """The packets that came in; None for silence."""
        data = self.port.read(timeout_s)
        return self._stream.feed(data) if data else None

    def _silent(self, what: str) -> InputOutputError:
        return InputOutputError(
            f"the logger does not answer ({what}, asked at least {self.patience.tries} times)",
            where=self.port.name,
            expected="a steady line; check the wires, or try a lower --speed",
        )


def open_desk(port: str, patience: Patience | None = None) -> Desk:
    """Opens a port and calls its logger to the desk. InputOutputError when there is no port or no logger."""
    desk = Desk(SerialPort(port, DESK_BAUDS[0]), patience)
    try:
        desk.greet()
    except BaseException:
        desk.port.close()
        raise
    return desk


def checked_speed(baud: int, fastest: int) -> int:
    """``baud`` if the link may run at it. UsageError otherwise."""
    if not 9_600 <= baud <= fastest:
        raise UsageError(f"a speed of {baud} baud", expected=f"9600 to {fastest}")
    return baud
