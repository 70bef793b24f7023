"""What shared_spec says, as frozen dataclasses: the one source that C, Python and the reference page come from."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

WIRE_SIZES = {"u8": 1, "u16": 2, "u32": 4, "i8": 1, "i16": 2, "i32": 4}
VARIABLE_TYPES = ("bytes", "text")
ROLES = ("sensor", "logger")
FIXED_BYTES_MAX = 128
"""Bytes of a message before its variable tail: the firmware's tables hold places and sizes in single bytes."""
OWN_CODE_FIRST = 64
"""Message codes from here up are for those who add messages of their own; the kit gives none of them out."""
CODE_LAST = 127
"""The highest message code that a frame's head holds."""


@dataclass(frozen=True)
class Part:
    """One number inside a packed word; parts are laid from the lowest bit up."""

    name: str
    bits: int
    shift: int
    doc: str


@dataclass(frozen=True)
class Scale:
    """What a raw number is multiplied by: ``mantissa`` x 10^``exponent``, or else 2^-``fraction_bits``.

    A decimal scale has no fraction bits, a mantissa of 1 to 65,535 and an exponent of -9 to 9; a fixed-point one has
    1 to 31 bits, mantissa 1 and exponent 0.
    """

    mantissa: int
    exponent: int
    fraction_bits: int = 0

    def exact(self, raw: int) -> Fraction:
        """The value of ``raw`` in the field's unit."""
        up, down = 10 ** max(self.exponent, 0), 10 ** max(-self.exponent, 0)
        return Fraction(raw * self.mantissa * up, down << self.fraction_bits)

    def apply(self, raw: int) -> float:
        """The double nearest to :meth:`exact`."""
        return float(self.exact(raw))


@dataclass(frozen=True)
class Field:
    """One field of a record, at a fixed byte ``offset``.

    ``size`` is in bytes, of the whole field, and None for the variable tail of a record. ``const`` is a number, or the
    bytes of a constant byte string. ``minimum`` and ``maximum`` bound the raw number, of each element in an array.
    ``parts`` is non-empty for a packed word, whose own name then stands for no value. ``scale`` turns the raw number
    into one in the field's unit. ``count`` is the number of elements of an array, None for a single value.
    ``optional`` is set for what was appended after the record's first release: absent in older, shorter bytes.
    """

    name: str
    type: str
    offset: int
    size: int | None
    doc: str
    unit: str = ""
    enum: str = ""
    flags: str = ""
    const: int | bytes | None = None
    minimum: int | None = None
    maximum: int | None = None
    parts: tuple[Part, ...] = ()
    scale: Scale | None = None
    count: int | None = None
    optional: bool = False

    @property
    def is_number(self) -> bool:
        """True for the integer types, single or in an array."""
        return self.type in WIRE_SIZES

    @property
    def element_size(self) -> int | None:
        """Bytes of one element of an array; of anything else the same as ``size``."""
        return WIRE_SIZES[self.type] if self.count is not None else self.size

    @property
    def bounds(self) -> tuple[int, int]:
        """Smallest and largest raw number the field may hold."""
        bits = 8 * WIRE_SIZES[self.type]
        low, high = (0, 2**bits - 1) if self.type[0] == "u" else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
        return (low if self.minimum is None else self.minimum, high if self.maximum is None else self.maximum)


@dataclass(frozen=True)
class Record:
    """A sequence of fields: a message's payload, a packet, or a header. ``code`` is its code or kind.

    Of a message only: ``role`` is "logger" for what the logger says of itself and "sensor" for everything else,
    ``at_most_hz`` its highest rate (0: now and then), ``interval`` the journal header's field (in ms) that sets its
    rate, or "".
    """

    name: str
    code: int
    doc: str
    fields: tuple[Field, ...]
    role: str = "sensor"
    at_most_hz: float = 1.0
    interval: str = ""

    @property
    def fixed_size(self) -> int:
        """Bytes of the fields before the variable tail."""
        return sum(f.size for f in self.fields if f.size is not None)

    @property
    def size_min(self) -> int:
        """Bytes of the fields of the first release: all before the first optional one, without a variable tail."""
        return next((f.offset for f in self.fields if f.optional), self.fixed_size)

    @property
    def tail(self) -> Field | None:
        """The variable last field, if there is one."""
        return self.fields[-1] if self.fields and self.fields[-1].size is None else None


@dataclass(frozen=True)
class Choice:
    """One name of an enumeration (``value``) or of a flag set (``value`` is the bit's number)."""

    name: str
    value: int
    doc: str


@dataclass(frozen=True)
class Enumeration:
    """Named values of a field; a flag set when ``is_flags``."""

    name: str
    doc: str
    choices: tuple[Choice, ...]
    is_flags: bool = False


@dataclass(frozen=True)
class Block:
    """The block around the frames, with the header as a record."""

    doc: str
    size: int
    version: int
    check_doc: str
    header: Record

    @property
    def space(self) -> int:
        """Bytes for frames in one block."""
        return self.size - self.header.fixed_size - 4


@dataclass(frozen=True)
class Frame:
    """The frame around every payload."""

    doc: str
    length_bits: int
    code_bits: int
    tick_doc: str
    check_doc: str
    head_size: int = 2
    check_size: int = 4
    tick_size_max: int = 5


@dataclass(frozen=True)
class Link:
    """The desk link's numbers and its packets, by kind."""

    doc: str
    version: int
    check_doc: str
    baud_fastest: int
    greet_wait_ms: int
    baud_trial_ms: int
    chunk_bytes_max: int
    packets: tuple[Record, ...]


@dataclass(frozen=True)
class Variant:
    """One clock of a board. ``desk_baud`` is the speed at which it waits for a greeting at the desk."""

    name: str
    code: int
    clock_hz: int
    desk_baud: int
    doc: str


@dataclass(frozen=True)
class Light:
    """A light pattern: on and off times, in units of 50 ms, starting with on."""

    name: str
    steps: tuple[int, ...]
    doc: str


@dataclass(frozen=True)
class Pin:
    """One pin of a board and what it is for."""

    name: str
    pin: str
    doc: str


@dataclass(frozen=True)
class Board:
    """A board with its variants, pins and light patterns.

    While any sensor is on, ``sensor_bytes`` of RAM are taken from the ring. A sensor's frame waits on a shelf of
    ``shelf_bytes`` and, out of the former, ``sensor_shelf_bytes`` more. All four are 0 on a board without a shelf.
    """

    name: str
    doc: str
    tick_ns: int
    ram_bytes: int
    flash_bytes: int
    flash_limit_bytes: int
    stack_margin_bytes: int
    ring_bytes: int
    desk_stack_bytes: int
    extents_max: int
    shelf_bytes: int
    sensor_bytes: int
    sensor_shelf_bytes: int
    sensor_stack_bytes: int
    variants: tuple[Variant, ...]
    pins: tuple[Pin, ...]
    lights: tuple[Light, ...]


@dataclass(frozen=True)
class Spec:
    """Everything in shared_spec but the dialects. ``layout_hash`` is the u32 that a run start carries."""

    block: Block
    frame: Frame
    journal_header: Record
    messages: tuple[Record, ...]
    link: Link
    boards: tuple[Board, ...]
    enums: dict[str, Enumeration] = field(hash=False)
    layout_hash: int = 0
