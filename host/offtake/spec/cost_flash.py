"""How much of the chip's flash each message takes: its tables, its description, the code of one call."""

from __future__ import annotations

from dataclasses import dataclass

from offtake.budget.parts import Parts
from offtake.codegen.c_records import Tables, c_records
from offtake.codegen.description import describe
from offtake.spec.model import Record, Spec

POINTER_BYTES = 2
"""A pointer on the first board's chip; ot_message_layouts has one for each code up to the last."""
LAYOUT_BYTES = POINTER_BYTES + 4
"""ot_layout: the rows, how many, two sizes, whether there is a tail (firmware/core/ot_record.h)."""
ROW_BYTES = 4
"""ot_field, one for each field before the tail and for each element of an array."""
BOUND_BYTES = 8
"""ot_bound: low end and span, as u32; messages share them."""
LENGTH_BYTES = 1
"""What stands before each payload in ot_descriptions."""


@dataclass(frozen=True)
class FlashBytes:
    """Bytes of flash. Tables and description are exact; ``call`` is what one call costs that fills the message and logs
    it, as measured with a second call beside a first (parts.toml), 0 for what only the logger writes; the first may
    cost some 150 bytes more or less, as it changes what the linker copies elsewhere.
    ``description_payload`` is not flash: the bytes of the description without its length."""

    tables: int = 0
    description: int = 0
    call: int = 0

    @property
    def total(self) -> int:
        """Everything."""
        return self.tables + self.description + self.call

    @property
    def description_payload(self) -> int:
        """Bytes of the description's payload in the log."""
        return max(0, self.description - LENGTH_BYTES)

    def __add__(self, other: FlashBytes) -> FlashBytes:
        return FlashBytes(
            self.tables + other.tables, self.description + other.description, self.call + other.call
        )


def flash_bytes(spec: Spec, parts: Parts) -> dict[str, FlashBytes]:
    """The flash of every message, by its name.

    What messages share is charged to the first that needs it, so that the sum is what all of them take: a pair of
    bounds, and the places of codes that nobody uses, which the message after them pays for.

    :raises SpecError: a message that the generators refuse.
    """
    found: dict[str, FlashBytes] = {}
    tables = Tables(spec.enums)
    for name, record in c_records(spec):
        if name.startswith("head_"):
            tables.table(name, record)
    last_code = -1
    for record in sorted(spec.messages, key=lambda each: each.code):
        bounds_before = len(tables.bounds)
        tables.table(f"message_{record.name}", record)
        bounds = len(tables.bounds) - bounds_before
        places = record.code - last_code
        last_code = record.code
        found[record.name] = FlashBytes(
            tables=POINTER_BYTES * places + LAYOUT_BYTES + ROW_BYTES * _rows(record) + BOUND_BYTES * bounds,
            description=LENGTH_BYTES + len(describe(record, spec.enums)),
            call=_call(record, parts) if record.role == "sensor" else 0,
        )
    return found


def _rows(record: Record) -> int:
    return sum(field.count or 1 for field in record.fields if field.size is not None)


def _call(record: Record, parts: Parts) -> int:
    return round(parts["call_flash"] + parts["call_flash_byte"] * record.fixed_size)
