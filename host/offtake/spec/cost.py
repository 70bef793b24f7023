"""What each message costs: bytes on the card, a share of what card and chip can do, flash. Pure functions.

Rates are in Hz, shares are fractions of one. Where a figure depends on the day (how long a frame waits, how long its
tail is) the worst is taken, so that what fits here fits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from offtake.budget.divisor import BITS
from offtake.budget.parts import BoardCosts, Parts, load_parts
from offtake.budget.stalls import block_ms
from offtake.errors import SpecError, UsageError
from offtake.spec.cost_flash import FlashBytes, flash_bytes
from offtake.spec.model import Board, Frame, Record, Spec

SHELF_HEAD_BYTES = 5
"""Tick and code of a frame on the shelf (OT_SHELF_HEAD, firmware/core/ot_framer.h); a length follows before a tail."""
CROWDED_SHARE = 0.5
"""A block goes, full or not, once more than this of the sensors' shelf is taken (ot_shelf_is_crowded)."""
TAIL_BYTES_MAX = 255
"""The firmware's typed calls take a tail's length as a u8."""
LINE_MESSAGES = ("raw", "raw_more")
"""These are the line itself."""


@dataclass(frozen=True)
class Use:
    """What so many frames a second take: bytes on the card, shares of the card's and of the chip's time."""

    rate_hz: float
    bytes_per_s: float
    card_share: float
    cpu_share: float

    def __add__(self, other: Use) -> Use:
        return Use(
            self.rate_hz + other.rate_hz,
            self.bytes_per_s + other.bytes_per_s,
            self.card_share + other.card_share,
            self.cpu_share + other.cpu_share,
        )


NOTHING = Use(0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True)
class MessageCost:
    """One message. Frames are whole: head, tick offset, payload, check.

    ``payload_bytes`` is with the longest tail, ``shelf_bytes`` what that takes while it waits. ``least_bytes`` has
    the shortest tick offset and no tail, ``fixed_bytes`` the longest tick offset and no tail, ``worst_bytes`` the
    longest of both. ``block_share`` is the worst frame's of a block's room. ``highest`` is at the message's own
    ``at_most_hz``, ``as_set`` as the journal's settings have it (None where none were given). A message costs no RAM:
    it waits on a shelf that all share.
    """

    name: str
    code: int
    role: str
    payload_bytes: int
    shelf_bytes: int
    least_bytes: int
    fixed_bytes: int
    worst_bytes: int
    block_share: float
    highest: Use
    as_set: Use | None
    flash: FlashBytes
    waits_alone: bool
    ram_bytes: int = 0


@dataclass(frozen=True)
class SpecCosts:
    """All messages, the dearest first, beside a line at ``baud`` that never pauses, on one variant of a board.

    ``together`` and ``together_as_set`` are the line and all messages at once. ``room_bytes`` is for frames in a block,
    ``shelf_bytes`` for frames of sensors that wait while any sensor is on, ``shelf_alone_bytes`` while none is;
    ``shelf_ms`` is how long the card may be busy at the worst moment before one is lost (and counted), at the highest
    rates (None without sensors). ``description_bytes`` are written at each run's start. ``flash`` is of everything,
    ``line_flash`` of the line's own messages, which are not in ``messages``.
    """

    variant: str
    clock_hz: int
    baud: int
    settings: Mapping[str, int] | None
    messages: tuple[MessageCost, ...]
    line: Use
    together: Use
    together_as_set: Use | None
    room_bytes: int
    shelf_bytes: int
    shelf_alone_bytes: int
    shelf_ms: float | None
    description_bytes: int
    line_flash: FlashBytes
    flash: FlashBytes

    @property
    def fits(self) -> bool:
        """Whether card and chip keep up with everything at once."""
        return self.together.card_share <= 1.0 and self.together.cpu_share <= 1.0


@dataclass(frozen=True)
class _Machine:
    """What work is measured against: a board's costs and clock, and how long each block keeps the card."""

    board: Board
    costs: BoardCosts
    clock_hz: int
    cycle_ms: float

    def use(self, name: str, rate_hz: float, bytes_a_frame: float, blocks: float) -> Use:
        """Frames of message ``name`` at ``rate_hz``, each ``blocks`` of a block: ``frame_cycles`` whatever its length,
        what its reading takes, and its part of a block's ``write_cycles`` (parts.toml, from the simulated board)."""
        cycles = self.costs.frame_cycles + self.costs.reading_cycles.get(name, 0) + blocks * self.costs.write_cycles
        return Use(
            rate_hz,
            rate_hz * bytes_a_frame,
            rate_hz * blocks * self.cycle_ms / 1000.0,
            rate_hz * cycles / self.clock_hz,
        )


def frame_bytes(frame: Frame, payload_bytes: int, tick_bytes: int) -> int:
    """Bytes of a frame on the card (shared_spec/block.toml)."""
    return frame.head_size + tick_bytes + payload_bytes + frame.check_size


