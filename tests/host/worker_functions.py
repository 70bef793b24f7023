"""What the tests let worker processes do: they import it from here."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from offtake.errors import DamageError
from offtake.generated.records import Status
from offtake.journal.codec import JournalFormatError


def square_slowly(number: int) -> int:
    """Later items are ready first."""
    time.sleep(max(0.0, 0.05 - number * 0.005))
    return number * number


def process_of(_: int) -> int:
    """Which process it is."""
    return os.getpid()


def fail_at_three(number: int) -> int:
    """A number; 3 is damaged."""
    if number == 3:
        raise JournalFormatError(Status.BAD_MAGIC, where="made.jnl", offset=512, expected="a block")
    return number


def fail_with_a_place(number: int) -> int:
    """Always damage."""
    raise DamageError(f"number {number}", where="here", expected="none")


class NotSentError(Exception):
    """An error that cannot be pickled."""

    def __init__(self) -> None:
        super().__init__("a lock")
        self.lock = lambda: None


def fail_unsendably(_: int) -> int:
    """An error that stays where it is."""
    raise NotSentError


def give_a_lambda(_: int) -> object:
    """A result that cannot be pickled."""
    return lambda: None


def die(_: int) -> int:
    """As when the computer runs out of memory."""
    os.kill(os.getpid(), signal.SIGKILL)
    return 0


def leave(_: int) -> int:
    """Ends the process the polite way."""
    raise SystemExit(4)


def megabytes(count: int) -> bytes:
    """A large result."""
    return bytes(count << 20)


def sleep_in(folder: str) -> None:
    """Leaves its process's number in the folder, then sleeps for long."""
    Path(folder, str(os.getpid())).touch()
    time.sleep(60.0)
