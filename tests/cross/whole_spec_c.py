"""The generated C of any definition, compiled with the record runtime and reached from Python.

For each message a few lines of C are written that fill and read its struct by the members' names, so that types and
signs are the compiler's own; everything goes in and out as a list of numbers and one of bytes.
"""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cffi  # type: ignore[import-untyped]
from offtake.codegen import c_spec
from offtake.spec.model import Field, Record, Spec

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-pedantic")
AVR = ("-mmcu=atmega328p", "-Os", "-fshort-enums")
_NUMBERS_MAX = 256

_COMMON_API = """
uint16_t frame_build(uint8_t code, uint32_t tick, const uint8_t *payload, uint16_t length, uint32_t seed_id,
                     uint32_t seed_number, uint8_t *out);
uint8_t frame_parse(const uint8_t *bytes, uint16_t size, uint32_t seed_id, uint32_t seed_number, uint32_t *out);
uint16_t logged(uint8_t *code, uint32_t *tick, uint8_t *out);
uint8_t description(uint16_t at);
uint32_t size_of_descriptions(void);
uint32_t number_of_descriptions(void);
uint32_t choice_value(uint16_t at);
"""

_COMMON = """
#include <string.h>

#include "ot_bytes.h"
#include "ot_crc.h"
#include "ot_frame.h"
#include "ot_spec.h"
#include "api.h"

static struct {
    uint8_t code;
    uint32_t tick;
    uint16_t size;
    uint8_t payload[512];
} last;

static void take(const uint8_t *bytes, uint16_t count)
{
    memcpy(&last.payload[last.size], bytes, count);
    last.size = (uint16_t)(last.size + count);
}

bool ot_sensor_log(uint8_t code, uint32_t tick, const void *record)
{
    last.code = code;
    last.tick = tick;
    last.size = 0;
    ot_record_put(ot_message_layouts[code], record, take);
    return true;
}

bool ot_sensor_log_tail(uint8_t code, uint32_t tick, const void *record, const uint8_t *tail, uint8_t tail_size)
{
    (void)ot_sensor_log(code, tick, record);
    take(tail, tail_size);
    return true;
}

uint16_t logged(uint8_t *code, uint32_t *tick, uint8_t *out)
{
    *code = last.code;
    *tick = last.tick;
    memcpy(out, last.payload, last.size);
    return last.size;
}

uint8_t description(uint16_t at) { return ot_flash_u8(&ot_descriptions[at]); }
uint32_t size_of_descriptions(void) { return OT_DESCRIPTIONS_SIZE; }
uint32_t number_of_descriptions(void) { return OT_DESCRIPTIONS; }

uint16_t frame_build(uint8_t code, uint32_t tick, const uint8_t *payload, uint16_t length, uint32_t seed_id,
                     uint32_t seed_number, uint8_t *out)
{
    uint16_t size = ot_frame_open(out, code, length, tick);
    memcpy(&out[size], payload, length);
    size = (uint16_t)(size + length);
    uint32_t crc = ot_frame_seed(seed_id, seed_number);
    for (uint16_t i = 0; i < size; i++) {
        crc = ot_crc32_add(crc, out[i]);
    }
    ot_put_u32(&out[size], (uint32_t)~crc);
    return (uint16_t)(size + OT_FRAME_CHECK_SIZE);
}

uint8_t frame_parse(const uint8_t *bytes, uint16_t size, uint32_t seed_id, uint32_t seed_number, uint32_t *out)
{
    ot_frame frame = {0, 0, 0, 0, 0};
    uint8_t status = ot_frame_parse(bytes, size, ot_frame_seed(seed_id, seed_number), &frame);
    out[0] = frame.code;
    out[1] = frame.tick_offset;
    out[2] = frame.payload_at;
    out[3] = frame.length;
    return status;
}
"""


class CompileError(AssertionError):
    """The compiler's words."""


