"""What a definition may be, but whoever wrote it should know of before it is released."""

from __future__ import annotations

from collections.abc import Iterator

from offtake.spec.evolution_model import Finding, History
from offtake.spec.load import Loaded
from offtake.spec.model import OWN_CODE_FIRST
from offtake.spec.places import Places


def concerns(loaded: Loaded) -> tuple[Finding, ...]:
    """Warnings about messages that no release has; the file tells what was released, so none where there is no lock."""
    return tuple(_concerns(loaded))


def _concerns(loaded: Loaded) -> Iterator[Finding]:
    spec, lock = loaded.spec, loaded.lock
    places = Places(spec, loaded.sources)
    for message in spec.messages:
        if lock is None or message.name in lock.messages:
            continue
        where = places.record("message", message.name)
        if message.code < OWN_CODE_FIRST:
            free = History(spec, lock, loaded.sources).free_code("message")
            what = f"code {message.code} is the kit's to give out, and a later version may give it to another message"
            yield Finding("kits_code", where, what, f"a code of your own, from 64 to 127; {free} is free")
        if message.tail is not None:
            tail = message.tail.name
            what = f"once released it can never get another field, since {tail} is of any length and ends it"
            advice = f"give {tail} a size if fields may come later; if not, a later change is a new message beside it"
            yield Finding("tail_ends_it", where, what, advice)
