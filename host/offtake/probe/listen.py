"""Listening on a serial port at one speed and framing after another, with the driver's word on faulty bytes.

Linux marks them in the stream when asked to (termios: PARMRK and INPCK; the marks are those of POSIX): FF 00 X is a
byte X with a framing or parity error, FF 00 00 a break, FF FF a byte FF. Nothing is ever sent.
"""

from __future__ import annotations

import fcntl
import os
import select
import struct
import sys
import termios
import time
from types import TracebackType
from typing import Protocol

import numpy as np
import serial

from offtake.errors import InputOutputError
from offtake.link.port import plain_error
from offtake.probe.model import FAULT_BREAK, FAULT_FRAMING, FAULT_PARITY, Framing, Received

_MARK = 0xFF
_TCGETS2, _TCSETS2, _TERMIOS2_BYTES = 0x802C542A, 0x402C542B, 44
"""Linux ioctls for terminal settings with the speed as a number (asm-generic/ioctls.h); the input flags come first."""
_FLAGS_ON = termios.PARMRK | termios.INPCK
_FLAGS_OFF = termios.IGNPAR | termios.IGNBRK | termios.BRKINT | termios.ISTRIP
_WAIT_S, _SETTLE_S = 0.05, 0.02
_PARITIES = {"N": serial.PARITY_NONE, "E": serial.PARITY_EVEN, "O": serial.PARITY_ODD}
_READ_MOST = 65_536


class Listener(Protocol):
    """Anything that can hear a line at a speed and framing of one's choice."""

    def hear(self, baud: int, framing: Framing, seconds: float) -> Received:
        """What comes within ``seconds``, at this speed and framing. InputOutputError when the line is gone."""


class SerialListener:
    """A serial port of this computer, for listening only; use it as a context manager.

    :raises InputOutputError: the port cannot be opened (and, from :meth:`hear`, is gone or does not take the speed).
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self._setting: tuple[int, Framing] | None = None
        self._unmark = Unmarker()
        self._tells = True
        self._ended: float | None = None
        try:
            self._serial = serial.Serial(name, 9_600, timeout=0, exclusive=True)
        except (serial.SerialException, ValueError, OSError, termios.error) as error:
            expected = "a serial port that exists, that you may use and that nothing else has open"
            what = f"cannot open the port: {plain_error(error)}"
            raise InputOutputError(what, where=name, expected=expected) from error

    def __enter__(self) -> SerialListener:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._serial.close()
        except (serial.SerialException, OSError, termios.error):
            return

    def hear(self, baud: int, framing: Framing, seconds: float) -> Received:
        """As :class:`Listener` says. Times are of the monotonic clock, reckoned back from when bytes were read."""
        if (baud, framing) != self._setting:
            self._set(baud, framing)
        byte_s = framing.bits / baud
        # What came while the caller thought about the last slice belongs to this one.
        began = self._ended if self._ended is not None else time.monotonic()
        values, faults, starts = bytearray(), bytearray(), []
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0.0:
            raw = self._read(min(left, _WAIT_S))
            now = time.monotonic()
            new_values, new_faults = self._unmark.feed(raw, FAULT_PARITY if framing.parity != "N" else FAULT_FRAMING)
            values += new_values
            faults += new_faults
            starts.append(np.maximum(began, now - byte_s * np.arange(len(new_values), 0, -1)))
        ended = self._ended = time.monotonic()
        return Received(
            baud=float(baud),
            framing=framing,
            values=np.frombuffer(bytes(values), dtype=np.uint8),
            faults=np.frombuffer(bytes(faults), dtype=np.uint8),
            start_s=np.maximum.accumulate(np.concatenate([np.zeros(0), *starts])),
            began_s=began,
            ended_s=ended,
            tells_faults=self._tells,
        )

    def _set(self, baud: int, framing: Framing) -> None:
        try:
            self._serial.apply_settings(
                {
                    "baudrate": baud,
                    "bytesize": framing.data_bits,
                    "parity": _PARITIES[framing.parity],
                    "stopbits": framing.stop_bits,
                }
            )
            # pyserial clears the marks at each change of settings.
            self._tells = _mark_faults(self._serial.fileno())
            # Bytes of the old setting may still be on their way through the adapter.
            time.sleep(_SETTLE_S)
            self._serial.reset_input_buffer()
        except (serial.SerialException, ValueError, OSError, termios.error) as error:
            what = f"the port does not take {baud} baud {framing}: {plain_error(error)}"
            raise InputOutputError(what, where=self.name) from error
        self._unmark = Unmarker()
        self._ended = None
        self._setting = (baud, framing)

    def _read(self, timeout_s: float) -> bytes:
        # Not through pyserial: with every timeout it sets, it takes the marks away.
        try:
            fd = self._serial.fileno()
            if not select.select([fd], [], [], timeout_s)[0]:
                return b""
            raw = os.read(fd, _READ_MOST)
        except BlockingIOError:
            return b""
        except (serial.SerialException, OSError, ValueError, termios.error) as error:
            raise self._gone(plain_error(error)) from error
        if not raw:
            raise self._gone("end of file")
        return raw

    def _gone(self, why: str) -> InputOutputError:
        return InputOutputError(
            f"the port has vanished ({why})", where=self.name, expected="the adapter to stay plugged in"
        )


def _mark_faults(fd: int) -> bool:
    """Ask the driver to mark faulty bytes and breaks; whether it took that."""
    if not sys.platform.startswith("linux"):
        attributes = termios.tcgetattr(fd)
        attributes[0] = (attributes[0] | _FLAGS_ON) & ~_FLAGS_OFF
        termios.tcsetattr(fd, termios.TCSANOW, attributes)
        return bool(termios.tcgetattr(fd)[0] & termios.PARMRK)
    # The newer of Linux's two ways keeps speeds that have no name.
    settings = bytearray(fcntl.ioctl(fd, _TCGETS2, bytes(_TERMIOS2_BYTES)))
    flags = struct.unpack_from("=I", settings)[0]
    struct.pack_into("=I", settings, 0, (flags | _FLAGS_ON) & ~_FLAGS_OFF)
    fcntl.ioctl(fd, _TCSETS2, bytes(settings))
    taken = struct.unpack_from("=I", fcntl.ioctl(fd, _TCGETS2, bytes(_TERMIOS2_BYTES)))[0]
    return bool(taken & termios.PARMRK)


class Unmarker:
    """Takes the driver's marks out of a stream that comes in any portions."""

    def __init__(self) -> None:
        self._held = b""

    def feed(self, raw: bytes, fault: int) -> tuple[bytes, bytes]:
        """The bytes and, for each, its FAULT_* bits; a marked byte gets ``fault``."""
        data = self._held + raw
        values, faults = bytearray(), bytearray()
        at = 0
        while at < len(data):
            mark = data.find(_MARK, at)
            plain = data[at : mark if mark >= 0 else len(data)]
            values += plain
            faults += bytes(len(plain))
            at += len(plain)
            if mark < 0:
                break
            group = data[mark : mark + 3]
            if len(group) >= 2 and group[1] != 0:
                # FF FF is a byte FF; anything else after FF a driver does not send, and is taken as it is.
                values.append(_MARK)
                faults.append(0)
                at = mark + (2 if group[1] == _MARK else 1)
            elif len(group) == 3:
                values.append(group[2])
                faults.append(FAULT_BREAK | FAULT_FRAMING if group[2] == 0 else fault)
                at = mark + 3
            else:
                break
        self._held = data[at:]
        return bytes(values), bytes(faults)


