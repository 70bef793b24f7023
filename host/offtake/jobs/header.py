"""A new journal's header."""

from __future__ import annotations

import secrets
import time
from dataclasses import dataclass

from offtake.errors import UsageError
from offtake.generated.records import JournalHeader, WhenFull

LABEL_BYTES_MAX = next(info.size or 0 for info in JournalHeader.FIELDS if info.name == "label")


@dataclass(frozen=True)
class Settings:
    """How a logger shall record. ``baud`` is the receiver's speed; see shared_spec/block.toml for each.

    ``journal_id`` and ``created_utc_s`` are drawn and taken from the clock where they are None.
    """

    baud: int = 57_600
    when_full: str = "stop"
    label: str = ""
    gap_bytes: int = 4
    close_ms: int = 700
    supply_s: int = 10
    journal_id: int | None = None
    created_utc_s: int | None = None


def new_header(settings: Settings, blocks: int) -> JournalHeader:
    """The header of a new journal of ``blocks`` blocks. UsageError for a setting that the layout does not hold."""
    if len(settings.label.encode("utf-8")) > LABEL_BYTES_MAX:
        expected = f"at most {LABEL_BYTES_MAX} bytes of UTF-8"
        raise UsageError(f"the label {settings.label!r} is too long", expected=expected)
    if not settings.label.isprintable():
        raise UsageError(f"the label {settings.label!r} cannot be shown", expected="one line of text")
    try:
        when_full = WhenFull[settings.when_full.upper()]
    except KeyError as error:
        raise UsageError(f"when full: {settings.when_full!r}", expected="stop or wrap") from error
    # The one number here that must not repeat: two cards of one id could not be told apart.
    drawn = 1 + secrets.randbelow(2**32 - 1)
    header = JournalHeader(
        when_full=when_full,
        journal_id=drawn if settings.journal_id is None else settings.journal_id,
        blocks=blocks,
        baud=settings.baud,
        gap_bytes=settings.gap_bytes,
        close_ms=settings.close_ms,
        supply_s=settings.supply_s,
        created_utc_s=int(time.time()) if settings.created_utc_s is None else settings.created_utc_s,
        label=settings.label,
    )
    header.encode()
    return header
