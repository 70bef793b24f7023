"""Power fails while a boot loader writes a page: the page is torn, the loader is not, and flashing again works.

And what the boot loaders do at every start, which decides what a board does in the field.
"""

from __future__ import annotations

from pathlib import Path

import boot_loaders
import numpy as np
import pytest
from loader_host import PAGE_BYTES, LoaderHost
from offtake.bench.board import Bench, Board
from offtake.bench.boot import load_boot_loader
from offtake.bench.cuts import Cut
from offtake.bench.figures import Reset
from offtake.bench.firmware import Firmware
from offtake.errors import DamageError
from offtake.generated.records import GreetPacket
from offtake.link.packets import encode_packet

PAGES = 6
CUTS = 12
IMAGE = np.random.default_rng(2026).integers(0, 256, PAGES * PAGE_BYTES, dtype=np.uint8).tobytes()
OLD = np.random.default_rng(2025).integers(0, 256, PAGES * PAGE_BYTES, dtype=np.uint8).tobytes()


def _loaded(name: str, tmp_path: Path) -> boot_loaders.Loaded:
    return boot_loaders.fast(tmp_path) if name == "fast" else getattr(boot_loaders, name)()


def _bench(loaded: boot_loaders.Loaded, flash: bytes) -> Bench:
    return Bench(Firmware(flash), boot_loader=loaded.loader, board=Board(frequency_hz=loaded.frequency_hz))


def _cut_in_a_page(loaded: boot_loaders.Loaded, rng: np.random.Generator) -> tuple[bytes, int]:
    """Flash after a cut at a seeded moment of a seeded page's erasure or write, and that page's address."""
    steps_wanted, share = int(rng.integers(1, 2 * PAGES + 1)), rng.random()
    with _bench(loaded, OLD) as bench:
        host = LoaderHost(bench, loaded.baud)
        host.wake()
        for _ in host.write(IMAGE):
            pages = bench.pages
            if pages.busy_page >= 0 and len(bench.page_events) == steps_wanted:
                bench.run_until(bench.cycle + share * (pages.busy_done - bench.cycle))
                return bench.cut(Cut(seed=int(rng.integers(1, 2**31)))).flash, pages.busy_page
    raise AssertionError(f"step {steps_wanted} did not come")


@pytest.mark.parametrize("name", ["fast", "old_8mhz"])
def test_a_cut_tears_one_page_and_flashing_again_works(name: str, tmp_path: Path) -> None:
    loaded = _loaded(name, tmp_path)
    torn = 0
    for number in range(CUTS):
        flash, page = _cut_in_a_page(loaded, np.random.default_rng([7, number]))
        where = f"cut {number} of seed 7, page {page:#x}"
        assert flash[loaded.loader.start :] == loaded.loader.image, where
        assert flash[:page] == IMAGE[:page], where
        after = page + PAGE_BYTES
        assert flash[after : len(OLD)] == OLD[after:], where
        torn += flash[page:after] not in (OLD[page:after], IMAGE[page:after], b"\xff" * PAGE_BYTES)
        with _bench(loaded, flash) as again:
            host = LoaderHost(again, loaded.baud)
            host.wake()
            list(host.write(IMAGE))
            assert host.read(len(IMAGE)) == IMAGE, where
            assert again.flash == IMAGE.ljust(loaded.loader.start, b"\xff") + loaded.loader.image, where
    assert torn > CUTS // 2


# ---- what the loaders do at a start ----

LISTENS_MS = 0.03
"""From its first instruction until a loader listens."""
HALT = b"\xff\xcf"
"""An application that does nothing: rjmp to itself."""


def _ms_to_application(bench: Bench, limit_ms: float = 5_000.0) -> float:
    began = bench.cycle + bench.cycles(bench.board.startup_ms)
    while bench.pc != 0:
        assert bench.run_ms(1.0).ok
        assert bench.ms(bench.cycle - began) < limit_ms
    return bench.ms(bench.cycle - began)


