"""Rules about released enumerations and flag sets."""

from __future__ import annotations

from offtake.spec.evolution_model import Found, History, Rule


def enum_removed(history: History) -> Found:
    """A released enumeration is gone."""
    for old in history.lock.enums.values():
        if old.name not in history.spec.enums:
            yield (
                history.released.enum(old),
                f"{_kind(old.is_flags)} {old.name} of release {old.since} is gone or renamed",
            )


def enum_kind_changed(history: History) -> Found:
    """An enumeration became a flag set, or the other way round."""
    for old in history.lock.enums.values():
        now = history.spec.enums.get(old.name)
        if now is not None and now.is_flags != old.is_flags:
            what = f"{old.name} has been {_kind(old.is_flags)} since release {old.since}, not {_kind(now.is_flags)}"
            yield history.places.enum(old.name), what


def choice_removed(history: History) -> Found:
    """A released choice is gone, and so is its value."""
    for old in history.lock.enums.values():
        now = history.spec.enums.get(old.name)
        if now is None:
            continue
        names, values = {one.name for one in now.choices}, {one.value for one in now.choices}
        for index, choice in enumerate(old.choices):
            if choice.name not in names and choice.value not in values:
                what = f"choice {choice.name} of release {choice.since} is gone"
                yield history.released.enum(old, index), what


def choice_renamed(history: History) -> Found:
    """The value of a released choice has another name."""
    for old in history.lock.enums.values():
        now = history.spec.enums.get(old.name)
        if now is None:
            continue
        known, names = {one.name for one in old.choices}, {one.name for one in now.choices}
        by_value = {one.value: one.name for one in now.choices}
        for choice in old.choices:
            name = by_value.get(choice.value)
            if choice.name not in names and name is not None and name not in known:
                what = f"{choice.value} has been {choice.name} since release {choice.since}, not {name}"
                yield history.places.enum(old.name, name), what


def choice_value_changed(history: History) -> Found:
    """A released choice has another value."""
    for old in history.lock.enums.values():
        now = history.spec.enums.get(old.name)
        values = {one.name: one.value for one in now.choices} if now else {}
        for choice in old.choices:
            value = values.get(choice.name, choice.value)
            if value != choice.value:
                what = f"{choice.name} has been {choice.value} since release {choice.since}, not {value}"
                yield history.places.enum(old.name, choice.name), what


def _kind(is_flags: bool) -> str:
    return "flag set" if is_flags else "enum"


_BACK = "take it back, and append a choice with the next free value"
ENUM_RULES = (
    Rule("enum_removed", "put it back; old logs hold its values", enum_removed),
    Rule("enum_kind_changed", "one of the other kind beside it, for new fields", enum_kind_changed),
    Rule("choice_removed", "put it back; what no longer happens may say so in its doc", choice_removed),
    Rule("choice_renamed", _BACK, choice_renamed),
    Rule("choice_value_changed", _BACK, choice_value_changed),
)
