"""Whole definitions at random, as the TOML that a person would write: an old release, and one that grew out of it.

Around messages, enumerations and packets of any kind stand the kit's own block, journal header, link and boards.
"""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import dataclass
from decimal import Context, Decimal
from fractions import Fraction
from pathlib import Path

from hypothesis import strategies as st
from offtake.errors import SpecError
from offtake.spec.load import load_spec
from offtake.spec.lock import publish, render_lock
from offtake.spec.names import check_member

_FIXED = Path(__file__).resolve().parents[2] / "shared_spec"
WIDTHS = {"u8": 1, "u16": 2, "u32": 4, "i8": 1, "i16": 2, "i32": 4}
DESCRIPTIONS_MAX, DESCRIPTION_MAX, FIXED_MAX = 1024, 255, 128
"""Limits of the spec language: description frames of all messages, payload of one, bytes before a tail."""

_DIGITS_MAX = 30
"""Longest number that the loader takes: a bound of 31 fraction bits may need more."""
_AROUND = 7
"""Head, one-byte tick and check of a description's frame."""
_EXACT = Context(prec=80)
_UNITS = ["", "", "m", "mV", "\u00b0C", "m/s\u00b2", "%", "k\u2126", "a | b", '"', "\\"]
_DOCS = [
    "What it means.",
    'Words "in quotes" and \'others\'.',
    "A back\\slash, a | bar and `ticks`.",
    "Was that so??/ Or ??= not?",
    "Two\nlines.",
    '"""',
    "\u00c4\u6c34\U0001f30a",
    "ends in a back\\",
]


@dataclass(frozen=True)
class DrawnField:
    """A field: ``lines`` are its keys and values in TOML, ``described`` its bytes in a sensor's description."""

    name: str
    size: int | None
    lines: tuple[str, ...]
    described: int

    def toml(self) -> str:
        """The field as an inline table."""
        return "{ " + ", ".join(self.lines) + " }"


@dataclass(frozen=True)
class DrawnMessage:
    """A message; its first ``released`` fields (None: not even the message) were there in the old release."""

    name: str
    code: int
    role: str
    keys: tuple[str, ...]
    fields: tuple[DrawnField, ...]
    released: int | None

    def toml(self, *, old: bool) -> str:
        """Its table in one of the releases."""
        fields = self.fields[: self.released] if old else self.fields
        out = [f"[messages.{self.name}]", f"code = {self.code}", *self.keys]
        if self.code % 2 or not fields:
            return "\n".join([*out, "fields = [", *(f"    {f.toml()}," for f in fields), "]", ""])
        for f in fields:
            out += ["", f"[[messages.{self.name}.fields]]", *f.lines]
        return "\n".join([*out, ""])


@dataclass(frozen=True)
class DrawnChoices:
    """An enumeration or flag set; the first ``released`` choices were there in the old release."""

    name: str
    is_flags: bool
    values: tuple[tuple[str, int], ...]
    released: int
    docs: tuple[str, ...]

    def toml(self, *, old: bool) -> str:
        """Its table in one of the releases."""
        key = "bit" if self.is_flags else "value"
        kept = self.values[: self.released] if old else self.values
        out = [f"[{'flag_sets' if self.is_flags else 'enums'}.{self.name}]", f"doc = {quoted(self.docs[0])}"]
        out += [f"{name} = {{ {key} = {value}, doc = {quoted(self.docs[1])} }}" for name, value in kept]
        return "\n".join([*out, ""])


@dataclass(frozen=True)
class DrawnSpec:
    """A whole definition; ``seed`` is for the values that a test draws for it."""

    messages: tuple[DrawnMessage, ...]
    choices: tuple[DrawnChoices, ...]
    packets: tuple[str, ...]
    seed: int

    def messages_toml(self, *, old: bool) -> str:
        """``messages.toml`` of one of the releases."""
        kit = (_FIXED / "messages.toml").read_text(encoding="utf-8")
        # The journal's header needs the kit's flag set of sensors.
        sensor = re.search(r"^\[flag_sets\.sensor\]\n(?:[^\[\n].*\n)+", kit, re.MULTILINE)
        assert sensor is not None
        parts = [one.toml(old=old) for one in self.messages if not old or one.released is not None]
        return "\n".join([*parts, *(one.toml(old=old) for one in self.choices), sensor[0]])

    def write(self, folder: Path, *, old: bool) -> None:
        """Write the definition of one of the releases to ``folder``, anew."""
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(_FIXED / "boards", folder / "boards")
        shutil.copy(_FIXED / "block.toml", folder)
        (folder / "messages.toml").write_text(self.messages_toml(old=old), encoding="utf-8")
        link = (_FIXED / "link.toml").read_text(encoding="utf-8")
        (folder / "link.toml").write_text("\n".join([link, *self.packets]), encoding="utf-8")

    def write_grown(self, folder: Path) -> None:
        """Write the new release to ``folder``, with a ``published.lock`` that knows the old one."""
        self.write(folder, old=True)
        lock = render_lock(publish(load_spec(folder), None))
        self.write(folder, old=False)
        (folder / "published.lock").write_text(lock, encoding="utf-8")


