"""The emulated chip alone: made from a firmware image, run, reset and looked into."""

from __future__ import annotations

import re
import time
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from offtake.bench.boot import BootLoader, load_boot_loader
from offtake.bench.figures import EVENTS, Cost, End, Interrupt, PageCounts, Reset, Status
from offtake.bench.firmware import EEPROM_BYTES, RAM_END, Firmware, load_elf
from offtake.bench.native import load
from offtake.errors import UsageError

FLASH_WORDS = 16_384


@dataclass(frozen=True)
class Board:
    """The board's constants.

    ``startup_ms`` passes between a reset and the first instruction (65 ms with the usual slow-rise fuses:
    from memory); ``cs_pin`` is the bit of port B that selects the card; ``watch`` names pins whose levels
    are logged, such as ``("B1", "D5")``; ``reset_pc`` is the byte address at which the boot section and every
    reset begin, for a boot loader that is part of the firmware given; 0 for none.
    """

    frequency_hz: int = 16_000_000
    vcc_mv: int = 5_000
    bandgap_mv: int = 1_100
    startup_ms: float = 65.0
    cs_pin: int = 2
    watch: tuple[str, ...] = ()
    reset_pc: int = 0

    def watch_mask(self, port: str) -> int:
        """Bit mask of the watched pins of one port."""
        return sum(1 << int(name[1:]) for name in self.watch if name[:1] == port)


