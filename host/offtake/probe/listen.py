"""Listening on a serial port at one speed and framing after another, with the driver's word on faulty bytes.

Linux marks them in the stream when asked to (termios: PARMRK and INPCK; the marks are those of POSIX): FF 00 X is a
byte X with a framing or parity error, FF 00 00 a break, FF FF a byte FF. Nothing is ever sent.
"""

from __future__ import annotations

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
_IFLAG = 0
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
        began = time.monotonic()
        values, faults, starts = bytearray(), bytearray(), []
        while (left := began + seconds - time.monotonic()) > 0.0:
            raw = self._read(min(left, 0.05))
            now = time.monotonic()
            new_values, new_faults = self._unmark.feed(raw, FAULT_PARITY if framing.parity != "N" else FAULT_FRAMING)
            values += new_values
            faults += new_faults
            starts.append(now - byte_s * np.arange(len(new_values), 0, -1))
        return Received(
            baud=float(baud),
            framing=framing,
            values=np.frombuffer(bytes(values), dtype=np.uint8),
            faults=np.frombuffer(bytes(faults), dtype=np.uint8),
            start_s=np.concatenate([np.zeros(0), *starts]),
            began_s=began,
            ended_s=time.monotonic(),
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
            attributes = termios.tcgetattr(self._serial.fileno())
            attributes[_IFLAG] |= termios.PARMRK | termios.INPCK
            attributes[_IFLAG] &= ~(termios.IGNPAR | termios.IGNBRK | termios.BRKINT | termios.ISTRIP)
            termios.tcsetattr(self._serial.fileno(), termios.TCSANOW, attributes)
            self._tells = bool(termios.tcgetattr(self._serial.fileno())[_IFLAG] & termios.PARMRK)
            self._serial.reset_input_buffer()
        except (serial.SerialException, ValueError, OSError, termios.error) as error:
            what = f"the port does not take {baud} baud {framing}: {plain_error(error)}"
            raise InputOutputError(what, where=self.name) from error
        self._unmark = Unmarker()
        self._setting = (baud, framing)

    def _read(self, timeout_s: float) -> bytes:
        try:
            self._serial.timeout = timeout_s
            first: bytes = self._serial.read(1)
            if not first:
                return b""
            self._serial.timeout = 0
            return first + bytes(self._serial.read(_READ_MOST))
        except (serial.SerialException, OSError, termios.error, TypeError) as error:
            what = f"the port has vanished ({plain_error(error)})"
            raise InputOutputError(what, where=self.name, expected="the adapter to stay plugged in") from error


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


