"""Mistakes in shared_spec, one of each kind: the edit that makes it, and what must be said about it and where."""

from __future__ import annotations

from typing import NamedTuple

MESSAGES, BLOCK, LINK, BOARD = "messages.toml", "block.toml", "link.toml", "boards/atmega328p.toml"


class Mistake(NamedTuple):
    """``old`` in ``file`` becomes ``new``; the error then tells the key ``path``, on a line that holds ``line``."""

    file: str
    old: str
    new: str
    path: str
    line: str
    says: str


SUPPLY = '{ name = "supply_mv", type = "u16", unit = "mV", doc = "Supply voltage." }'
_AT = "messages.supply.fields[0]"
_WHEN_FULL = '[enums.when_full]\ndoc = "What to do when the journal is full."\n'


def _supply(new: str, key: str, says: str, name: str = "supply_mv") -> Mistake:
    """The first field of the supply message, alone on its line, becomes ``new``."""
    return Mistake(MESSAGES, SUPPLY, new, f"{_AT} ({name})" + (f".{key}" if key else ""), new, says)


def _added(words: str, key: str, says: str) -> Mistake:
    """The same field gets ``words`` too."""
    return _supply(SUPPLY.replace(" }", f", {words} }}"), key, says)


def _field(words: str, key: str, says: str) -> Mistake:
    """That field becomes one named ``much`` with ``words``."""
    return _supply(f'{{ name = "much", {words}, doc = "Much." }}', key, says, "much")


def _message(words: str, key: str, says: str) -> Mistake:
    """One more message, with ``words``."""
    enum = "[enums.loss_cause]"
    message = f'[messages.odd]\ncode = 127\n{words}\ndoc = "Odd."\nfields = []\n\n{enum}'
    return Mistake(MESSAGES, enum, message, f"messages.odd.{key}", words, says)