@pytest.mark.parametrize(
    ("name", "reset", "ms"),
    [
        ("fast", Reset.POWER_ON, (0, 2)),
        ("fast", Reset.EXTERNAL, (1_000, 1_600)),
        ("old_16mhz", Reset.POWER_ON, (500, 2_500)),
        ("old_8mhz", Reset.POWER_ON, (500, 2_500)),
        ("old_8mhz", Reset.EXTERNAL, (500, 2_500)),
    ],
)
def test_how_long_a_loader_waits(name: str, reset: Reset, ms: tuple[float, float], tmp_path: Path) -> None:
    loaded = _loaded(name, tmp_path)
    with _bench(loaded, HALT) as bench:
        bench.reset(reset)
        took = _ms_to_application(bench)
        print(f"{name} after {reset.name}: {took:.0f} ms")
        assert ms[0] <= took <= ms[1]


@pytest.mark.parametrize(("name", "kept"), [("fast", 0), ("old_16mhz", 1), ("old_8mhz", 1)])
def test_what_a_loader_leaves_of_the_reset_flags_and_the_tap(name: str, kept: int, tmp_path: Path) -> None:
    loaded = _loaded(name, tmp_path)
    with _bench(loaded, HALT) as bench:
        _ms_to_application(bench)
        assert bench.read_data(0x54, 1)[0] == kept * Reset.POWER_ON
        # The old ones pull RX up and switch the transmitter on whenever power comes: the tap feels it.
        assert bench.passive.rx_untouched == (name == "fast")
        assert bool(bench.passive.txen_cycle) == (name != "fast")


@pytest.mark.parametrize(("name", "writes"), [("fast", 0), ("old_16mhz", 1), ("old_8mhz", 1)])
def test_an_old_loader_takes_the_tapped_line_for_commands_at_power_on(name: str, writes: int, tmp_path: Path) -> None:
    loaded = _loaded(name, tmp_path)
    with _bench(loaded, HALT) as bench:
        bench.run_ms(500)
        bench.host_send(b"d\x00\x80F" + bytes(PAGE_BYTES) + b" ", loaded.baud)
        bench.run_until(bench.line_end + bench.cycles(20))
        assert bench.pages.written == writes


def test_the_fast_loader_as_shipped_does_not_fit_its_section() -> None:
    shipped = boot_loaders.required(boot_loaders.FAST)
    with pytest.raises(DamageError, match="overlap at address 0x7FFE"):
        load_boot_loader(shipped)


@pytest.mark.parametrize("name", ["fast", "old_16mhz", "old_8mhz"])
def test_only_two_greetings_can_make_a_loader_erase(name: str, tmp_path: Path) -> None:
    # A loader that begins to listen in the middle of a greeting may hear the command to write a page (64) first, and
    # one of them erases before it has heard the command's end. Greetings 100 and 130 have that byte, so whoever calls
    # a board that may be in its loader has to count past them.
    loaded = _loaded(name, tmp_path)
    byte_ms = 10_000 / loaded.baud
    greetings = [encode_packet(GreetPacket(version=1), sequence) for sequence in range(256)]
    assert [sequence for sequence, packet in enumerate(greetings) if b"d" in packet] == [100, 130]
    erasing = set()
    with _bench(loaded, HALT) as bench:
        for sequence in (99, 100, 130):
            for half in range(2 * len(greetings[0])):
                erased = bench.pages.erased
                bench.reset(Reset.EXTERNAL)
                bench.host_forget()
                bench.run_ms(bench.board.startup_ms + LISTENS_MS - byte_ms * half / 2)
                for _ in range(10):
                    bench.host_send(greetings[sequence], loaded.baud)
                    bench.run_ms(50)
                if bench.pages.erased > erased:
                    erasing.add(sequence)
        assert bench.pages.written == 0
    assert erasing == ({100, 130} if name == "fast" else set())
