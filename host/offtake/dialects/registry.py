"""The dialects this package was built with, by name."""

from __future__ import annotations

from offtake.dialects.sentences import SentenceDecoder
from offtake.errors import UsageError
from offtake.generated.dialects import DIALECTS

DEFAULT_DIALECT = "nmea0183"


def new_decoder(name: str = DEFAULT_DIALECT) -> SentenceDecoder:
    """Return a fresh decoder; raises :class:`~offtake.errors.UsageError` for an unknown dialect name."""
    dialect = DIALECTS.get(name)
    if dialect is None:
        raise UsageError(f"unknown dialect {name!r}", expected=f"one of {', '.join(sorted(DIALECTS))}")
    return SentenceDecoder(dialect)
