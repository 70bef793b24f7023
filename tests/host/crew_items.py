"""Work for processes that a test kills; little is imported here, so that they start fast."""

from __future__ import annotations

import os
import signal

from offtake.errors import InputOutputError


def kills_itself_over_two(item: int) -> int:
    if item == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    return item * 10


def fails(item: int) -> int:
    raise InputOutputError("cannot write", where=f"place {item}")


def sees_nothing() -> str:
    return "it does not see the dataset"
