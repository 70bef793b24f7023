"""Where the board meets the computer: a pseudo-terminal that a serial program opens like a real port.

The bench runs in a thread of its own. Opening the port resets the chip, as DTR through the adapter's
capacitor does; the host's speed is read from the terminal's settings; a host at another speed than the
chip's sends and receives garbage, because both ends sample the same waveform.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import struct
import threading
import time
import tty
from collections.abc import Iterator
from dataclasses import dataclass
from types import TracebackType

import numpy as np

from offtake.bench.board import Bench
from offtake.bench.figures import End, Reset
from offtake.bench.native import load
from offtake.errors import InputOutputError

TCGETS2 = 0x802C542A
"""Linux ioctl that reads terminal settings with the true speed, custom ones too (asm-generic/ioctls.h)."""
TERMIOS2_BYTES = 44
OUTPUT_SPEED_OFFSET = 40
SLICE_MS = 1.0
ACTIVE_MS = 20.0
READ_ROOM = 4096
STILL_WAIT_S = 0.02


@dataclass(frozen=True)
class Adapter:
    """The adapter's faults and pace.

    ``error_rate`` is the share of bytes that arrive with one bit flipped, in either direction, drawn from
    ``seed``. The port vanishes after ``vanish_after_bytes`` bytes to the host, if given. While the wire is
    quiet, chip time runs at most ``idle_pace`` times as fast as the wall clock, so that a host's time-outs
    mean what they say; traffic runs as fast as it can, or at most at ``traffic_pace``, for a host whose own time is to
    count. With ``idle_limit_ms`` chip time stands still once so much of it
    has passed since the last traffic or opening: a boot loader that gives up after a second of silence then waits for
    a host that a busy machine holds up.
    """

    error_rate: float = 0.0
    seed: int = 1
    vanish_after_bytes: int | None = None
    idle_pace: float = 4.0
    traffic_pace: float = float("inf")
    idle_limit_ms: float = float("inf")
    reset_on_open: bool = True


def terminal_baud(descriptor: int) -> int:
    """The output speed set on a terminal, in baud, custom speeds included (Linux).

    :raises OSError: the descriptor is not a terminal.
    """
    settings = fcntl.ioctl(descriptor, TCGETS2, bytes(TERMIOS2_BYTES))
    return int(struct.unpack_from("=I", settings, OUTPUT_SPEED_OFFSET)[0])


class DeskServer:
    """A bench behind a serial port; use as a context manager, or ``start`` and ``stop``.

    ``port`` is the path to give to a serial program. The bench belongs to the server's thread between
    ``start`` and ``stop``; look at it meanwhile only inside ``with server.held() as bench``.

    :raises InputOutputError: there are no pseudo-terminals, or the kernel cannot watch them.
    """

    def __init__(self, bench: Bench, adapter: Adapter | None = None) -> None:
        self.bench = bench
        self.adapter = adapter or Adapter()
        self.end: End | None = None
        self.failure: BaseException | None = None
        self.opens = 0
        self.to_host = 0
        self.from_host = 0
        self.vanished = False
        self._rng = np.random.default_rng(self.adapter.seed)
        self._lock = threading.Lock()
        self._halt = threading.Event()
        self._users = 0
        self._pending = b""
        self._open_port()
        self._thread = threading.Thread(target=self._serve, name="bench-desk", daemon=True)

    def _open_port(self) -> None:
        try:
            self._master, slave = os.openpty()
            self.port = os.ttyname(slave)
            tty.setraw(slave)
        except OSError as error:
            raise InputOutputError(f"no pseudo-terminal: {error.strerror}", where="openpty") from error
        os.set_blocking(self._master, False)
        os.close(slave)
        self._ffi, self._lib = load()
        self._watch = int(self._lib.bench_watch_opens(self.port.encode()))
        if self._watch < 0:
            os.close(self._master)
            raise InputOutputError(
                "the kernel does not watch this terminal", where=self.port, expected="inotify"
            )

    # ---- life ----

    def start(self) -> DeskServer:
        """Starts running the bench."""
        self._thread.start()
        return self

    def stop(self) -> None:
        """Stops the bench and closes the port.

        :raises InputOutputError: the server's thread failed.
        """
        self._halt.set()
        self._thread.join()
        self._close_master()
        if self._watch >= 0:
            os.close(self._watch)
            self._watch = -1
        if self.failure is not None:
            raise InputOutputError(f"the bench's serial port failed: {self.failure}", where=self.port)

    def __enter__(self) -> DeskServer:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @contextlib.contextmanager
    def held(self) -> Iterator[Bench]:
        """The bench, standing still for as long as the block lasts."""
        with self._lock:
            yield self.bench

    def vanish(self) -> None:
        """Takes the port away, as when a cable is pulled: the host sees a hang-up."""
        with self._lock:
            self._close_master()

    def _close_master(self) -> None:
        if self._master >= 0:
            self.vanished = not self._halt.is_set()
            os.close(self._master)
            self._master = -1

    # ---- the thread ----

    def _serve(self) -> None:
        try:
            self._loop()
        except BaseException as error:
            self.failure = error

    def _loop(self) -> None:
        anchor_wall = time.monotonic()
        anchor_chip = self.bench.cycle
        last_traffic = anchor_chip
        while not self._halt.is_set():
            with self._lock:
                moved = self._exchange()
                quiet_ms = 0.0 if moved else self.bench.ms(self.bench.cycle - last_traffic)
                still = quiet_ms >= self.adapter.idle_limit_ms
                if not still:
                    self.end = self.bench.run_ms(SLICE_MS)
                if self.end is not None and not self.end.ok:
                    return
                moved = self._deliver() or moved
                now = self.bench.cycle
                busy = moved or self.bench.line_end > now
            if still:
                self._wait(STILL_WAIT_S)
                anchor_wall, anchor_chip = time.monotonic(), now
                continue
            if busy:
                last_traffic = now
            active = self.bench.ms(now - last_traffic) < ACTIVE_MS
            pace = self.adapter.traffic_pace if active else self.adapter.idle_pace
            wait = self.bench.ms(now - anchor_chip) / 1000.0 / pace - (time.monotonic() - anchor_wall)
            if wait > 0.0:
                self._wait(wait)
            elif active:
                # What the machine was slower is not made up for.
                anchor_wall, anchor_chip = time.monotonic(), now

    def _wait(self, seconds: float) -> None:
        watched = [self._watch] if self._users == 0 or self._master < 0 else [self._watch, self._master]
        with contextlib.suppress(OSError, ValueError):
            select.select(watched, [], [], min(seconds, 0.05))

    def _note_opens(self) -> bool:
        """Resets the chip when the port was opened; True when it was."""
        opened, closed = self._ffi.new("int32_t *"), self._ffi.new("int32_t *")
        if not self._lib.bench_watch_next(self._watch, opened, closed):
            return False
        before = self._users
        self._users += int(opened[0]) - int(closed[0])
        self.opens += int(opened[0])
        fresh = before == 0 or int(closed[0]) >= before   # nobody had it open at some moment
        if int(opened[0]) and fresh:
            self._pending = b""
            self.bench.host_forget()
            if self.adapter.reset_on_open:
                self.bench.reset(Reset.EXTERNAL)
        return int(opened[0]) > 0

    def _baud(self) -> int:
        try:
            return terminal_baud(self._master)
        except OSError:
            return 0

    def _exchange(self) -> bool:
        """Takes what the host has written; True when there was anything, or the port was opened."""
        opened = self._note_opens()
        if self._master < 0 or self._users == 0:
            return opened
        try:
            data = os.read(self._master, READ_ROOM)
        except OSError:   # nothing there, or nobody on the other side
            return opened
        baud = self._baud()
        if not data or baud == 0:
            return opened
        self.from_host += len(data)
        self.bench.host_send(self._spoil(data), baud)
        return True

    def _deliver(self) -> bool:
        """Hands the host what the chip has sent; True when there was anything."""
        baud = self._baud() if self._master >= 0 else 0
        if self._users == 0 or baud == 0:
            self.bench.host_forget()
            return False
        data = self.bench.host_take(baud)
        self._pending += self._spoil(data)
        limit = self.adapter.vanish_after_bytes
        if limit is not None:
            self._pending = self._pending[: max(limit - self.to_host, 0)]
        if self._pending:
            with contextlib.suppress(OSError):
                written = os.write(self._master, self._pending)
                self.to_host += written
                self._pending = self._pending[written:]
        if limit is not None and self.to_host >= limit:
            self._close_master()
        return bool(data)

    def _spoil(self, data: bytes) -> bytes:
        rate = self.adapter.error_rate
        if rate <= 0.0 or not data:
            return data
        values = np.frombuffer(data, dtype=np.uint8).copy()
        hit = self._rng.random(len(values)) < rate
        values[hit] ^= (1 << self._rng.integers(0, 8, int(hit.sum()))).astype(np.uint8)
        return values.tobytes()
