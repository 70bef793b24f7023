"""A receiver's line behind a pseudo-terminal: a serial program that opens it hears it as through an adapter.

The wire runs in real time and repeats itself. Pseudo-terminals of Linux know only 8 data bits without parity, and
pass no marks for faulty bytes, so neither can be tried here.
"""

from __future__ import annotations

import contextlib
import os
import select
import termios
import threading
import time
import tty
from types import TracebackType

from offtake.bench.adapter import UartReceiver, Wire
from offtake.bench.desk import terminal_baud
from offtake.errors import InputOutputError

_SLICE_S = 0.02


class LinePort:
    """A wire behind a serial port; use as a context manager. ``port`` is the path to give to a serial program.

    What a program writes to the port is dropped, as on a line that only talks. :raises InputOutputError: there are no
    pseudo-terminals.
    """

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        self.written = 0
        """Bytes that a program has written to the port."""
        self._halt = threading.Event()
        try:
            self._master, self._slave = os.openpty()
            self.port = os.ttyname(self._slave)
            tty.setraw(self._slave)
        except OSError as error:
            raise InputOutputError(f"no pseudo-terminal: {error.strerror}", where="openpty") from error
        os.set_blocking(self._master, False)
        self._thread = threading.Thread(target=self._serve, name="bench-line", daemon=True)

    def __enter__(self) -> LinePort:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._halt.set()
        self._thread.join()
        # Our own hold on the far end keeps the port alive between two programs; it goes last.
        os.close(self._slave)
        os.close(self._master)

    def _serve(self) -> None:
        began = time.monotonic()
        receiver: UartReceiver | None = None
        while not self._halt.is_set():
            time.sleep(_SLICE_S)
            now = time.monotonic() - began
            baud = terminal_baud(self._master)
            if receiver is None or receiver.baud != baud:
                receiver = UartReceiver(self._wire, baud or 9_600, now - _SLICE_S)
            data, _, _ = receiver.take(now)
            self._drop_written()
            if data:
                with contextlib.suppress(OSError):  # nobody reads: an adapter's buffer runs over too
                    os.write(self._master, data)

    def _drop_written(self) -> None:
        with contextlib.suppress(OSError, termios.error):
            while select.select([self._master], [], [], 0)[0]:
                self.written += len(os.read(self._master, 4096))
