"""A serial port by its path, with errors that say which port and what to do."""

from __future__ import annotations

import os
import termios
from typing import Protocol

import serial

from offtake.errors import InputOutputError

READ_BYTES_MAX = 4096


class Port(Protocol):
    """What the desk needs of a port. Every call may raise InputOutputError when the port is gone."""

    name: str

    def write(self, data: bytes) -> None:
        """Sends bytes; returns when they have left."""

    def read(self, timeout_s: float) -> bytes:
        """What has come in; waits at most ``timeout_s`` for the first byte; empty for nothing."""

    def set_baud(self, baud: int) -> None:
        """Changes the speed from now on, and forgets what came in at the old one."""

    def close(self) -> None:
        """Closes the port."""


class SpeedRefusedError(InputOutputError):
    """The port, which is there, does not take a speed."""


class SerialPort:
    """A port of this computer: 8 data bits, no parity, 1 stop bit.

    Opening it pulls DTR, which resets a board that has a capacitor there.
    """

    def __init__(self, name: str, baud: int) -> None:
        self.name = name
        try:
            self._serial = serial.Serial(name, baud, timeout=0, write_timeout=5.0, exclusive=True)
        except (serial.SerialException, ValueError, OSError, termios.error) as error:
            expected = "a serial port that exists, that you may use and that nothing else has open"
            what = f"cannot open the port: {plain_error(error)}"
            raise InputOutputError(what, where=name, expected=expected) from error

    def write(self, data: bytes) -> None:
        """Sends bytes; returns when they have left. InputOutputError when the port is gone."""
        try:
            self._serial.write(data)
            self._serial.flush()
        except (serial.SerialException, OSError, termios.error) as error:
            raise self._gone(error) from error

    def read(self, timeout_s: float) -> bytes:
        """What has come in, waiting at most ``timeout_s`` for it. InputOutputError when the port is gone."""
        try:
            self._serial.timeout = timeout_s
            first: bytes = self._serial.read(1)
            if not first:
                return b""
            self._serial.timeout = 0
            return first + bytes(self._serial.read(READ_BYTES_MAX))
        except (serial.SerialException, OSError, termios.error, TypeError) as error:
            # TypeError: pyserial's own slip when another thread has closed the port meanwhile.
            raise self._gone(error) from error

    def set_baud(self, baud: int) -> None:
        """Changes the speed. InputOutputError when this port cannot go that fast, or is gone."""
        try:
            self._serial.baudrate = baud
            self._serial.reset_input_buffer()
        except (serial.SerialException, ValueError, OSError, termios.error) as error:
            what = f"the port does not take {baud} baud: {plain_error(error)}"
            raise SpeedRefusedError(what, where=self.name) from error

    def close(self) -> None:
        """Closes the port; a port that is gone already is no trouble."""
        try:
            self._serial.close()
        except (serial.SerialException, OSError, termios.error):
            return

    def _gone(self, error: BaseException) -> InputOutputError:
        return InputOutputError(
            f"the port has vanished ({plain_error(error)})",
            where=self.name,
            expected="the adapter to stay plugged in; plug it in again and repeat the command, it goes on where it was",
        )


def plain_error(error: BaseException) -> str:
    """The system's word for it, in one line."""
    if isinstance(error, OSError) and error.errno:
        # pyserial repeats the port's name and the number in its own text.
        return os.strerror(error.errno)
    return " ".join(str(error).split()) or type(error).__name__
