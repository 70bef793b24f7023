"""What a logger refuses, or has no card for, in words."""

from __future__ import annotations

from offtake.errors import DamageError
from offtake.generated.records import CardState, DescriptionPacket, Refusal

_REFUSED = {
    Refusal.UNKNOWN_REQUEST: "it does not know this request: its firmware is older or newer than this program",
    Refusal.BAD_REQUEST: "it does not accept the request's fields",
    Refusal.NO_JOURNAL: "there is no usable journal on its card",
    Refusal.CARD_FAILED: "its card did not read or write",
    Refusal.PAST_END: "that lies past the end of its journal",
    Refusal.BAD_HEADER: "the header's check, version or block count is wrong",
}
_CARD_STATES = {
    CardState.NO_CARD: ("no card answers in the logger", "a card in the socket"),
    CardState.CARD_FAILED: ("the logger's card does not read", "a card that works"),
    CardState.NOT_FAT: ("the logger's card is not FAT16 or FAT32", "a card formatted as FAT32"),
    CardState.NO_JOURNAL: ("no journal on the logger's card", "a card made ready with `offtake prepare`"),
    CardState.FRAGMENTED: ("the journal lies in too many pieces", "a card formatted and prepared anew"),
}


class RefusedError(DamageError):
    """The logger understood a request and refused it; ``reason`` is a Refusal or a bare number."""

    def __init__(self, reason: int, where: str) -> None:
        self.reason = reason
        words = _REFUSED.get(Refusal(reason)) if reason in set(Refusal) else None
        super().__init__(f"the logger refuses: {words or f'reason {reason}'}", where=where)


def require_journal(description: DescriptionPacket, where: str) -> None:
    """DamageError, with what to do, when the logger's card holds no journal that can be read."""
    state = CardState(description.card_state)
    if state in _CARD_STATES:
        what, expected = _CARD_STATES[state]
        raise DamageError(what, where=where, expected=expected)
