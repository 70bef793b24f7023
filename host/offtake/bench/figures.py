"""What a bench can tell about a run: counters, logs as NumPy record arrays, and the chip's cost."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

EVENTS = np.dtype([("cycle", "<u8"), ("kind", "<u4"), ("value", "<u4")])
"""Serial and pin events; ``kind`` and ``value`` depend on the log."""
WRITES = np.dtype(
    [
        ("accepted", "<u8"),
        ("durable", "<u8"),
        ("lba", "<u4"),
        ("ordinal", "<u4"),
        ("response", "<u4"),
        ("single", "<u4"),
        ("began", "<u8"),
    ]
)
"""Data blocks that reached the card: cycles of acceptance and of the end of busy, where, the answer, and the cycle at
which the data token had come in."""

FRAMING_ERROR = 1
OVERRUN = 2
ACCEPTED = 5


class Status(IntEnum):
    """How a run ended."""

    REACHED = 0
    STOPPED = 1
    CRASHED = 2
    ASLEEP_FOR_EVER = 3


class Reset(IntEnum):
    """Causes of a reset, as the bits of MCUSR."""

    POWER_ON = 1
    EXTERNAL = 2
    BROWN_OUT = 4
    WATCHDOG = 8


@dataclass(frozen=True)
class End:
    """The end of a run: why, at which cycle, and what the emulator said (empty for nothing)."""

    status: Status
    cycle: int
    message: str = ""

    @property
    def ok(self) -> bool:
        """Whether the chip is still alive and able to go on."""
        return self.status in (Status.REACHED, Status.STOPPED)


@dataclass(frozen=True)
class UartCounts:
    """Every byte of the line and every frame the receiver saw, exactly once.

    ``sent == framed + missed_off + missed_sync + unsettled`` (bytes of the line) and
    ``framed + spurious == read + overrun_lost + flushed + waiting + aborted + in_flight`` (frames).
    """

    cycle: int
    sent: int
    framed: int
    missed_off: int
    missed_sync: int
    unsettled: int
    spurious: int
    aborted: int
    in_flight: int
    read: int
    overrun_lost: int
    flushed: int
    waiting: int
    framing_errors: int
    empty_reads: int
    tx_bytes: int
    tx_dropped: int
    false_starts: int

    @property
    def balanced(self) -> bool:
        """Whether both identities hold."""
        bytes_ok = self.sent == self.framed + self.missed_off + self.missed_sync + self.unsettled
        kept = self.read + self.overrun_lost + self.flushed + self.waiting + self.aborted + self.in_flight
        return bytes_ok and self.framed + self.spurious == kept


@dataclass(frozen=True)
class Passive:
    """The first cycle at which the firmware did each thing that a tap must not do; 0 for never."""

    txen_cycle: int
    tx_output_cycle: int
    rx_output_cycle: int
    rx_pullup_cycle: int

    @property
    def rx_untouched(self) -> bool:
        """Whether the receive pin was never driven nor pulled up."""
        return self.rx_output_cycle == 0 and self.rx_pullup_cycle == 0

    @property
    def silent(self) -> bool:
        """Whether the transmit pin was left alone too."""
        return self.rx_untouched and self.txen_cycle == 0 and self.tx_output_cycle == 0


@dataclass(frozen=True)
class PageCounts:
    """What the chip did to its own flash since the bench was made.

    ``busy_page`` is the byte address of the page being erased or written, -1 for none, and ``busy_done`` the cycle at
    which that ends; ``ignored`` counts SPM instructions without effect; ``boot_touched`` the steps that began in the
    boot section.
    """

    erased: int
    written: int
    ignored: int
    boot_touched: int
    busy_page: int
    busy_done: int


@dataclass(frozen=True)
class CardCounts:
    """What the card saw. Clock rates are Hz, cycles are CPU cycles; see ``native/api.h`` for each field."""

    blocks_written: int
    blocks_refused: int
    blocks_read: int
    commands: int
    busy_violations: int
    crc7_wrong: int
    illegal: int
    early_cmd0: int
    unclocked: int
    max_init_hz: int
    max_hz: int
    init_done_cycle: int
    cmd0_count: int
    deselected_mid_block: int
    ready: int
    present: int
    in_flight: int
    receiving: int
    in_flight_lba: int
    crc_on: int


@dataclass(frozen=True)
class Interrupt:
    """One vector's cost in cycles, entry (4 cycles) and return included."""

    vector: int
    count: int
    worst: int
    mean: float


@dataclass(frozen=True)
class Cost:
    """What the firmware cost since the profile was last cleared (needs a bench made with ``profile=True``).

    ``stack_bytes`` is the deepest stack: the stack pointer was looked at after every instruction and
    interrupt entry. ``irq_off_worst`` is the longest stretch of cycles with interrupts off, handlers
    included, after they were first on; ``irq_off_pc`` is the byte address in flash where it began.
    ``sleep_modes`` has bit n set for SMCR mode n (0 is idle, the only one in which the receiver runs).
    """

    cycles_asleep: int
    irq_off_worst: int
    irq_off_worst_at: int
    irq_off_pc: int
    irq_off_at_start: int
    stack_bytes: int
    sleep_modes: int
    interrupts: dict[int, Interrupt]


RX_VECTOR = 18
UDRE_VECTOR = 19
TX_VECTOR = 20
