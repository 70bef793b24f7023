"""Rules about records as a whole: their codes and names, and whether they may grow."""

from __future__ import annotations

from collections.abc import Iterator

from offtake.spec.evolution_model import BESIDE, Found, History, Rule
from offtake.spec.lock_model import LockedRecord
from offtake.spec.model import Record


def _successors(history: History) -> Iterator[tuple[str, LockedRecord, Record, bool]]:
    """Kind, released record, a new one that has its code now, and whether that is the same one under another name."""
    for kind, released, present in history.groups():
        by_code = {one.code: one for one in released.values()}
        for now in present.values():
            old = by_code.get(now.code)
            if now.name not in released and old is not None:
                names = [one.field.name for one in old.fields]
                same = old.name not in present and [field.name for field in now.fields[: len(names)]] == names
                yield kind, old, now, same


def code_reused(history: History) -> Found:
    """The code of a released record is another's."""
    for kind, old, now, renamed in _successors(history):
        if not renamed:
            key = "code" if kind == "message" else "kind"
            what = f"{key} {now.code} has been that of {old.name} since release {old.since}"
            yield history.places.record(kind, now.name, key), f"{what}; {history.free_code(kind)} is free"


def record_renamed(history: History) -> Found:
    """A released record has another name."""
    for kind, old, now, renamed in _successors(history):
        if renamed:
            what = f"{kind} {old.name} of release {old.since} is called {now.name} now"
            yield history.places.record(kind, now.name), what


def record_removed(history: History) -> Found:
    """A released record is gone, and so is its code."""
    for kind, released, present in history.groups():
        codes = {one.code for one in present.values()}
        for old in released.values():
            if old.name not in present and old.code not in codes:
                yield history.released.record(kind, old), f"{kind} {old.name} of release {old.since} is gone"


def code_changed(history: History) -> Found:
    """A released record has another code."""
    for kind, released, present in history.groups():
        key = "code" if kind == "message" else "kind"
        for old in released.values():
            if old.name in present and present[old.name].code != old.code:
                what = f"{old.name} has had {key} {old.code} since release {old.since}, not {present[old.name].code}"
                yield history.places.record(kind, old.name, key), what


def role_changed(history: History) -> Found:
    """A released message of a sensor has become one of the logger's own, or the other way round."""
    present = {one.name: one for one in history.spec.messages}
    for old in history.lock.messages.values():
        now = present.get(old.name)
        if now is not None and old.role and now.role != old.role:
            what = f"the role of {old.name} has been {old.role} since release {old.since}, not {now.role}"
            yield history.places.record("message", old.name, "role"), what


def grown_past_tail(history: History) -> Found:
    """Something was added to a message that ends with a field of variable size."""
    for pair in history.pairs():
        if pair.released.has_tail and pair.kind == "message":
            tail = pair.released.fields[-1].field.name
            for place, field in pair.new():
                what = f"{field.name} is new, and nothing can be added beside {tail}, which is of any length"
                yield history.places.field(pair.kind, pair.now, place), what


def packet_grown(history: History) -> Found:
    """Something was added to a packet, whose length both ends check."""
    for pair in history.pairs():
        if pair.kind == "packet":
            for place, field in pair.new():
                yield history.places.field(pair.kind, pair.now, place), f"{field.name} is new in a released packet"


def block_changed(history: History) -> Found:
    """The block has another version or a longer header: no reader of old blocks would be left."""
    version = history.lock.block_version
    if history.spec.block.version != version:
        what = f"the block's version has been {version} since release 1"
        yield history.places.record("block header", "", "version"), what
    for pair in history.pairs():
        if pair.kind == "block header":
            for place, field in pair.new():
                yield history.places.field(pair.kind, pair.now, place), f"{field.name} is new in the block's header"


RECORD_RULES = (
    Rule("code_reused", "a code that was never used; leave the old one's to it for ever", code_reused),
    Rule("record_renamed", "take the name back; say in its doc what it means now", record_renamed),
    Rule("record_removed", "put it back; what is no longer written may say so in its doc", record_removed),
    Rule("code_changed", "take the code back; old logs have it", code_changed),
    Rule("role_changed", "take it back: it decides what of an old log is a measurement", role_changed),
    Rule("grown_past_tail", BESIDE, grown_past_tail),
    Rule("packet_grown", "a packet of a new kind beside it", packet_grown),
    Rule("block_changed", "put it into a message: blocks stay as they are", block_changed),
)