def shelf_bytes(record: Record, payload_bytes: int) -> int:
    """What a frame takes of the shelf while it waits."""
    return SHELF_HEAD_BYTES + (record.tail is not None) + payload_bytes


def longest_payload_bytes(spec: Spec, record: Record, board: Board, description_bytes: int) -> int:
    """The longest payload that ``record`` may have: with a tail, what shelf, block and the tail's length leave it."""
    if record.tail is None:
        return record.fixed_size
    if record.name == "description":
        return description_bytes
    tail = spec.block.space - frame_bytes(spec.frame, record.fixed_size, spec.frame.tick_size_max)
    if record.role == "sensor":
        tail = min(tail, TAIL_BYTES_MAX, board.sensor_shelf_bytes - shelf_bytes(record, record.fixed_size))
    return record.fixed_size + max(0, tail)


def shelf_alone_bytes(spec: Spec, board: Board) -> int:
    """What is left of the shelf for frames of sensors while no sensor is on: two losses and a run's end keep their
    places (ROOM_KEPT, firmware/core/ot_framer.c)."""
    sizes = {record.name: SHELF_HEAD_BYTES + record.fixed_size for record in spec.messages}
    return max(0, board.shelf_bytes - 2 * sizes.get("loss", 0) - sizes.get("run_end", 0))


def blocks_a_frame(spec: Spec, record: Record, board: Board, payload_bytes: int) -> float:
    """The part of a block that a frame makes the card write. Of a full block its own bytes; but a sensor's frame may be
    among those that crowd the shelf and send the block early, so it is charged its part of what crowds the shelf."""
    own = frame_bytes(spec.frame, payload_bytes, spec.frame.tick_size_max) / spec.block.space
    crowd = math.floor(board.sensor_shelf_bytes * CROWDED_SHARE) + 1
    return max(own, shelf_bytes(record, payload_bytes) / crowd) if record.role == "sensor" else own


def cycle_ms(costs: BoardCosts, clock_hz: int, line_bytes_per_s: float, busy_ms: float) -> float:
    """From one block to the next when the card never waits for one: it is sent by a chip that serves the line beside it
    (:func:`offtake.budget.stalls.block_ms`, measured by tests/costs), then the card is busy for ``busy_ms``."""
    return block_ms(costs, clock_hz, line_bytes_per_s) + busy_ms


def sensor_bit(spec: Spec, record: Record) -> int | None:
    """The bit of the header's ``sensors`` that turns on the sensor whose message this is, by its name or by how that
    begins; None for a message that comes without one."""
    flags = next((field.flags for field in spec.journal_header.fields if field.name == "sensors"), "")
    choices = spec.enums[flags].choices if flags else ()
    return next((c.value for c in choices if f"{record.name}_".startswith(f"{c.name}_")), None)


def rate_as_set_hz(spec: Spec, record: Record, settings: Mapping[str, int]) -> float:
    """Frames a second by the journal's settings, of which those not given are 0, which is off.

    A message with an ``interval``, which is in ms, comes once in it. Where the settings say which sensors are on, a
    message that the flags ``sensors`` name and that is not on does not come. Any other comes at its highest rate.

    :raises UsageError: an interval that asks for more than ``at_most_hz``.
    """
    bit = sensor_bit(spec, record)
    if bit is not None and "sensors" in settings and not settings["sensors"] >> bit & 1:
        return 0.0
    if not record.interval:
        return record.at_most_hz
    interval = settings.get(record.interval, 0)
    if interval == 0:
        return 0.0
    rate_hz = 1000.0 / interval
    if rate_hz > record.at_most_hz:
        raise UsageError(
            f"{record.interval} = {interval} makes {rate_hz:g} frames of {record.name} a second",
            expected=f"at most {record.at_most_hz:g}, its at_most_hz",
        )
    return rate_hz


def work_out(
    spec: Spec,
    *,
    variant: str = "atmega328p_16mhz",
    baud: int = 115_200,
    settings: Mapping[str, int] | None = None,
    parts: Parts | None = None,
) -> SpecCosts:
    """The costs of every message but the line's own. ``settings`` are fields of the journal's header by name.

    :raises UsageError: no such variant, no figures of it, or settings that set no rate, are out of range or too fast.
    """
    known = parts or load_parts()
    board, clock_hz = _variant(spec, variant, known)
    _check_settings(spec, settings or {})
    own = known.boards[variant]
    machine = _Machine(board, own, clock_hz, cycle_ms(own, clock_hz, baud / BITS, known["card_busy"]))
    flash = flash_bytes(spec, known)
    records = [record for record in spec.messages if record.name not in LINE_MESSAGES]
    costs = [_message(spec, record, machine, settings, flash) for record in records]
    line = _line(spec, machine, baud / BITS)
    waiting = sum(each.highest.rate_hz * each.shelf_bytes for each in costs if each.role == "sensor")
    spare = board.sensor_shelf_bytes * (1.0 - CROWDED_SHARE)
    return SpecCosts(
        variant=variant,
        clock_hz=clock_hz,
        baud=baud,
        settings=settings,
        messages=tuple(sorted(costs, key=lambda each: (-each.highest.card_share, -each.worst_bytes, each.code))),
        line=line,
        together=sum((each.highest for each in costs), line),
        together_as_set=None if settings is None else sum((each.as_set or NOTHING for each in costs), line),
        room_bytes=spec.block.space,
        shelf_bytes=board.sensor_shelf_bytes,
        shelf_alone_bytes=shelf_alone_bytes(spec, board),
        shelf_ms=1000.0 * spare / waiting if waiting else None,
        description_bytes=sum(frame_bytes(spec.frame, each.description_payload, 1) for each in flash.values()),
        line_flash=sum((flash[name] for name in LINE_MESSAGES if name in flash), FlashBytes()),
        flash=sum(flash.values(), FlashBytes()),
    )


