"""Types of a Kaitai Struct description that read what a run says of its own messages.

The form is told in :mod:`offtake.journal.description`.
"""

from __future__ import annotations

from offtake.codegen.kaitai_records import Item
from offtake.codegen.kaitai_yaml import Node, prose
from offtake.journal.description import FORM, KINDS, SCALE_FIXED_POINT, SCALE_ZERO
from offtake.spec.model import Record


def is_description(record: Record) -> bool:
    """Whether ``record`` is the logger's own message that describes a message, as one variable tail."""
    return record.name == "description" and record.role == "logger" and len(record.fields) == 1


def description_type(record: Record) -> Item:
    """The type of such a record; what has another form is kept as it is."""
    known = f"form == {FORM}"
    seq: list[Node] = [
        {"id": "form", "type": "u1", "doc": "How the rest is laid out."},
        {"id": "code", "type": "u1", "if": known, "doc": "Code of the message that is described."},
        {"id": "name", "type": "short_text", "if": known, "doc": "Its name."},
        {"id": "fields", "type": "described_field", "repeat": "eos", "if": known, "doc": "Its fields, in order."},
        {"id": record.fields[0].name, "size-eos": True, "if": f"form != {FORM}"},
    ]
    return {"doc": prose(record.doc), "seq": seq}


def helper_types(kinds_enum: str) -> Item:
    """The types that a description is made of; ``kinds_enum`` is the name of the enumeration of :func:`kinds`."""
    return {
        "short_text": {
            "seq": [{"id": "length", "type": "u1"}, {"id": "bytes", "size": "length"}],
            "instances": {"text": {"value": 'bytes.to_s("UTF-8")'}},
        },
        "described_field": _field(kinds_enum),
        "described_choices": {
            "seq": [
                {"id": "count", "type": "b7"},
                {"id": "is_flags", "type": "b1", "doc": "True: values are bit numbers, and any may be set."},
                {"id": "entries", "type": "described_choice", "repeat": "expr", "repeat-expr": "count"},
            ]
        },
        "described_choice": {"seq": [{"id": "value", "type": "u1"}, {"id": "name", "type": "short_text"}]},
    }


def kinds() -> Node:
    """The field types by their numbers in a description."""
    return dict(enumerate(KINDS))


def _field(kinds_enum: str) -> Item:
    seq: list[Node] = [
        {"id": "kind", "type": "b4", "enum": kinds_enum},
        {"id": "has_count", "type": "b1"},
        {"id": "has_scale", "type": "b1"},
        {"id": "has_unit", "type": "b1"},
        {"id": "has_choices", "type": "b1"},
        {"id": "name", "type": "short_text"},
        {
            "id": "count",
            "type": "u1",
            "if": "has_count",
            "doc": "Elements of an array of numbers, bytes of bytes or text; without it those take the rest.",
        },
        {"id": "scale", "type": "u1", "if": "has_scale"},
        {"id": "mantissa", "type": "u2", "if": "has_scale and not is_fixed_point"},
        {"id": "unit", "type": "short_text", "if": "has_unit"},
        {"id": "choices", "type": "described_choices", "if": "has_choices"},
    ]
    fixed, decimal = "has_scale and is_fixed_point", "has_scale and not is_fixed_point"
    instances: Item = {
        "is_fixed_point": {"value": f"scale >= {SCALE_FIXED_POINT}", "if": "has_scale"},
        "fraction_bits": {
            "value": f"scale - {SCALE_FIXED_POINT}",
            "if": fixed,
            "doc": "The value is the raw number divided by 2 to this power.",
        },
        "exponent": {
            "value": f"scale - {SCALE_ZERO}",
            "if": decimal,
            "doc": "The value is the raw number times mantissa times 10 to this power.",
        },
    }
    return {"seq": seq, "instances": instances}
