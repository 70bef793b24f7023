"""What shared_spec says, as frozen dataclasses: the one source that C, Python and the reference page come from."""

from __future__ import annotations

from dataclasses import dataclass, field

WIRE_SIZES = {"u8": 1, "u16": 2, "u32": 4, "i8": 1, "i16": 2, "i32": 4}
VARIABLE_TYPES = ("bytes", "text")


@dataclass(frozen=True)
class Part:
    """One number inside a packed word; parts are laid from the lowest bit up."""

    name: str
    bits: int
    shift: int
    doc: str


@dataclass(frozen=True)
class Field:
    """One field of a record, at a fixed byte ``offset``.

    ``size`` is in bytes and None for the variable tail of a record. ``const`` is a number, or the bytes of a
    constant byte string. ``minimum`` and ``maximum`` bound the raw number. ``parts`` is non-empty for a
    packed word, whose own name then stands for no value.
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

    @property
    def is_number(self) -> bool:
        """True for the integer types."""
        return self.type in WIRE_SIZES

    @property
    def bounds(self) -> tuple[int, int]:
        """Smallest and largest raw number the field may hold."""
        bits = 8 * WIRE_SIZES[self.type]
        low, high = (0, 2**bits - 1) if self.type[0] == "u" else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
        return (low if self.minimum is None else self.minimum, high if self.maximum is None else self.maximum)


@dataclass(frozen=True)
class Record:
    """A sequence of fields: a message's payload, a packet, or a header. ``code`` is its code or kind."""

    name: str
    code: int
    doc: str
    fields: tuple[Field, ...]

    @property
    def fixed_size(self) -> int:
        """Bytes of the fields before the variable tail."""
        return sum(f.size for f in self.fields if f.size is not None)

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
    """A board with its variants, pins and light patterns."""

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
