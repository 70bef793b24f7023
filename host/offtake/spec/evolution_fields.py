"""Rules about the fields of released records."""

from __future__ import annotations

from offtake.spec.evolution_model import BESIDE, Found, History, Rule
from offtake.spec.model import Field


def field_removed(history: History) -> Found:
    """A released field is gone."""
    for pair in history.pairs():
        renamed = pair.renamed()
        for index, one in enumerate(pair.released.fields):
            name = one.field.name
            if name not in pair.now_names and name not in renamed:
                what = f"field {name} of release {one.since} is gone"
                yield history.released.record(pair.kind, pair.released, index), what


def field_renamed(history: History) -> Found:
    """A released field has another name."""
    for pair in history.pairs():
        for name, place in pair.renamed().items():
            what = f"this field has been {name} since release {pair.released.fields[place].since}"
            yield history.places.field(pair.kind, pair.now, place, "name"), what


def field_reordered(history: History) -> Found:
    """Released fields stand in another order."""
    for pair in history.pairs():
        kept = [name for name in pair.released_names if name in pair.now_names]
        there = [name for name in pair.now_names if name in pair.released_names]
        for old, now in zip(kept, there, strict=True):
            if old != now:
                place = history.places.field(pair.kind, pair.now, pair.now_names.index(now))
                yield place, f"{now} stands where {old} has stood"
                break


def field_inserted(history: History) -> Found:
    """A new field stands before a released one."""
    for pair in history.pairs():
        if pair.kind not in ("message", "journal header") or pair.released.has_tail:
            continue  # those may not grow at all, as another rule says
        last = max((place for place, name in enumerate(pair.now_names) if name in pair.released_names), default=-1)
        for place, field in pair.new():
            if place < last:
                what = f"{field.name} is new and stands before {pair.now_names[last]}, which has been released"
                yield history.places.field(pair.kind, pair.now, place), what


def field_retyped(history: History) -> Found:
    """A released field takes other bytes."""
    for where, since, old, now, grows in history.fields():
        if (old.type, old.size, old.count) != (now.type, now.size, now.count):
            what = f"{now.name} has been {_type(old)} since release {since}, not {_type(now)}"
            yield where, what, _APPEND if grows else BESIDE


def _type(field: Field) -> str:
    if field.count is not None:
        return f"{field.count} x {field.type}"
    return field.type if field.is_number else f"{field.type} of {field.size or 'any'} bytes"


def unit_changed(history: History) -> Found:
    """A released number has another unit or scale."""
    for where, since, old, now, grows in history.fields():
        advice = _APPEND if grows else BESIDE
        if old.unit != now.unit:
            what = f"the unit has been {old.unit or 'none'} since release {since}, not {now.unit or 'none'}"
            yield where, what, advice
        if old.scale != now.scale:
            yield where, f"the scale has been {_scale(old)} since release {since}, not {_scale(now)}", advice


def _scale(field: Field) -> str:
    if field.scale is None:
        return "1"
    bits = field.scale.fraction_bits
    return f"2^-{bits}" if bits else f"{field.scale.mantissa}e{field.scale.exponent}"


def choices_swapped(history: History) -> Found:
    """A released number takes its names from elsewhere."""
    for where, since, old, now, grows in history.fields():
        before, after = old.enum or old.flags, now.enum or now.flags
        kept = history.spec.enums.get(before)
        # That an enumeration is gone, or of another kind, is told once and not of each field.
        if before != after and (not before or (kept is not None and kept.is_flags == bool(old.flags))):
            what = f"its choices have been {before or 'none'} since release {since}, not {after or 'none'}"
            yield where, what, f"{'add choices to the one it has, or ' if before else ''}{_APPEND if grows else BESIDE}"


def const_changed(history: History) -> Found:
    """A released constant has another value."""
    for where, since, old, now, _ in history.fields():
        if old.const != now.const:
            yield where, f"the constant has been {_const(old)} since release {since}, not {_const(now)}"


def _const(field: Field) -> str:
    return "none" if field.const is None else field.const.hex() if isinstance(field.const, bytes) else str(field.const)


def parts_changed(history: History) -> Found:
    """A released word is divided otherwise."""
    for where, since, old, now, _ in history.fields():
        before, after = ([(part.name, part.bits) for part in one.parts] for one in (old, now))
        if before != after:
            yield where, f"the parts of {now.name} have been as they were since release {since}"


def range_narrowed(history: History) -> Found:
    """A released number may hold less than it could."""
    for where, since, old, now, _ in history.fields():
        if old.is_number and (now.type, now.scale) == (old.type, old.scale):
            (low, high), (now_low, now_high) = old.bounds, now.bounds
            if now_low > low or now_high < high:
                what = f"raw {low} to {high} have been allowed since release {since}, now only {now_low} to {now_high}"
                yield where, what


def zero_refused(history: History) -> Found:
    """A field added to the journal's header may not be 0, which is what old headers hold there."""
    for pair in history.pairs():
        if pair.kind != "journal header":
            continue
        first = pair.released.first_fields
        for place, field in enumerate(pair.now.fields[first:], first):
            if not _takes_zero(history, field):
                what = f"{field.name} does not allow 0, but journals prepared before hold 0 there"
                yield history.places.field(pair.kind, pair.now, place), what


def _takes_zero(history: History, field: Field) -> bool:
    if isinstance(field.const, bytes):
        return not any(field.const)
    if field.const is not None:
        return field.const == 0
    if field.enum:
        return any(choice.value == 0 for choice in history.spec.enums[field.enum].choices)
    return not field.is_number or field.bounds[0] <= 0 <= field.bounds[1]


_APPEND = "leave it as it is, and append a field of another name at the end"
FIELD_RULES = (
    Rule("field_removed", "put it back; what is no longer measured may say so in its doc", field_removed),
    Rule("field_renamed", "take the name back; say in its doc what it means now", field_renamed),
    Rule("field_reordered", "the released order; old logs have it", field_reordered),
    Rule("field_inserted", "move it to the end: layouts grow there only", field_inserted),
    Rule("field_retyped", _APPEND, field_retyped),
    Rule("unit_changed", _APPEND, unit_changed),
    Rule("choices_swapped", f"add choices to the one it has, or {_APPEND}", choices_swapped),
    Rule("const_changed", "take it back; old files have it", const_changed),
    Rule("parts_changed", "take them back; old files have them", parts_changed),
    Rule("range_narrowed", "a wider range is free, a narrower one would refuse old logs", range_narrowed),
    Rule("zero_refused", "let 0 mean off, or as before", zero_refused),
)
