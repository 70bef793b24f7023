"""The one root of Offtake's errors, and the exit code each kind maps to.

Every error says where it happened and what was expected there, so that a person can act on the one
line that the command line prints. The library raises; only :mod:`offtake.cli` turns an error into text
and an exit code.
"""

from __future__ import annotations

EXIT_CLEAN = 0
EXIT_DAMAGE = 1
EXIT_USAGE = 2
EXIT_IO = 3
EXIT_INTERRUPTED = 130


class OfftakeError(Exception):
    """Root of all errors raised on purpose by this package.

    ``where`` names the file, offset, key path or port; ``expected`` says what would have been right;
    either may be empty. ``str(error)`` is one line: ``where: what happened (expected ...)``.
    """

    exit_code = EXIT_DAMAGE

    def __init__(self, what: str, *, where: str = "", expected: str = "") -> None:
        self.what = what
        self.where = where
        self.expected = expected
        text = f"{where}: {what}" if where else what
        super().__init__(f"{text} (expected {expected})" if expected else text)


class DamageError(OfftakeError):
    """The input is not what it should be: damaged, foreign, or a check failed (exit code 1)."""


class SpecError(DamageError):
    """A definition in shared_spec is wrong; ``where`` is the file and the key path in it."""


class UsageError(OfftakeError):
    """The call does not make sense as given (exit code 2)."""

    exit_code = EXIT_USAGE


class InputOutputError(OfftakeError):
    """A file, card or port could not be read or written (exit code 3)."""

    exit_code = EXIT_IO