def compile_c(*arguments: str | Path, compiler: str = "gcc") -> None:
    """Run the compiler. CompileError with what it said."""
    done = subprocess.run([compiler, *map(str, arguments)], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise CompileError(done.stderr[-4000:])


def write_generated(spec: Spec, folder: Path) -> None:
    """The generated C of ``spec`` in ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "ot_spec.h").write_text(c_spec.render_header(spec, "Of a test."), encoding="utf-8")
    (folder / "ot_spec.c").write_text(c_spec.render_source(spec, "Of a test."), encoding="utf-8")


def includes(folder: Path, port: str) -> list[str]:
    """Where the compiler finds headers; ``port`` is a folder of firmware/port."""
    return [f"-I{folder}", f"-I{FIRMWARE / 'core'}", f"-I{FIRMWARE / 'port' / port}"]


def compile_for_the_chip(folder: Path) -> None:
    """The generated C in ``folder`` for the first board's chip, as strictly."""
    for source in (folder / "ot_spec.c", FIRMWARE / "core/ot_record.c"):
        compile_c(*STRICT, *AVR, *includes(folder, "avr"), "-c", source, "-o", folder / "avr.o", compiler="avr-gcc")


@dataclass(frozen=True)
class CompiledRecord:
    """What the C made of a payload: status, numbers (arrays element by element), fixed byte strings in one piece."""

    status: int
    numbers: list[int]
    strings: bytes


class CompiledSpec:
    """The generated C of ``spec``, compiled in ``folder``. CompileError where it does not compile without a warning."""

    def __init__(self, spec: Spec, folder: Path) -> None:
        write_generated(spec, folder)
        api = [_COMMON_API, *(_declarations(record) for record in spec.messages)]
        (folder / "api.h").write_text("\n".join(["#include <stdint.h>", *api]), encoding="utf-8")
        body = [_COMMON, _choices(spec), *(_functions(record) for record in spec.messages)]
        (folder / "reach.c").write_text("\n".join(body), encoding="utf-8")
        core = [FIRMWARE / "core" / name for name in ("ot_record.c", "ot_frame.c", "ot_crc.c", "ot_bytes.c")]
        library = folder / "spec.so"
        options = [*STRICT, "-fPIC", "-shared", "-fsanitize=undefined", "-fno-sanitize-recover=all"]
        compile_c(*options, *includes(folder, "host"), *core, folder / "ot_spec.c", folder / "reach.c", "-o", library)
        self._ffi = cffi.FFI()
        self._ffi.cdef("\n".join(api))
        self._lib: Any = self._ffi.dlopen(str(library))

    def encode(self, record: Record, numbers: list[int], strings: bytes) -> bytes:
        """The fixed part of a message from its members."""
        out = self._ffi.new("uint8_t[512]")
        size = getattr(self._lib, f"encode_{record.name}")(self._numbers(numbers), strings, out)
        return bytes(self._ffi.buffer(out, size))

    def decode(self, record: Record, payload: bytes, fill: int) -> CompiledRecord:
        """A payload read into a struct whose bytes were all ``fill`` before."""
        numbers, strings = self._ffi.new(f"int64_t[{_NUMBERS_MAX}]"), self._ffi.new("uint8_t[512]")
        status = getattr(self._lib, f"decode_{record.name}")(payload, len(payload), fill, numbers, strings)
        count = sum(f.count or 1 for f in record.fields if f.is_number)
        size = sum(f.size or 0 for f in record.fields if not f.is_number)
        values = [int(numbers[i]) for i in range(count)]
        return CompiledRecord(int(status), values, bytes(self._ffi.buffer(strings, size)))

    def log(self, record: Record, tick: int, numbers: list[int], strings: bytes, tail: bytes) -> tuple[int, int, bytes]:
        """Code, tick and payload that the message's own logging function hands on."""
        getattr(self._lib, f"log_{record.name}")(tick, self._numbers(numbers), strings, tail, len(tail))
        code, when, out = self._ffi.new("uint8_t *"), self._ffi.new("uint32_t *"), self._ffi.new("uint8_t[512]")
        size = self._lib.logged(code, when, out)
        return int(code[0]), int(when[0]), bytes(self._ffi.buffer(out, size))

    def build_frame(self, code: int, tick: int, payload: bytes, journal_id: int, block_number: int) -> bytes:
        """A whole frame."""
        out = self._ffi.new("uint8_t[600]")
        size = self._lib.frame_build(code, tick, payload, len(payload), journal_id, block_number, out)
        return bytes(self._ffi.buffer(out, size))

    def parse_frame(self, data: bytes, journal_id: int, block_number: int) -> tuple[int, int, int, bytes]:
        """Status, code, tick offset and payload of a frame."""
        out = self._ffi.new("uint32_t[4]")
        status = self._lib.frame_parse(data, len(data), journal_id, block_number, out)
        return int(status), int(out[0]), int(out[1]), data[out[2] : out[2] + out[3]]

    def descriptions(self) -> list[bytes]:
        """The payloads that the logger writes at a run's start."""
        found: list[bytes] = []
        at = 0
        while length := self._lib.description(at):
            found.append(bytes(self._lib.description(at + 1 + i) for i in range(length)))
            at += 1 + length
        assert len(found) == self._lib.number_of_descriptions()
        return found

    def size_of_descriptions(self) -> int:
        """Bytes of all description frames, as the firmware has it."""
        return int(self._lib.size_of_descriptions())

    def choice_values(self, spec: Spec) -> list[int]:
        """The value of every choice of every enumeration, in their order."""
        count = sum(len(enum.choices) for enum in spec.enums.values())
        return [int(self._lib.choice_value(i)) for i in range(count)]

    def _numbers(self, numbers: list[int]) -> Any:
        return self._ffi.new(f"int64_t[{_NUMBERS_MAX}]", numbers)


def _choices(spec: Spec) -> str:
    names = [
        f"OT_{choice.name.upper()}" if enum.name == "errors" else f"OT_{enum.name.upper()}_{choice.name.upper()}"
        for enum in spec.enums.values()
        for choice in enum.choices
    ]
    values = ", ".join(f"(uint32_t){name}" for name in names)
    lines = [f"static const uint32_t values[] = {{{values}}};", "return values[at];"]
    return _function("uint32_t choice_value(uint16_t at)", lines)


def _function(head: str, lines: list[str]) -> str:
    return "\n".join([head, "{", *(f"    {line}" for line in lines), "}", ""])


def _heads(record: Record) -> dict[str, str]:
    """The heads of what a message is reached by: encode, decode, and for a sensor's message log."""
    name = record.name
    heads = {
        "encode": f"uint16_t encode_{name}(const int64_t *v, const uint8_t *s, uint8_t *out)",
        "decode": f"uint8_t decode_{name}(const uint8_t *bytes, uint16_t size, uint8_t fill, int64_t *v, uint8_t *s)",
    }
    if record.role == "sensor":
        tail = "const uint8_t *tail, uint8_t tail_size"
        heads["log"] = f"void log_{name}(uint32_t tick, const int64_t *v, const uint8_t *s, {tail})"
    return heads


def _declarations(record: Record) -> str:
    return "\n".join(f"{head};" for head in _heads(record).values())


def _functions(record: Record) -> str:
    name, heads = record.name, _heads(record)
    fixed = [f for f in record.fields if f.size is not None]
    fill, read = _moves(fixed)
    layout, pointer = f"&ot_message_{name}_layout", "&r" if fixed else "0"
    unused = ["(void)v;", "(void)s;"]
    struct = [f"ot_message_{name} r;", "memset(&r, 0, sizeof r);"] if fixed else []
    filled = [f"ot_message_{name} r;", "memset(&r, fill, sizeof r);"] if fixed else ["(void)fill;"]
    decode = f"uint8_t status = ot_record_decode({layout}, bytes, size, {pointer});"
    out = [
        _function(heads["encode"], [*unused, *struct, *fill, f"return ot_record_encode({layout}, {pointer}, out);"]),
        _function(heads["decode"], [*unused, *filled, decode, *read, "return status;"]),
    ]
    if "log" in heads:
        passed = ["tick", *(["&r"] if fixed else []), *(["tail", "tail_size"] if record.tail else [])]
        call = f"(void)ot_log_{name}({', '.join(passed)});"
        out.append(_function(heads["log"], [*unused, "(void)tail;", "(void)tail_size;", *struct, *fill, call]))
    return "\n".join(out)


def _moves(fixed: list[Field]) -> tuple[list[str], list[str]]:
    """C that fills the struct's members from ``v`` and ``s``, and C that reads them back."""
    fill: list[str] = []
    read: list[str] = []
    number = string = 0
    for f in fixed:
        if not f.is_number:
            fill.append(f"memcpy(r.{f.name}, &s[{string}], {f.size});")
            read.append(f"memcpy(&s[{string}], r.{f.name}, {f.size});")
            string += f.size or 0
            continue
        kind = f"{'int' if f.type[0] == 'i' else 'uint'}{8 * (f.element_size or 0)}_t"
        for index in range(f.count or 1):
            place = f"r.{f.name}" if f.count is None else f"r.{f.name}[{index}]"
            fill.append(f"{place} = ({kind})v[{number}];")
            read.append(f"v[{number}] = {place};")
            number += 1
    return fill, read