def quoted(words: str) -> str:
    """A TOML string."""
    return json.dumps(words, ensure_ascii=False)


def _squashed(name: str) -> str:
    return name.replace("_", "")


def _is_member(name: str) -> bool:
    try:
        check_member(name, "")
    except SpecError:
        return False
    return True


def names(used: set[str]) -> st.SearchStrategy[str]:
    """Names that are no reserved words and differ from those in ``used`` in more than underscores."""
    one = st.from_regex(r"[a-z](?:_?[a-z0-9]){0,9}_?", fullmatch=True)
    return one.filter(lambda name: _is_member(name) and _squashed(name) not in used)


@st.composite
def choice_sets(draw: st.DrawFn, name: str, *, is_flags: bool) -> DrawnChoices:
    """Flags at any bits, or values without a hole, in any order."""
    count = draw(st.integers(1, 5))
    if is_flags:
        numbers = draw(st.lists(st.integers(0, 31), min_size=count, max_size=count, unique=True))
    else:
        first = draw(st.sampled_from([0, 0, 1, 7, 255 - count]))
        numbers = list(range(first, first + count))
    used: set[str] = set()
    values = []
    for number in numbers:
        choice = draw(names(used))
        used.add(_squashed(choice))
        values.append((choice, number))
    docs = (draw(st.sampled_from(_DOCS)), draw(st.sampled_from(_DOCS)))
    return DrawnChoices(name, is_flags, tuple(values), draw(st.integers(1, count)), docs)


@st.composite
def number_fields(draw: st.DrawFn, name: str, choices: tuple[DrawnChoices, ...]) -> DrawnField:
    """A number of any type: with choices, scaled, bounded, an array."""
    kind = draw(st.sampled_from(sorted(WIDTHS)))
    unit = draw(st.sampled_from(_UNITS))
    lines = [f"name = {quoted(name)}", f"type = {quoted(kind)}"]
    described = 2 + len(name) + (1 + len(unit.encode()) if unit else 0)
    width = WIDTHS[kind]
    fitting = [one for one in choices if kind[0] == "u" and _fits(one, width)]
    one = draw(st.sampled_from([None, *fitting]))
    if one:
        lines.append(f"{'flags' if one.is_flags else 'enum'} = {quoted(one.name)}")
        described += 1 + sum(2 + len(choice) for choice, _ in one.values)
    else:
        scale = draw(st.sampled_from(["", "scale", "fraction_bits"]))
        step = Fraction(1)
        if scale == "scale":
            mantissa, exponent = draw(st.integers(1, 65_535)), draw(st.integers(-9, 9))
            lines.append(f"scale = {mantissa}e{exponent}")
            step, described = Fraction(mantissa) * Fraction(10) ** exponent, described + 3
        elif scale:
            bits = draw(st.integers(1, 31))
            lines.append(f"fraction_bits = {bits}")
            step, described = Fraction(1, 2**bits), described + 1
        low, high = (0, 2 ** (8 * width) - 1) if kind[0] == "u" else (-(2 ** (8 * width - 1)), 2 ** (8 * width - 1) - 1)
        bounds = sorted(draw(st.tuples(st.integers(low, high), st.integers(low, high))))
        for key, bound in zip(("min", "max"), bounds, strict=True):
            text = _decimal(bound * step)
            if draw(st.booleans()) and sum(map(str.isdigit, text)) <= _DIGITS_MAX:
                lines.append(f"{key} = {text}")
        count = draw(st.sampled_from([0, 0, 2, 3, 32]))
        if count and width * count <= FIXED_MAX // 2:
            lines.append(f"count = {count}")
            width, described = width * count, described + 1
    lines += [f"unit = {quoted(unit)}"] if unit else []
    return DrawnField(name, width, (*lines, f"doc = {quoted(draw(st.sampled_from(_DOCS)))}"), described)


def _fits(one: DrawnChoices, width: int) -> bool:
    return max(1 << value if one.is_flags else value for _, value in one.values) < 2 ** (8 * width)


def _decimal(value: Fraction) -> str:
    """An exact decimal: the value's denominator has no primes but 2 and 5."""
    text = f"{_EXACT.divide(Decimal(value.numerator), Decimal(value.denominator)):f}"
    # TOML's whole numbers have 64 bits.
    return text if "." in text or abs(value) < 2**63 else f"{text}.0"


