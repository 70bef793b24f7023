"""Records as C: a struct, a table of fields in flash, and for a sensor's message the function that logs it."""

from __future__ import annotations

from dataclasses import replace

from offtake.codegen.c_words import comment
from offtake.spec.model import Enumeration, Field, Record, Spec


def c_records(spec: Spec) -> list[tuple[str, Record]]:
    """(name, record) of everything that the firmware reads or writes.

    Of the journal's header it keeps what stands before the label, which is for people and would cost RAM, and what
    stands after it, each as a record of its own.
    """
    header = spec.journal_header
    label = next((i for i, f in enumerate(header.fields) if f.type == "text"), len(header.fields))
    records = [("head_journal_header", replace(header, fields=header.fields[:label]))]
    # Block 0 always has all its bytes, so there nothing is ever missing.
    after = tuple(replace(f, optional=False) for f in header.fields[label + 1 :])
    if after:
        doc = "What the journal's header holds after the label: settings of the sensors; all zero where they are off."
        records.append(("head_journal_sensors", replace(header, doc=doc, fields=after)))
    records += [(f"message_{record.name}", record) for record in spec.messages]
    records += [("part_run_start", part) for part in _parts_of_start(spec.messages, after)]
    return records + [(f"packet_{record.name}", record) for record in spec.link.packets]


def _parts_of_start(messages: tuple[Record, ...], settings: tuple[Field, ...]) -> list[Record]:
    """The run's start without the ``settings`` that end it: those are a record of their own, and both at once would
    need twice the stack."""

    def layout(fields: tuple[Field, ...]) -> list[tuple[str, str]]:
        return [(f.name, f.type) for f in fields]

    doc = "A run's start up to the settings of the sensors, which follow as they stand in the journal's header."
    return [
        replace(record, doc=doc, fields=record.fields[: -len(settings)])
        for record in messages
        if record.name == "run_start" and settings and layout(record.fields[-len(settings) :]) == layout(settings)
    ]


def struct(name: str, record: Record) -> list[str]:
    """Size, code and struct of a record, and the declaration of its layout."""
    out = [comment(record.doc), f"#define OT_{name.upper()}_SIZE {record.fixed_size}u"]
    if name.startswith("head_"):
        first = record.fields[0].offset if record.fields else 0
        out += [f"#define OT_{name.upper()}_AT {first}u"] if first else []
    else:
        out.append(f"#define OT_{name.upper()} {record.code}u")
    members = [member for f in record.fields if (member := _member(f))]
    if members:
        out += ["typedef struct {", *members, f"}} ot_{name};"]
    return [*out, f"extern const ot_layout ot_{name}_layout OT_FLASH;", ""]


def _member(f: Field) -> str:
    if f.const is not None or f.size is None:
        return ""
    if f.is_number:
        kind = f"{'int' if f.type[0] == 'i' else 'uint'}{8 * (f.element_size or 0)}_t"
        return f"    {kind} {f.name}{'' if f.count is None else f'[{f.count}]'}; {comment(f.doc + _numbers(f))}"
    return f"    uint8_t {f.name}[{f.size}]; {comment(f.doc)}"


def _numbers(f: Field) -> str:
    """What the number in the member means, in brackets: unit, scale and limits, or whose values it takes."""
    if f.enum or f.flags:
        return f" [{'a value of' if f.enum else 'bits of'} ot_{f.enum or f.flags}]"
    step = ""
    if f.scale:
        step = f"2^-{f.scale.fraction_bits}" if f.scale.fraction_bits else f"{float(f.scale.exact(1)):g}"
    facts = " ".join((["x", step] if step else []) + ([f.unit] if f.unit else []))
    low, high = f.bounds
    limits = f"{low}..{high}{' raw' if f.scale else ''}" if f.minimum is not None or f.maximum is not None else ""
    told = ", ".join(part for part in (facts, limits) if part)
    return f" [{told}]" if told else ""


def log_function(record: Record) -> list[str]:
    """The typed function that logs a sensor's message: a message that the spec does not have is no function."""
    fixed = any(f.size is not None for f in record.fields)
    parameters = ["uint32_t tick", *([f"const ot_message_{record.name} *record"] if fixed else [])]
    passed = [f"OT_MESSAGE_{record.name.upper()}", "tick", "record" if fixed else "0"]
    if record.tail:
        parameters += ["const uint8_t *tail", "uint8_t tail_size"]
        passed += ["tail", "tail_size"]
    callee = "ot_sensor_log_tail" if record.tail else "ot_sensor_log"
    return [
        f"static inline bool ot_log_{record.name}({', '.join(parameters)})",
        "{",
        f"    return {callee}({', '.join(passed)});",
        "}",
        "",
    ]


class Tables:
    """The fields' tables, and the constants and bounds that they share."""

    def __init__(self, enums: dict[str, Enumeration]) -> None:
        self._enums = enums
        self.constants = bytearray()
        self.bounds: list[tuple[int, int]] = []

    def table(self, name: str, record: Record) -> list[str]:
        """Lines of a record's field table and layout. Places are u8: FIXED_BYTES_MAX leaves room to pad."""
        rows = [row for f in record.fields if f.size is not None for row in self._rows(f"ot_{name}", f, f.size)]
        out = [f"static const ot_field ot_{name}_fields[] OT_FLASH = {{", *rows, "};"] if rows else []
        fields = f"ot_{name}_fields" if rows else "0"
        numbers = f"{len(rows)}, {record.fixed_size}, {record.size_min}, {int(record.tail is not None)}"
        return [*out, f"const ot_layout ot_{name}_layout OT_FLASH = {{{fields}, {numbers}}};", ""]

    def _rows(self, struct_name: str, f: Field, size: int) -> list[str]:
        if f.const is not None:
            at = len(self.constants)
            const = f.const
            self.constants += const if isinstance(const, bytes) else (const % 256**size).to_bytes(size, "little")
            return [f"    {{{at}, OT_KIND_CONSTANT, {size}, OT_NO_BOUNDS}},"]
        place = f"offsetof({struct_name}, {f.name})"
        if not f.is_number:
            return [f"    {{{place}, OT_KIND_BYTES, {size}, OT_NO_BOUNDS}},"]
        kind = "OT_KIND_SIGNED" if f.type[0] == "i" else "OT_KIND_UNSIGNED"
        one = f.element_size or 0
        bounds = self._bounds(f, one)
        if f.count is None:
            return [f"    {{{place}, {kind}, {one}, {bounds}}},"]
        return [
            f"    {{{place} + {one * index}, {kind} | {f.count - 1 - index} << OT_KIND_MORE_SHIFT,"
            f" {one}, {bounds}}},"
            for index in range(f.count)
        ]

    def _bounds(self, f: Field, size: int) -> str:
        """Place of a field's low end and span among the bounds, added if new; none when they are its size's own."""
        low, high = self._range(f)
        end = 1 << 8 * size
        if high - low == end - 1:
            return "OT_NO_BOUNDS"
        bound = (low % end, high - low)
        if bound not in self.bounds:
            self.bounds.append(bound)
        return str(self.bounds.index(bound))

    def _range(self, f: Field) -> tuple[int, int]:
        if not f.enum:
            return f.bounds
        # The loader allows no hole between them.
        values = [choice.value for choice in self._enums[f.enum].choices]
        return min(values), max(values)
