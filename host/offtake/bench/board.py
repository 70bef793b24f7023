"""The simulated board: the real firmware image on an emulated chip, a serial line, a card, and power."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.bench.boot import BootLoader
from offtake.bench.cards import Card
from offtake.bench.chip import Board, Chip, real_time_ratio
from offtake.bench.cuts import Cut, CutReport, Recent, apply_cut
from offtake.bench.figures import EVENTS, WRITES, CardCounts, End, Passive, UartCounts
from offtake.bench.firmware import Firmware
from offtake.bench.line import BITS_PER_BYTE, Line, patterns
from offtake.bench.sensors import SensorCounts, World, connect
from offtake.errors import UsageError

__all__ = ["Bench", "Board", "real_time_ratio"]

SECTOR = 512
RECENT_BLOCKS = 64
FAULT_LISTS = ("write_errors", "crc_errors", "read_errors", "read_crc_errors", "silent_writes")


class Bench(Chip):
    """One board with power on, ready to run from its power-on reset.

    :param firmware: an AVR ELF file, or one already read; None for an erased chip.
    :param boot_loader: an Intel HEX file, or one already read, laid over the firmware: every reset begins in it.
    :param image: the card's content, a writable buffer of whole 512-byte sectors (bytearray, mmap, NumPy
        array). It is written in place and stays the caller's; None for an empty socket.
    :param eeprom: 1,024 bytes kept from an earlier bench; None for the firmware's own or an erased one.
    :param seed: for the content of RAM at power-on.
    :param profile: measure cost (one instruction at a time, slower by about half).
    :param sensors: what is connected to the sensors' pins; None for nothing.
    :raises UsageError: an image that is read-only or not whole sectors, an EEPROM of the wrong size, or a world that
        cannot be.
    :raises InputOutputError: the emulator's packages are missing, or the firmware cannot be read.

    Not for use by two threads at once. Same inputs give the same run, cycle for cycle.
    """

    def __init__(
        self,
        firmware: Firmware | str | Path | None,
        *,
        boot_loader: BootLoader | str | Path | None = None,
        image: Any | None = None,
        card: Card | None = None,
        line: Line | None = None,
        board: Board | None = None,
        eeprom: bytes | None = None,
        seed: int = 1,
        profile: bool = False,
        sensors: World | None = None,
    ) -> None:
        super().__init__(
            firmware, boot_loader=boot_loader, board=board, eeprom=eeprom, seed=seed, profile=profile
        )
        self._image: Any = None
        self._image_view: Any = None
        self.card: Card | None = None
        if image is not None:
            self.insert_card(image, card or Card())
        if line is not None:
            self.add_line(line)
        if sensors is not None:
            connect(self._ffi, self._lib, self._bench, sensors, self.board.frequency_hz)

    def close(self) -> None:
        """Frees the emulator; logs and counters cannot be read any more, the image can."""
        super().close()
        self._image_view = None

    def run_line(self, then_ms: float = 0.0) -> End:
        """Runs until the line has sent everything, and ``then_ms`` longer."""
        return self.run_until(max(self.line_end, self.cycle) + self.cycles(then_ms))

    def run_until_blocks(self, blocks: int, *, limit_ms: float) -> End:
        """Runs until the card has accepted ``blocks`` blocks in all, at most ``limit_ms`` from now."""
        return self._run_stopping(limit_ms, blocks, 0, 0)

    # ---- power ----

    def cut(self, cut: Cut) -> CutReport:
        """Cuts the power now: the cut's damage is done to the image, and the bench ends.

        What EEPROM and flash hold after the cut is in the report; a new bench on the same image starts again.
        """
        report = apply_cut(cut, self._image, self._recent(), self.eeprom, self._eeprom_busy(), self.cycle)
        self._lib.bench_page_cut(self._bench, cut.seed)
        report = replace(report, flash=self.flash)
        self.close()
        return report

    def _eeprom_busy(self) -> int:
        return int(self._lib.bench_eeprom_busy(self._bench))

    def _recent(self) -> list[Recent]:
        ffi = self._ffi
        lba, settled = ffi.new("uint32_t *"), ffi.new("uint32_t *")
        before, after = ffi.new(f"uint8_t[{SECTOR}]"), ffi.new(f"uint8_t[{SECTOR}]")
        found: list[Recent] = []
        for back in range(RECENT_BLOCKS):
            if not self._lib.bench_card_recent(self._bench, back, lba, before, after, settled):
                break
            found.append(Recent(int(lba[0]), bool(settled[0]), bytes(before), bytes(after)))
        return found

    # ---- the line ----

    def add_line(self, line: Line) -> None:
        """Puts a schedule on the wire; it has to begin after everything that is there already.

        :raises UsageError: it begins before the end of what is there.
        """
        self._lib.bench_line_invert(self._bench, int(line.inverted))
        self._append(self._lib.bench_line_noise, line.noise_start, line.noise_pattern, line.noise_bit)
        self._append(self._lib.bench_line_append, line.start, line.pattern, line.bit)

    def _append(self, call: Any, start: Any, pattern: Any, bit: Any) -> None:
        ffi = self._ffi
        arrays: list[NDArray[Any]] = [
            np.ascontiguousarray(start, dtype=np.float64),
            np.ascontiguousarray(pattern, dtype=np.uint16),
            np.ascontiguousarray(bit, dtype=np.float64),
        ]
        kinds = ("double *", "uint16_t *", "double *")
        pointers = [ffi.cast(kind, ffi.from_buffer(a)) for kind, a in zip(kinds, arrays, strict=True)]
        if call(self._bench, *pointers, len(arrays[0])) != 0:
            raise UsageError("the line's bytes are not in the order of time")

    def host_send(self, data: bytes, baud: float) -> None:
        """Puts ``data`` on the chip's RX wire at ``baud``, from now or from the end of what is there."""
        bit = self.board.frequency_hz / baud
        first = max(float(self._lib.bench_line_end(self._bench)), self.cycle + bit)
        start = first + np.arange(len(data), dtype=np.float64) * bit * BITS_PER_BYTE
        self._append(self._lib.bench_line_append, start, patterns(data), np.full(len(data), bit))

    def host_take(self, baud: float, room: int = 4096) -> bytes:
        """What an adapter listening to the chip's TX wire at ``baud`` has received since it was last asked.
        """
        buffer = self._ffi.new("uint8_t[]", room)
        self._lib.bench_desk_baud(self._bench, float(baud))
        return bytes(self._ffi.buffer(buffer, self._lib.bench_desk_take(self._bench, buffer, room)))

    def host_forget(self) -> None:
        """Drops what the chip has sent and no host has taken."""
        self._lib.bench_desk_flush(self._bench)

    @property
    def line_end(self) -> float:
        """Cycle at which everything on the RX wire has been sent."""
        return float(self._lib.bench_line_end(self._bench))

    @property
    def uart(self) -> UartCounts:
        """Every byte and frame, counted."""
        return UartCounts(**self._stats("bench_uart_stats_t *", self._lib.bench_uart_stats))

    @property
    def passive(self) -> Passive:
        """What the firmware did to the serial pins."""
        return Passive(**self._stats("bench_passive_t *", self._lib.bench_get_passive))

    @property
    def uart_events(self) -> NDArray[np.void]:
        """Framing errors (kind 1) and overruns (kind 2) with their cycle and the byte concerned."""
        return self._log(self._lib.bench_uart_events, EVENTS)

    @property
    def uart_reads(self) -> NDArray[np.void]:
        """Every byte the firmware took: cycle, ``kind`` (bit 0 framing error, bit 1 overrun before it),
        value.
        """
        return self._log(self._lib.bench_uart_reads, EVENTS)

    @property
    def uart_sent(self) -> NDArray[np.void]:
        """Every byte the chip sent: cycle of its start bit, value."""
        return self._log(self._lib.bench_uart_sent, EVENTS)

    @property
    def pin_events(self) -> NDArray[np.void]:
        """Changes of the watched pins: cycle, value = letter << 16 | pin << 8 | level."""
        return self._log(self._lib.bench_pin_events, EVENTS)

    # ---- the sensors ----

    @property
    def sensor_counts(self) -> SensorCounts:
        """What the firmware did to the sensors' pins and on their bus."""
        return SensorCounts(**self._stats("bench_sensor_stats_t *", self._lib.bench_get_sensors))

    @property
    def adc_samples(self) -> NDArray[np.void]:
        """Every conversion of the analogue converter: cycle at which its input was held, ``kind`` = channel, result."""
        return self._log(self._lib.bench_adc_samples, EVENTS)

    @property
    def captures(self) -> NDArray[np.void]:
        """Every capture of timer 1: cycle, ``kind`` (1 rising, 0 falling, 2 made by a change of ICES1), ICR1."""
        return self._log(self._lib.bench_captures, EVENTS)

    @property
    def conversions(self) -> NDArray[np.void]:
        """Every conversion of the pressure part: cycle of its start, ``kind`` = raw temperature, raw pressure."""
        return self._log(self._lib.bench_conversions, EVENTS)

    # ---- the card ----

    def insert_card(self, image: Any, card: Card) -> None:
        """Puts a card into the socket, powered and not yet initialised.

        :raises UsageError: the image is read-only or not whole sectors.
        """
        try:
            self._image_view = self._ffi.from_buffer(image, require_writable=True)
        except (BufferError, ValueError) as error:
            raise UsageError("the card's image is read-only", expected="a writable buffer") from error
        size = len(self._image_view)
        if size == 0 or size % SECTOR:
            raise UsageError(f"a card image of {size} bytes", expected=f"whole sectors of {SECTOR} bytes")
        self._image = image
        self.card = card
        ffi = self._ffi
        busy = card.busy_cycles(self.board.frequency_hz)
        self._lib.bench_card_busy_times(self._bench, ffi.cast("uint64_t *", ffi.from_buffer(busy)), len(busy))
        reads = card.read_cycles(self.board.frequency_hz)
        self._lib.bench_card_read_times(self._bench, ffi.cast("uint64_t *", ffi.from_buffer(reads)), len(reads))
        for kind, name in enumerate(FAULT_LISTS):
            ordinals = list(getattr(card, name))
            self._lib.bench_card_faults(self._bench, kind, ffi.new("uint64_t[]", ordinals), len(ordinals))
        pointer = ffi.cast("uint8_t *", self._image_view)
        self._lib.bench_card_insert(self._bench, self._card_config(card), pointer, size // SECTOR)

    def remove_card(self, cut: Cut | None = None) -> CutReport:
        """Pulls the card out now; ``cut`` says what that does to the block in flight (default: it is lost).
        """
        self._lib.bench_card_remove(self._bench)
        return apply_cut(cut or Cut(), self._image, self._recent(), self.eeprom, -1, self.cycle)

    def _card_config(self, card: Card) -> Any:
        config = self._ffi.new("bench_card_config_t *")
        config.high_capacity = int(card.high_capacity)
        config.version = card.version
        config.ncr_bytes = card.ncr_bytes
        config.accept_token = card.accept_token
        config.cmd0_ignored = card.cmd0_ignored
        config.garbage_bytes = card.garbage_bytes
        config.miso_low_before_init = int(card.miso_low_before_init)
        config.miso_floats = int(card.miso_floats)
        config.keeps_transfer = int(card.keeps_transfer)
        config.needs_74_clocks = int(card.needs_74_clocks)
        config.single_only = int(card.single_only)
        config.power_up_cycles = self.cycles(card.power_up_ms)
        config.acmd41_cycles = self.cycles(card.acmd41_ms)
        config.read_latency_cycles = self.cycles(card.read_latency_ms)
        config.stop_busy_cycles = self.cycles(card.stop_busy_ms)
        config.noise_seed = card.seed
        return config

    @property
    def card_counts(self) -> CardCounts:
        """What the card saw."""
        return CardCounts(**self._stats("bench_card_stats_t *", self._lib.bench_card_stats))

    @property
    def writes(self) -> NDArray[np.void]:
        """Every data block that reached the card, refused ones too; see :data:`figures.WRITES`."""
        self._stats("bench_card_stats_t *", self._lib.bench_card_stats)
        return self._log(self._lib.bench_card_writes, WRITES)

    def accepted_blocks(self) -> list[Recent]:
        """Every block the card has accepted since the bench was made, oldest first, with what it replaced.

        ``settled`` tells nothing here (see :attr:`writes` for the times); both lists agree in their order.
        """
        ffi = self._ffi
        found: list[Recent] = []
        lba = ffi.new("uint32_t *")
        before, after = ffi.new(f"uint8_t[{SECTOR}]"), ffi.new(f"uint8_t[{SECTOR}]")
        while self._lib.bench_card_block(self._bench, len(found), lba, before, after):
            found.append(Recent(int(lba[0]), True, bytes(before), bytes(after)))
        return found

    @property
    def commands(self) -> NDArray[np.void]:
        """Every command the card heard: cycle, ``kind`` = index (plus 64 for an application command),
        argument.
        """
        return self._log(self._lib.bench_card_commands, EVENTS)

    def bus_select(self, selected: bool) -> None:
        """Drives the card's select line from outside, for :class:`offtake.bench.bus.CardBus`."""
        self._lib.bench_bus_select(self._bench, int(selected))

    def bus_exchange(self, mosi: int, cycles: int) -> int:
        """One SPI byte from outside, which takes ``cycles``; the chip stands still."""
        return int(self._lib.bench_bus_exchange(self._bench, mosi, cycles))

    def bus_wait(self, cycles: int) -> None:
        """Lets ``cycles`` pass without a clock; the chip stands still."""
        self._lib.bench_bus_wait(self._bench, cycles)