def refuse(costs: SpecCosts, where: Callable[[str], str] = lambda name: f"messages.toml: messages.{name}") -> None:
    """SpecError for a message that fits no block or no shelf, or for rates that card or chip cannot keep up with.

    ``where`` tells the place of a message's table.
    """
    for each in costs.messages:
        if each.worst_bytes > costs.room_bytes:
            raise SpecError(
                f"a frame of {each.worst_bytes} bytes fits no block",
                where=where(each.name),
                expected=f"at most {costs.room_bytes} bytes with head, tick offset and check",
            )
        if each.role == "sensor" and each.shelf_bytes > costs.shelf_bytes:
            raise SpecError(
                f"{each.payload_bytes} bytes do not fit the shelf where it waits for the card",
                where=where(each.name),
                expected=f"at most {each.payload_bytes - each.shelf_bytes + costs.shelf_bytes} bytes",
            )
    if costs.fits:
        return
    dearest = next((each for each in costs.messages if each.role == "sensor"), costs.messages[0])
    use = costs.together
    raise SpecError(
        f"all messages at their highest rates, beside a line at {costs.baud:,} baud, would take {use.card_share:.0%} of"
        f" the card's and {use.cpu_share:.0%} of the chip's time; {dearest.name} takes the most",
        where=where(dearest.name),
        expected="at most 100 % of each: a lower at_most_hz, or fewer bytes",
    )


def _variant(spec: Spec, name: str, parts: Parts) -> tuple[Board, int]:
    found = {variant.name: (board, variant.clock_hz) for board in spec.boards for variant in board.variants}
    if name not in found or name not in parts.boards:
        known = ", ".join(sorted(each for each in found if each in parts.boards))
        raise UsageError(f"no figures of board {name!r}", expected=known)
    return found[name]


def _check_settings(spec: Spec, settings: Mapping[str, int]) -> None:
    rates = {"sensors", *(record.interval for record in spec.messages)}
    fields = {field.name: field for field in spec.journal_header.fields if field.name in rates}
    for name, value in settings.items():
        if name not in fields:
            raise UsageError(f"no setting that sets a rate is called {name!r}", expected=", ".join(fields))
        low, high = fields[name].bounds
        if not low <= value <= high:
            raise UsageError(f"{name} = {value} is out of range", expected=f"{low} to {high}")


def _message(
    spec: Spec,
    record: Record,
    machine: _Machine,
    settings: Mapping[str, int] | None,
    flash: Mapping[str, FlashBytes],
) -> MessageCost:
    longest_description = max(each.description_payload for each in flash.values())
    payload = longest_payload_bytes(spec, record, machine.board, longest_description)
    worst = frame_bytes(spec.frame, payload, spec.frame.tick_size_max)
    blocks = blocks_a_frame(spec, record, machine.board, payload)
    set_hz = rate_as_set_hz(spec, record, settings) if settings is not None else None
    return MessageCost(
        name=record.name,
        code=record.code,
        role=record.role,
        payload_bytes=payload,
        shelf_bytes=shelf_bytes(record, payload),
        least_bytes=frame_bytes(spec.frame, record.fixed_size, 1),
        fixed_bytes=frame_bytes(spec.frame, record.fixed_size, spec.frame.tick_size_max),
        worst_bytes=worst,
        block_share=worst / spec.block.space,
        highest=machine.use(record.name, record.at_most_hz, worst, blocks),
        as_set=None if set_hz is None else machine.use(record.name, set_hz, worst, blocks),
        flash=flash[record.name],
        waits_alone=record.role != "sensor"
        or sensor_bit(spec, record) is not None
        or shelf_bytes(record, payload) <= shelf_alone_bytes(spec, machine.board),
    )


def _line(spec: Spec, machine: _Machine, bytes_per_s: float) -> Use:
    """A line without a pause fills whole blocks with one raw frame each; each byte costs an interrupt as well."""
    blocks_per_s = bytes_per_s / (spec.block.space - frame_bytes(spec.frame, 0, 1))
    cycles = bytes_per_s * machine.costs.receive_cycles + blocks_per_s * machine.costs.write_cycles
    return Use(
        blocks_per_s,
        blocks_per_s * spec.block.space,
        blocks_per_s * machine.cycle_ms / 1000.0,
        cycles / machine.clock_hz,
    )