@st.composite
def byte_fields(draw: st.DrawFn, name: str, *, tail: bool) -> DrawnField:
    """A byte string or text."""
    kind = draw(st.sampled_from(["bytes", "text"]))
    lines = [f"name = {quoted(name)}", f"type = {quoted(kind)}", f"doc = {quoted(draw(st.sampled_from(_DOCS)))}"]
    size = None if tail else draw(st.integers(1, 20))
    lines += [] if size is None else [f"size = {size}"]
    return DrawnField(name, size, tuple(lines), 2 + len(name) + (size is not None))


@st.composite
def field_lists(draw: st.DrawFn, choices: tuple[DrawnChoices, ...]) -> tuple[DrawnField, ...]:
    """The fields of a message, as many as its limits let in."""
    fields: list[DrawnField] = []
    used: set[str] = set()
    count = draw(st.sampled_from([0, 1, 1, 2, 3, 5, 8]))
    for index in range(count):
        name = draw(names(used))
        what = draw(st.sampled_from(["number", "number", "number", "bytes", "tail"]))
        if what == "tail" and index < count - 1:
            what = "bytes"
        one = draw(number_fields(name, choices) if what == "number" else byte_fields(name, tail=what == "tail"))
        described = sum(f.described for f in fields) + one.described
        if sum(f.size or 0 for f in fields) + (one.size or 0) <= FIXED_MAX and described <= 200:
            fields.append(one)
            used.add(_squashed(name))
    return tuple(fields)


@st.composite
def packets(draw: st.DrawFn, kind: int, name: str) -> str:
    """A packet of the desk link, with what only headers and packets may have: constants and packed words."""
    fields = []
    width = draw(st.sampled_from([1, 2, 4]))
    cut = draw(st.integers(1, 8 * width - 1))
    bits = (cut, 8 * width - cut)
    parts = [f'{{ name = "part_{i}", bits = {count}, doc = "A part." }}' for i, count in enumerate(bits)]
    if max(bits) <= 31:
        fields.append(f'{{ name = "word", type = "u{8 * width}", parts = [{", ".join(parts)}], doc = "Packed." }}')
    constant = draw(st.binary(min_size=1, max_size=9))
    kind_and_size = f'type = "bytes", size = {len(constant)}'
    fields.append(f'{{ name = "mark", {kind_and_size}, const = "{constant.hex()}", doc = "Fixed." }}')
    number = draw(st.integers(-(2**15), 2**15 - 1))
    fields.append(f'{{ name = "version", type = "i16", const = {number}, doc = "Fixed." }}')
    fields.append('{ name = "rest", type = "bytes", doc = "The rest." }')
    return f'[packets.{name}]\nkind = {kind}\ndoc = "One more."\nfields = [{", ".join(fields)}]\n'


@st.composite
def whole_specs(draw: st.DrawFn) -> DrawnSpec:
    """A definition with as many messages as their descriptions let in."""
    used = {"board", "status", "errors", "record", "fieldinfo", "blockheader", "journalheader", "sensor"}
    used |= {"whenfull", "refusal", "cardstate", "intenum", "intflag"}

    def fresh() -> str:
        name: str = draw(names(used).filter(lambda one: not one.endswith("packet")))
        used.add(_squashed(name))
        return name

    kinds = draw(st.lists(st.booleans(), min_size=1, max_size=6))
    choices = tuple(draw(choice_sets(fresh(), is_flags=is_flags)) for is_flags in kinds)
    codes = draw(st.lists(st.integers(1, 127), min_size=8, max_size=24, unique=True))
    messages: list[DrawnMessage] = []
    total = 0
    for code in codes:
        fields = draw(field_lists(choices))
        role = draw(st.sampled_from(["sensor", "sensor", "logger"]))
        keys = [f"doc = {quoted(draw(st.sampled_from(_DOCS)))}"]
        keys += ['role = "logger"'] if role == "logger" else []
        keys += ["at_most_hz = 0.5", 'interval = "analogue_ms"'] if draw(st.booleans()) else []
        released = draw(st.one_of(st.none(), st.integers(0, len(fields)))) if messages else len(fields)
        name = fresh()
        described = 3 + len(name) + sum(f.described for f in fields)
        if described <= DESCRIPTION_MAX and total + _AROUND + described <= DESCRIPTIONS_MAX:
            total += _AROUND + described
            messages.append(DrawnMessage(name, code, role, tuple(keys), fields, released))
    more = tuple(draw(packets(0x40 + i, fresh())) for i in range(draw(st.integers(0, 3))))
    return DrawnSpec(tuple(messages), choices, more, draw(st.integers(0, 2**32 - 1)))