class Chip:
    """An ATmega328P with power on, before its first instruction; :class:`board.Bench` is the whole.

    ``firmware`` None is an erased chip. A ``boot_loader`` (an Intel HEX file) is laid over the firmware, and every
    reset then begins in it. Not for use by two threads at once.
    """

    def __init__(
        self,
        firmware: Firmware | str | Path | None,
        *,
        boot_loader: BootLoader | str | Path | None = None,
        board: Board | None = None,
        eeprom: bytes | None = None,
        seed: int = 1,
        profile: bool = False,
    ) -> None:
        self.board = board or Board()
        self.firmware = _firmware(firmware)
        loader = load_boot_loader(boot_loader) if isinstance(boot_loader, str | Path) else boot_loader
        if loader is not None:
            self.board = replace(self.board, reset_pc=loader.start)
        self._ffi, self._lib = load()
        self._profile = profile
        made = self._lib.bench_new(self._config(seed))
        if made == self._ffi.NULL:
            raise UsageError("the emulator does not know this chip")
        self._bench: Any = self._ffi.gc(made, self._lib.bench_free)
        self._lib.bench_load_flash(self._bench, self.firmware.flash, len(self.firmware.flash), 0)
        if loader is not None:
            self._lib.bench_load_flash(self._bench, loader.image, len(loader.image), loader.start)
        kept = eeprom if eeprom is not None else self.firmware.eeprom
        if kept is not None:
            self.eeprom = kept
        self._lib.bench_clear_profile(self._bench)
        self._lib.bench_reset(self._bench, int(Reset.POWER_ON), seed)

    def _config(self, seed: int) -> Any:
        b = self.board
        config = self._ffi.new("bench_config_t *")
        config.frequency_hz = b.frequency_hz
        config.vcc_mv = b.vcc_mv
        config.bandgap_mv = b.bandgap_mv
        config.startup_cycles = round(b.startup_ms * b.frequency_hz / 1000)
        config.reset_pc = b.reset_pc
        config.cs_pin = b.cs_pin
        config.profile = int(self._profile)
        config.watch_b, config.watch_c, config.watch_d = (b.watch_mask(p) for p in "BCD")
        config.sram_seed = seed
        return config

    # ---- life ----

    def close(self) -> None:
        """Frees the emulator; logs and counters cannot be read any more, the image can."""
        if self._bench is not None:
            self._ffi.release(self._bench)
            self._bench = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # ---- time ----

    @property
    def cycle(self) -> int:
        """CPU cycles since power came on (the start-up time of every reset included)."""
        return int(self._lib.bench_cycle(self._bench))

    def cycles(self, ms: float) -> int:
        """Milliseconds as CPU cycles."""
        return round(ms * self.board.frequency_hz / 1000)

    def ms(self, cycles: float) -> float:
        """CPU cycles as milliseconds."""
        return cycles * 1000.0 / self.board.frequency_hz

    # ---- running ----

    def run_until(self, cycle: float) -> End:
        """Runs up to the first instruction boundary at or after ``cycle``, or to a stop condition."""
        status = Status(self._lib.bench_run(self._bench, max(int(cycle), 0)))
        raw = self._ffi.string(self._lib.bench_message(self._bench)).decode(errors="replace")
        return End(status, self.cycle, re.sub(r"\x1b\[\d*m", "", raw).strip())

    def run_ms(self, ms: float) -> End:
        """Runs for ``ms`` milliseconds of chip time."""
        return self.run_until(self.cycle + self.cycles(ms))

    def run_until_sent(self, tx_bytes: int, *, limit_ms: float) -> End:
        """Runs until the chip has begun to send ``tx_bytes`` bytes in all, at most ``limit_ms`` from now."""
        return self._run_stopping(limit_ms, 0, tx_bytes, 0)

    def run_until_read(self, reads: int, *, limit_ms: float) -> End:
        """Runs until the firmware has taken ``reads`` bytes from the data register in all."""
        return self._run_stopping(limit_ms, 0, 0, reads)

    def _run_stopping(self, limit_ms: float, writes: int, tx: int, reads: int) -> End:
        self._lib.bench_stop_when(self._bench, writes, tx, reads)
        try:
            return self.run_ms(limit_ms)
        finally:
            self._lib.bench_stop_when(self._bench, 0, 0, 0)

    # ---- resets ----

    def reset(self, cause: Reset, *, seed: int = 1) -> None:
        """Resets the chip alone: the card stays powered, in the middle of whatever it was doing.

        ``Reset.POWER_ON`` restarts the card as well and refills RAM from ``seed``.
        """
        self._lib.bench_reset(self._bench, int(cause), seed)

    def set_vcc(self, vcc_mv: int) -> None:
        """Another supply voltage from now on, as the analogue converter sees it."""
        self._lib.bench_set_voltage(self._bench, vcc_mv)

    # ---- the chip ----

    @property
    def eeprom(self) -> bytes:
        """The chip's 1,024 bytes of EEPROM."""
        buffer = self._ffi.new(f"uint8_t[{EEPROM_BYTES}]")
        self._lib.bench_eeprom_get(self._bench, buffer)
        return bytes(buffer)

    @eeprom.setter
    def eeprom(self, content: bytes) -> None:
        if len(content) != EEPROM_BYTES:
            raise UsageError(f"{len(content)} bytes of EEPROM", expected=f"{EEPROM_BYTES} bytes")
        self._lib.bench_eeprom_set(self._bench, content)

    def read_data(self, address: int, size: int) -> bytes:
        """``size`` bytes of the chip's data space (registers, input/output registers, RAM).

        :raises UsageError: outside the data space.
        """
        buffer = self._ffi.new("uint8_t[]", size)
        if not self._lib.bench_read_data(self._bench, address, buffer, size):
            raise UsageError(f"{size} bytes at {address:#x}", expected=f"inside 0 to {RAM_END:#x}")
        return bytes(buffer)

    @property
    def pc(self) -> int:
        """Byte address of the next instruction."""
        return int(self._lib.bench_pc(self._bench))

    def symbol(self, name: str) -> bytes:
        """The bytes of a variable of the firmware's, as they are in RAM now.

        :raises UsageError: there is no such symbol.
        """
        found = self.firmware.symbols.get(name)
        if found is None:
            raise UsageError(f"the firmware has no symbol {name}")
        return self.read_data(found.address, found.size)

    def symbol_int(self, name: str) -> int:
        """The value of an unsigned variable of the firmware's."""
        return int.from_bytes(self.symbol(name), "little")

    @property
    def flash(self) -> bytes:
        """The chip's 32,768 bytes of flash."""
        size = FLASH_WORDS * 2
        buffer = self._ffi.new(f"uint8_t[{size}]")
        self._lib.bench_read_flash(self._bench, buffer, size, 0)
        return bytes(buffer)

    @property
    def pages(self) -> PageCounts:
        """What the chip did to its own flash."""
        return PageCounts(**self._stats("bench_pages_t *", self._lib.bench_get_pages))

    @property
    def page_events(self) -> NDArray[np.void]:
        """Every erasure (kind 1) and write (kind 2) of a page of flash: the cycle it began at, the page's address."""
        return self._log(self._lib.bench_page_events, EVENTS)

    # ---- cost ----

    @property
    def cost(self) -> Cost:
        """What the firmware cost since :meth:`clear_cost`.

        :raises UsageError: the bench was made without ``profile=True``.
        """
        if not self._profile:
            raise UsageError("no figures were kept", expected="a bench made with profile=True")
        p = self._ffi.new("bench_profile_t *")
        self._lib.bench_get_profile(self._bench, p)
        interrupts = {
            v: Interrupt(v, int(p.irq_count[v]), int(p.irq_max[v]), p.irq_total[v] / p.irq_count[v])
            for v in range(32)
            if p.irq_count[v]
        }
        return Cost(
            cycles_asleep=int(p.cycles_asleep),
            irq_off_worst=int(p.irq_off_max),
            irq_off_worst_at=int(p.irq_off_max_at),
            irq_off_pc=int(p.irq_off_pc),
            irq_off_at_start=int(p.irq_off_start),
            stack_bytes=RAM_END - int(p.sp_min),
            sleep_modes=int(p.sleep_modes),
            interrupts=interrupts,
        )

    def clear_cost(self) -> None:
        """Starts the cost figures afresh."""
        self._lib.bench_clear_profile(self._bench)

    @property
    def cycles_asleep(self) -> int:
        """Cycles spent asleep; counted without ``profile`` too."""
        p = self._ffi.new("bench_profile_t *")
        self._lib.bench_get_profile(self._bench, p)
        return int(p.cycles_asleep)

    @property
    def pc_cycles(self) -> NDArray[np.uint64]:
        """Cycles spent at each flash word, shape (16384,); only with ``profile=True``."""
        pointer = self._lib.bench_pc_cycles(self._bench)
        return np.frombuffer(self._ffi.buffer(pointer, FLASH_WORDS * 8), dtype=np.uint64).copy()

    # ---- inside ----

    def _stats(self, kind: str, call: Any) -> dict[str, int]:
        record = self._ffi.new(kind)
        call(self._bench, record)
        fields = self._ffi.typeof(kind).item.fields
        return {name: int(getattr(record, name)) for name, _ in fields}

    def _log(self, call: Any, dtype: np.dtype[np.void]) -> NDArray[np.void]:
        count = self._ffi.new("uint64_t *")
        pointer = call(self._bench, count)
        size = int(count[0])
        if size == 0:
            return np.zeros(0, dtype=dtype)
        return np.frombuffer(self._ffi.buffer(pointer, size * dtype.itemsize), dtype=dtype).copy()


def _firmware(given: Firmware | str | Path | None) -> Firmware:
    if given is None:
        return Firmware(b"")
    return given if isinstance(given, Firmware) else load_elf(given)


def real_time_ratio(chip: Chip, ms: float) -> float:
    """How many times faster than the real chip the bench runs the next ``ms`` milliseconds of chip time."""
    began = time.perf_counter()
    before = chip.cycle
    chip.run_ms(ms)
    return chip.ms(chip.cycle - before) / 1000.0 / (time.perf_counter() - began)