MISTAKES = {
    "unknown key in a field": _added("colour = 1", "colour", "unknown key"),
    "unknown key in a message": Mistake(
        MESSAGES, "code = 5", "code = 5\nkind = 5", "messages.supply.kind", "kind = 5", "unknown key"
    ),
    "unknown table": Mistake(
        MESSAGES, "[enums.loss_cause]", "[enumz.loss_cause]", "messages.loss", '"cause"', "no enum"
    ),
    "unknown table that nothing needs": Mistake(
        MESSAGES, "[flag_sets.reset_cause]", "[words]\n[flag_sets.reset_cause]", "words", "[words]", "unknown key"
    ),
    "unknown key of the block": Mistake(BLOCK, "size = 512", "size = 512\nsice = 1", "block.sice", "sice", "unknown"),
    "unknown key of the frame": Mistake(
        BLOCK, 'head = "u16"', 'head = "u16"\nfoot = 1', "frame.foot", "foot = 1", "unknown"
    ),
    "duplicate message code": Mistake(
        MESSAGES, "code = 5", "code = 4", "messages.supply.code", "code = 4", "code 4 is taken by loss"
    ),
    "code 0": Mistake(MESSAGES, "code = 5", "code = 0", "messages.supply.code", "code = 0", "1 to 127"),
    "code above the head's bits": Mistake(
        MESSAGES, "code = 5", "code = 128", "messages.supply.code", "code = 128", "127"
    ),
    "code of ten thousand digits": Mistake(
        MESSAGES, "code = 5", f"code = 0x{'f' * 10_000}", "messages.supply.code", "code = 0xf", "at most 64 bits"
    ),
    "code as text": Mistake(MESSAGES, "code = 5", 'code = "5"', "messages.supply.code", '"5"', "whole number"),
    "code as a truth": Mistake(MESSAGES, "code = 5", "code = true", "messages.supply.code", "true", "whole number"),
    "no code": Mistake(MESSAGES, "code = 5\n", "", "messages.supply.code", "[messages.supply]", "missing"),
    "duplicate packet kind": Mistake(
        LINK, "kind = 0x02", "kind = 0x01", "packets.describe.kind", "kind = 0x01", "kind 1 is taken by greet"
    ),
    "two fields of one name": Mistake(
        MESSAGES,
        'name = "firmware_minor"',
        'name = "firmware_major"',
        "messages.run_start.fields[1] (firmware_major)",
        "version, minor",
        "overlap",
    ),
    "parts over the word's end": Mistake(
        BLOCK, "bits = 9", "bits = 10", "block.header[1] (form).parts", "parts", "overlap"
    ),
    "parts that leave bits": Mistake(BLOCK, "bits = 9", "bits = 8", "block.header[1] (form).parts", "parts", "16 bits"),
    "parts in a message": _added('parts = [{ name = "a", bits = 16, doc = "A." }]', "parts", "headers"),
    "const in a message": _added("const = 1", "const", "headers"),
    "scale in a header": Mistake(
        BLOCK,
        "max = 100\n",
        "max = 100\nscale = 0.1\n",
        "journal_header.fields[6] (gap_bytes).scale",
        "scale",
        "messages",
    ),
    "array in a packet": Mistake(
        LINK,
        'type = "u32", unit = "byte", doc = "Its place in the file."',
        'type = "u32", count = 2, doc = "Its place in the file."',
        "packets.data.fields[0] (offset).count",
        "Its place",
        "messages",
    ),
    "an offset of one's own": _added('offset = "1"', "offset", "offsets follow"),
    "overlong message": Mistake(
        MESSAGES,
        SUPPLY,
        '{ name = "much", type = "bytes", size = 127, doc = "Much." }',
        "messages.supply",
        "[messages.supply]",
        "129 bytes are too many",
    ),
    "overlong field": _field('type = "bytes", size = 512', "size", "1 to 511"),
    "size of no byte": _field('type = "text", size = 0', "size", "1 to 511"),
    "size of a number": _added("size = 2", "size", "count"),
    "overlong journal header": Mistake(
        BLOCK, "size = 32", "size = 500", "journal_header", "[journal_header]", "at most 508 bytes"
    ),
    # Places and sizes are bytes in the firmware's tables: these two gave C that the compiler warned of.
    "overlong packet": Mistake(
        LINK,
        "fields = []",
        'fields = [{ name = "much", type = "bytes", size = 129, doc = "Much." }]',
        "packets.describe",
        "[packets.describe]",
        "at most 128 bytes",
    ),
    "overlong settings": Mistake(
        BLOCK,
        "[enums.when_full]",
        '[[journal_header.fields]]\nname = "much"\ntype = "bytes"\nsize = 200\ndoc = "Much."\n\n[enums.when_full]',
        "journal_header.fields",
        "",
        "at most 128 bytes before the first text, and as many after it",
    ),
    "variable field in the journal header": Mistake(
        BLOCK, 'name = "label"\ntype = "text"\nsize = 32', 'name = "label"\ntype = "text"', "journal_header", "", "size"
    ),
    "unknown type": _supply(SUPPLY.replace("u16", "u24"), "type", "u8, u16, u32"),
    "type as a number": _supply(SUPPLY.replace('"u16"', "16"), "type", "one of u8"),
    "bad enum reference": Mistake(
        MESSAGES,
        'enum = "loss_cause"',
        'enum = "loss_reason"',
        "messages.loss.fields[0] (cause).enum",
        "loss_reason",
        "loss_cause",
    ),
    "flag set taken for an enum": Mistake(
        MESSAGES,
        'flags = "reset_cause"',
        'enum = "reset_cause"',
        "messages.run_start.fields[11] (reset_cause).enum",
        "What restarted",
        "no enum 'reset_cause'",
    ),
    "enum taken for a flag set": Mistake(
        MESSAGES,
        'enum = "end_reason"',
        'flags = "end_reason"',
        "messages.run_end.fields[0] (reason).flags",
        'flags = "end_reason"',
        "no flag set 'end_reason'",
    ),
    "enum and flags": _added('enum = "loss_cause", flags = "reset_cause"', "flags", "one of the two"),
    "enum of an array": _added('enum = "loss_cause", count = 2', "enum", "an array"),
    "enum of bytes": _field('type = "bytes", size = 2, enum = "loss_cause"', "enum", "a number type"),
    "enum of a signed number": _field('type = "i16", enum = "loss_cause"', "enum", "u8, u16 or u32"),
    "enum with limits": _added('enum = "loss_cause", min = 1', "min", "choices alone"),
    "flag set too wide": Mistake(
        MESSAGES,
        "watchdog = { bit = 3",
        "watchdog = { bit = 8",
        "messages.run_start.fields[11] (reset_cause).flags",
        "What restarted",
        "a wider type",
    ),
    "variable field not last": Mistake(
        LINK,
        'type = "u32", unit = "byte", doc = "Its place in the file."',
        'type = "bytes", doc = "Its place in the file."',
        "packets.data.fields[0] (offset)",
        "Its place",
        "must stand last",
    ),
    "duplicate enum value": Mistake(
        MESSAGES,
        "overrun = { value = 2",
        "overrun = { value = 1",
        "enums.loss_cause.overrun.value",
        "overrun",
        "taken by ring_full",
    ),
    "enum with a hole": Mistake(
        LINK,
        "no_card = { value = 1",
        "no_card = { value = 17",
        "enums.card_state",
        "[enums.card_state]",
        "1 in use too",
    ),
    "enum value too large": Mistake(
        LINK,
        "no_card = { value = 1",
        "no_card = { value = 256",
        "enums.card_state.no_card.value",
        "no_card",
        "0 to 255",
    ),
    "duplicate flag bit": Mistake(
        MESSAGES,
        "external = { bit = 1",
        "external = { bit = 0",
        "flag_sets.reset_cause.external.bit",
        "external",
        "taken by power_on",
    ),
    "flag without its bit": Mistake(
        MESSAGES,
        "external = { bit = 1, doc",
        "external = { doc",
        "flag_sets.reset_cause.external.bit",
        "external",
        "missing",
    ),
    "enum defined twice": Mistake(
        MESSAGES, "[enums.end_reason]", "[enums.when_full]", "enums.when_full", "[enums.when_full]", "exists already"
    ),
    "empty enum": Mistake(
        BLOCK,
        _WHEN_FULL,
        f'[enums.empty]\ndoc = "Nothing."\n\n{_WHEN_FULL}',
        "enums.empty",
        "[enums.empty]",
        "at least one",
    ),
    "choice that is no table": Mistake(
        MESSAGES,
        "overrun = { value = 2, doc",
        "overrun = 2\nover_run = { value = 2, doc",
        "enums.loss_cause.overrun",
        "overrun = 2",
        "a table",
    ),
    "min that does not fit the type": Mistake(
        BLOCK, "max = 100\n", "max = 256\n", "journal_header.fields[6] (gap_bytes).max", "max = 256", "0 to 255"
    ),
    "min above max": Mistake(
        BLOCK, "max = 100\n", "max = 1\n", "journal_header.fields[6] (gap_bytes).max", "max = 1", "min <= max"
    ),
    "limits of bytes": _field('type = "bytes", size = 2, min = 1', "min", "a number type"),
    "decimal limit of a whole number": _added("max = 1.5", "max", "a whole number"),
    "scale of nothing": _added("scale = 0", "scale", "times a power of ten"),
    "negative scale": _added("scale = -0.5", "scale", "times a power of ten"),
    "scale with too many digits": _added("scale = 0.65537", "scale", "1 to 65535"),
    "scale too small": _added("scale = 1e-10", "scale", "1e-9"),
    "scale too large": _added("scale = 1e15", "scale", "1e9"),
    "scale that is no number": _added("scale = nan", "scale", "a number"),
    "scale without end": _added("scale = inf", "scale", "a number"),
    "scale as text": _added('scale = "0.1"', "scale", "a number"),
    "scale of bytes": _field('type = "bytes", size = 2, scale = 0.1', "scale", "a number type"),
    "scale of an enum": _added('enum = "loss_cause", scale = 0.1', "scale", "enum and flags"),
    "two scales": _added("scale = 0.5, fraction_bits = 1", "fraction_bits", "one of the two"),
    "fraction of no bit": _added("fraction_bits = 0", "fraction_bits", "1 to 31"),
    "fraction of too many bits": _added("fraction_bits = 32", "fraction_bits", "1 to 31"),
    "limit between two steps": _added("scale = 0.5, max = 1.25", "max", "a multiple of 0.5"),
    "limit between two fixed-point steps": _added("fraction_bits = 2, max = 1.2", "max", "a multiple of 2^-2"),
    "scaled limit that does not fit": _added("scale = 0.01, max = 655.36", "max", "raw 65536 does not fit u16"),
    "array of one": _added("count = 1", "count", "2 to 32"),
    "array of too many": _added("count = 33", "count", "2 to 32"),
    "array of bytes": _field('type = "bytes", size = 4, count = 2', "count", "or size"),
    "unit of many bytes": _supply(SUPPLY.replace('"mV"', f'"{"m" * 17}"'), "unit", "at most 16 bytes"),
    "unit that no terminal shows": _supply(SUPPLY.replace('"mV"', r'"m\u0007"'), "unit", "can be shown"),
    "word of C as a field's name": _supply(SUPPLY.replace('"supply_mv"', '"short"'), "name", "another name", "short"),
    "word of Python as a field's name": _supply(SUPPLY.replace('"supply_mv"', '"lambda"'), "name", "another", "lambda"),
    "overlong name": _supply(SUPPLY.replace('"supply_mv"', f'"{"s" * 41}"'), "name", "at most 40", "s" * 41),
    "words that end a comment": _supply(SUPPLY.replace("Supply", "*/"), "doc", "no /* or */"),
    "no words": _supply(SUPPLY.replace("Supply voltage.", " "), "doc", "in words"),
    "const of another size": Mistake(
        BLOCK, "4f46544b4a4e4c31", "4f46", "journal_header.fields[0] (magic).const", "4f46", "8 bytes"
    ),
    "const that is no hex": Mistake(
        BLOCK, "4f46544b4a4e4c31", "OFTKJNL1", "journal_header.fields[0] (magic).const", "OFTKJNL1", "hex digits"
    ),
    "const that does not fit": Mistake(
        BLOCK, "const = 0xD7", "const = 0x1D7", "block.header[0] (magic).const", "0x1D7", "0 to 255"
    ),
    "missing documentation": _supply(SUPPLY.replace(', doc = "Supply voltage."', ""), "doc", "missing"),
    "missing fields": Mistake(LINK, "fields = []", "", "packets.describe.fields", "[packets.describe]", "missing"),
    "fields that are no list": Mistake(
        LINK, "fields = []", "fields = {}", "packets.describe.fields", "fields", "a list"
    ),
    "field that is no table": Mistake(
        LINK, "fields = []", "fields = [1]", "packets.describe.fields[0]", "[1]", "a table"
    ),
    "missing header field": Mistake(
        BLOCK, 'name = "run_number"', 'name = "session"', "block.header", "[[block.header]]", "run_number"
    ),
    "name with a capital": Mistake(
        MESSAGES, "[messages.supply]", "[messages.Supply]", "messages.Supply", "[messages.Supply]", "small letters"
    ),
    "message and enum of one class": Mistake(
        MESSAGES, "[messages.supply]", "[messages.reset__cause]", "messages.reset__cause", "reset__cause", "same class"
    ),
    "message named like the runtime": Mistake(
        MESSAGES, "[messages.supply]", "[messages.field_info]", "messages.field_info", "field_info", "same class"
    ),
    # A class of such a name is no Python.
    "message named like a constant of Python": Mistake(
        MESSAGES, "[messages.supply]", "[messages.none]", "messages.none", "[messages.none]", "same class"
    ),
    "message named like a table of the generated Python": Mistake(
        MESSAGES,
        "[messages.supply]",
        "[messages.p_a_c_k_e_t_s]",
        "messages.p_a_c_k_e_t_s",
        "[messages.p_a_c_k_e_t_s]",
        "same class",
    ),
    "enum named like a constant of Python": Mistake(
        BLOCK,
        "[enums.when_full]",
        '[enums.true]\ndoc = "Odd."\none = { value = 1, doc = "One." }\n\n[enums.when_full]',
        "enums.true",
        "[enums.true]",
        "same class",
    ),
    "unknown role": _message('role = "king"', "role", "sensor, logger"),
    "negative rate": _message("at_most_hz = -1", "at_most_hz", "to 100000"),
    "rate without end": _message("at_most_hz = inf", "at_most_hz", "a number"),
    "rate no clock can give": _message("at_most_hz = 100001", "at_most_hz", "to 100000"),
    "interval that is no setting": _message('interval = "tea_ms"', "interval", "close_ms"),
    "interval in seconds": _message('interval = "supply_s"', "interval", "in ms"),
    "role of a packet": Mistake(
        LINK, "kind = 0x02", 'kind = 0x02\nrole = "logger"', "packets.describe.role", "role", "unknown key"
    ),
    "another check": Mistake(BLOCK, 'check = "crc32"', 'check = "crc16"', "block.check", "crc16", "crc32"),
    "odd light pattern": Mistake(
        BOARD, "steps = [2, 2]", "steps = [2]", "board.lights.searching.steps", "searching", "pairs"
    ),
    "light step of no time": Mistake(
        BOARD, "steps = [2, 2]", "steps = [2, 0]", "board.lights.searching.steps", "searching", "1 to 255"
    ),
    "duplicate board code": Mistake(
        BOARD,
        "code = 2",
        "code = 1",
        "board.variants[1] (atmega328p_8mhz).code",
        "code = 1",
        "taken by atmega328p_16mhz",
    ),
    "duplicate board name": Mistake(
        BOARD, "atmega328p_8mhz", "atmega328p_16mhz", "board.variants[1] (atmega328p_16mhz).name", "name", "of its own"
    ),
    "board without RAM": Mistake(BOARD, "ram_bytes = 2048\n", "", "board.ram_bytes", "[board]", "missing"),
    "negative shelf": Mistake(BOARD, "shelf_bytes = ", "shelf_bytes = -", "board.shelf_bytes", "shelf_bytes", "0 to"),
}
# Mistakes of the TOML itself: file, old, new, a piece of the line told, what it says.
NOT_TOML = {
    "broken header": (LINK, "[link]", "[link", "[link", "not TOML"),
    "key twice": (MESSAGES, "code = 5", "code = 5\ncode = 6", "code = 6", "not TOML"),
    "number too long": (MESSAGES, "code = 5", f"code = {'9' * 5000}", "", "not TOML"),
    "exponent too long": (MESSAGES, "code = 5", f"code = 1e{'9' * 40}", "", "not TOML"),
    "nesting too deep": (MESSAGES, "code = 5", f"code = {'[' * 5000}", "", "not TOML"),
}
