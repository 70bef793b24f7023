"""The dialects' part of the reference page."""

from __future__ import annotations

from decimal import Decimal

from offtake.codegen.markdown import table, words
from offtake.dialects.tables import AnyDialect, BinaryDialect, BinaryField, BinaryFraming, Dialect, Field, LetterSet

_ENCODINGS = {"unsigned": "u", "signed": "i", "sign_magnitude": "s"}
_TYPED = ("number", "code", "flag", "mask")


def render(dialect: AnyDialect) -> list[str]:
    """Lines of the section of one dialect: framing, messages with their fields, named codes."""
    return _binary(dialect) if isinstance(dialect, BinaryDialect) else _sentences(dialect)


def _sentences(dialect: Dialect) -> list[str]:
    framing, address = dialect.framing, dialect.address
    starts = " or ".join(f"`{start}`" for start in framing.starts)
    out = [f"## Dialect {dialect.name}", "", words(dialect.doc), ""]
    out += [
        f"{starts}, columns between `{framing.separator}`, `{framing.check_mark}`, two hexadecimal digits of "
        f"{framing.check} over what lies between; at most {framing.max_length} bytes with the line end. "
        f"Column 0 is the address: {address.talker_letters} letters of the talker, {address.name_letters} of the "
        f"sentence; or `{address.proprietary}` and a name."
    ]
    for sentence in dialect.sentences:
        out += ["", f"### {sentence.name}", "", words(sentence.doc), ""]
        rows = [row for field in sentence.fields for row in _sentence_rows(field, "")]
        out += table(("column", "field", "kind", "unit", "values", "meaning"), rows)
    for letters in dialect.letters:
        out += ["", f"### Letters of {letters.name}", "", words(letters.doc), "", *_codes("letter", letters)]
    return out


def _sentence_rows(field: Field, group: str) -> list[tuple[str, ...]]:
    """The field's row; a group's inner fields follow it, their columns counted within the group."""
    kind = f"{field.kind} ({field.letters})" if field.letters else field.kind
    if field.kind in ("list", "groups"):
        kind += f" of up to {field.count}"
    if field.base != 10:
        kind += f", base {field.base}"
    values = _limits(field.minimum, field.maximum)
    if field.optional:
        values.append("may be missing")
    rows: list[tuple[str, ...]] = [
        (f"{group}{field.at}", f"`{field.name}`", kind, field.unit, "; ".join(values), field.doc)
    ]
    for inner in field.fields:
        rows += _sentence_rows(inner, f"{field.name}, ")
    return rows


def _binary(dialect: BinaryDialect) -> list[str]:
    little = dialect.framing.byte_order == "little"
    out = [f"## Dialect {dialect.name}", "", words(dialect.doc), "", _framing(dialect.framing)]
    for message in dialect.messages:
        keys = ", ".join(dialect.key_text(key) for key in message.keys)
        out += ["", f"### {message.name} ({keys})", "", words(message.doc)]
        grouped = any(field.kind == "groups" for field in message.fields)
        after = "then its groups" if grouped else "the rest is passed over"
        out += ["", f"The payload has at least {message.payload_min} bytes; {after}.", ""]
        rows = [row for field in message.fields for row in _binary_rows(field, "", little)]
        out += table(("byte" if little else "bit", "type", "field", "unit", "values", "meaning"), rows)
    for codes in dialect.letters:
        out += ["", f"### Codes of {codes.name}", "", words(codes.doc), "", *_codes("code", codes)]
    return out


def _framing(framing: BinaryFraming) -> str:
    header = []
    for field in framing.header:
        must_be = f", always {field.must_be}" if field.must_be is not None else ""
        header.append(f"{field.name} ({field.bits} bits{must_be})")
    sync = bytes.fromhex(framing.sync).hex(" ").upper()
    counts = "the payload's bytes"
    if framing.length_extra:
        counts += f" and {framing.length_extra} more"
    key = " and ".join(framing.key) if framing.key else f"the payload's first {framing.key_bits} bits"
    return (
        f"Sync {sync}, then {', '.join(header)}, a payload of at most {framing.payload_max} bytes, and {framing.check} "
        f"over everything from the {framing.check_from} on, {framing.check_order}-endian; other numbers are "
        f"{framing.byte_order}-endian. The length counts {counts}. A message is known by {key}."
    )


def _binary_rows(field: BinaryField, group: str, little: bool) -> list[tuple[str, ...]]:
    """The field's row; a group's inner fields follow it, their places counted within the group."""
    kind = f"{_ENCODINGS[field.encoding]}{field.bits}" if field.kind in _TYPED else field.kind
    if field.kind == "mask":
        kind += ", a number for each bit, the highest bit being 1"
    if field.part_bits:
        last = field.part_low + field.part_bits - 1
        kind += f", bit {field.part_low}" if field.part_bits == 1 else f", bits {field.part_low} to {last}"
    if (field.scale_up, field.scale_down) != (1, 1):
        kind += f" x {_decimal(field.scale_up, field.scale_down)}"
    if field.fine_bit >= 0:
        kind += f", with {field.fine_ratio} to one for the signed byte at {field.fine_bit // 8} added before"
    if field.fraction_bit >= 0:
        kind += f", with the i32 of nanoseconds at {field.fraction_bit // 8}"
    if field.kind == "code":
        kind += f" ({field.letters})"
    if field.kind == "text":
        kind += f" of {field.bits // 8} bytes"
    if field.kind == "groups":
        size = f"{field.bits // 8} bytes" if field.bits % 8 == 0 else f"{field.bits} bits"
        kind += f" of {size}, " + (f"`{field.count_field}` of them" if field.count_field else "to the payload's end")
    values = _limits(field.minimum, field.maximum)
    if field.absent:
        values.append(f"absent: raw {', '.join(map(str, field.absent))}")
    if field.when:
        values.append(f"absent unless `{field.when}`")
    place = field.bit // 8 if little else field.bit
    rows: list[tuple[str, ...]] = [
        (f"{group}{place}", kind, f"`{field.name}`", field.unit, "; ".join(values), field.doc)
    ]
    for inner in field.fields:
        rows += _binary_rows(inner, f"{field.name}, ", little)
    return rows


def _decimal(up: int, down: int) -> str:
    """A scale as it was written: a decimal, so the division is exact."""
    return str(Decimal(up) / Decimal(down)).lower()


def _limits(minimum: float | None, maximum: float | None) -> list[str]:
    if minimum is not None and maximum is not None:
        return [f"{minimum} to {maximum}"]
    return [f"{minimum} or more"] if minimum is not None else [f"at most {maximum}"] if maximum is not None else []


def _codes(what: str, letters: LetterSet) -> list[str]:
    rows = [*letters.codes, *([("any other", letters.other)] if letters.other else [])]
    return table((what, "meaning"), rows)
