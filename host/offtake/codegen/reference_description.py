"""The reference page's part on how a run describes its own messages, with a message of the spec as the example."""

from __future__ import annotations

from offtake.codegen import description
from offtake.codegen.markdown import table
from offtake.journal.description import (
    CHOICES_FOLLOW,
    COUNT_FOLLOWS,
    FORM,
    KINDS,
    SCALE_FIXED_POINT,
    SCALE_FOLLOWS,
    SCALE_ZERO,
    SET_OF_FLAGS,
    UNIT_FOLLOWS,
)
from offtake.spec.model import Record, Spec


def render(spec: Spec) -> list[str]:
    """Lines of the section."""
    start = (
        "At each run's start one `description` frame stands for every message, by ascending code. A *text* below is a"
        " u8 with the number of its bytes, then the bytes."
    )
    out = ["### The form of a description", "", start, ""]
    out += table(
        ("bytes", "content"),
        [
            ("u8", f"form of the description: {FORM}"),
            ("u8", "code of the message"),
            ("text", "name of the message, ASCII"),
            ("to the end", "the fields in order, each as below"),
        ],
    )
    out += ["", "A field:", "", *_field_table(), ""]
    out.append(
        "The value of a number is raw / 2^fraction bits, or raw x mantissa x 10^exponent. Units and choices are left"
        " out for the logger's own messages, which a reader knows. All description frames together take"
        f" {description.size(spec)} bytes here, and at most {description.TOTAL_MAX}."
    )
    record = _telling(spec)
    rows = [(piece.hex(" "), words) for piece, words in description.pieces(record, spec.enums)]
    return [*out, "", f"The example of `{record.name}`:", "", *table(("bytes", "content"), rows)]


def _field_table() -> list[str]:
    kinds = ", ".join(f"{index} {kind}" for index, kind in enumerate(KINDS))
    count = "elements of an array, or bytes of a byte string or text; without it those are the variable tail"
    scale = f"0x{SCALE_FIXED_POINT:02x} + fraction bits, no u16; or {SCALE_ZERO} + exponent of ten, and the mantissa"
    each = "each is a u8 (value, or number of the bit) and its name as text"
    return table(
        ("bytes", "there when", "content"),
        [
            ("u8", "always", f"kind: bits 0 to 3 the type ({kinds}), the bits above what follows"),
            ("text", "always", "name of the field, ASCII"),
            ("u8", f"kind has 0x{COUNT_FOLLOWS:02x}", count),
            ("u8, u16", f"kind has 0x{SCALE_FOLLOWS:02x}", f"scale: {scale}"),
            ("text", f"kind has 0x{UNIT_FOLLOWS:02x}", "unit of the scaled value, UTF-8"),
            (
                "u8, choices",
                f"kind has 0x{CHOICES_FOLLOW:02x}",
                f"how many choices, + 0x{SET_OF_FLAGS:02x} for flags; {each}",
            ),
        ],
    )


def _telling(spec: Spec) -> Record:
    """The message whose description shows most, and of those the one with the fewest fields."""

    def told(record: Record) -> tuple[int, int]:
        fields = record.fields
        shown = 2 * any(f.enum or f.flags for f in fields) + any(f.scale for f in fields)
        return shown + any(f.unit for f in fields) + any(f.count for f in fields), -len(fields)

    return max((one for one in spec.messages if one.role == "sensor"), key=told, default=spec.messages[0])
