"""The desk against the real firmware on the bench, over a real terminal: what the logger of Python only stands for."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from fake_logger import make_journal
from offtake.bench.board import Bench
from offtake.bench.desk import Adapter, DeskServer
from offtake.bench.figures import Reset
from offtake.card import locate_in_image, make_card_image, prepare_in_image
from offtake.errors import InputOutputError
from offtake.firmware_build import build, toolchain_missing
from offtake.generated.records import BLOCK_SIZE, CardState
from offtake.link import RunSeen, list_runs, open_desk, pull_from_desk
from offtake.link.refusals import RefusedError
from test_link_desk import JOURNAL_ID, header

BLOCKS = 300

pytestmark = pytest.mark.skipif(
    bool(toolchain_missing()) or shutil.which("avr-gcc") is None, reason="there is no AVR toolchain"
)


@pytest.fixture(scope="module")
def firmware() -> Path:
    return build("atmega328p_16mhz")


@pytest.fixture(scope="module")
def empty_card(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, int]:
    """A card image with a journal on it, and the byte the journal begins at."""
    image = tmp_path_factory.mktemp("card") / "card.img"
    make_card_image(image, 16, fat=16)
    prepare_in_image(image, header(BLOCKS), BLOCKS)
    (extent,) = locate_in_image(image).extents
    return image.read_bytes(), extent.first_sector * BLOCK_SIZE


Card = tuple[bytearray, int]


def card_with(empty: tuple[bytes, int], journal: bytearray) -> Card:
    image = bytearray(empty[0])
    image[empty[1] : empty[1] + len(journal)] = journal
    return image, empty[1]


@contextmanager
def at_the_desk(firmware: Path, card: Card, adapter: Adapter | None = None) -> Iterator[DeskServer]:
    with Bench(firmware, image=card[0]) as bench:
        bench.reset(Reset.EXTERNAL)
        with DeskServer(bench, adapter) as server:
            yield server
            with server.held():
                assert bench.passive.rx_untouched


def test_describe_runs_pull(firmware: Path, empty_card: tuple[bytes, int], tmp_path: Path) -> None:
    journal = make_journal(header(BLOCKS), BLOCKS, [40, 1, 100], journal_id=JOURNAL_ID)
    journal[77 * BLOCK_SIZE + 99] ^= 1
    with (
        at_the_desk(firmware, card_with(empty_card, journal)) as server,
        open_desk(server.port) as desk,
    ):
        found = desk.describe()
        assert (found.card_state, found.journal_id, found.journal_blocks) == (CardState.READY, JOURNAL_ID, BLOCKS)
        assert (found.next_block, found.last_run) == (142, 3)
        assert list_runs(desk) == [RunSeen(1, 1, 40), RunSeen(2, 41, 41), RunSeen(3, 42, 141)]
        result = pull_from_desk(desk, tmp_path / "a.jnl")
        assert desk.baud == 1_000_000
    assert (tmp_path / "a.jnl").read_bytes() == journal[: 142 * BLOCK_SIZE]
    assert [f.position for f in result.not_intact] == [77]


def test_a_wrapped_journal(firmware: Path, empty_card: tuple[bytes, int], tmp_path: Path) -> None:
    journal = make_journal(header(BLOCKS), BLOCKS, [200, 210], journal_id=JOURNAL_ID)
    with (
        at_the_desk(firmware, card_with(empty_card, journal)) as server,
        open_desk(server.port) as desk,
    ):
        assert list_runs(desk) == [RunSeen(1, 112, 200), RunSeen(2, 201, 410)]
        pull_from_desk(desk, tmp_path / "a.jnl")
    assert (tmp_path / "a.jnl").read_bytes() == journal


@pytest.mark.parametrize(("rate", "blocks"), [(0.0005, 60), (0.02, 2)])
def test_a_noisy_line(
    firmware: Path, empty_card: tuple[bytes, int], tmp_path: Path, rate: float, blocks: int
) -> None:
    journal = make_journal(header(BLOCKS), BLOCKS, [blocks], journal_id=JOURNAL_ID)
    with (
        at_the_desk(firmware, card_with(empty_card, journal), Adapter(error_rate=rate, seed=4)) as server,
        open_desk(server.port) as desk,
    ):
        result = pull_from_desk(desk, tmp_path / "a.jnl", baud=115_200)
    assert (tmp_path / "a.jnl").read_bytes() == journal[: (1 + blocks) * BLOCK_SIZE]
    assert result.asked_again > 0


def test_a_port_that_vanishes_then_goes_on(firmware: Path, empty_card: tuple[bytes, int], tmp_path: Path) -> None:
    journal = make_journal(header(BLOCKS), BLOCKS, [150], journal_id=JOURNAL_ID)
    card = card_with(empty_card, journal)
    with (
        at_the_desk(firmware, card, Adapter(vanish_after_bytes=40_000)) as server,
        pytest.raises(InputOutputError, match="vanished"),
        open_desk(server.port) as desk,
    ):
        pull_from_desk(desk, tmp_path / "a.jnl")
    assert not (tmp_path / "a.jnl").exists()
    with at_the_desk(firmware, card) as server, open_desk(server.port) as desk:
        result = pull_from_desk(desk, tmp_path / "a.jnl")
    assert result.resumed_bytes >= 32 * BLOCK_SIZE
    assert (tmp_path / "a.jnl").read_bytes() == journal[: 151 * BLOCK_SIZE]


def test_a_new_header_starts_a_new_journal(firmware: Path, empty_card: tuple[bytes, int], tmp_path: Path) -> None:
    card = card_with(empty_card, make_journal(header(BLOCKS), BLOCKS, [50], journal_id=JOURNAL_ID))
    with at_the_desk(firmware, card) as server, open_desk(server.port) as desk:
        with pytest.raises(RefusedError, match="header"):
            desk.write_header(header(BLOCKS + 1))
        assert desk.describe().next_block == 51
        assert desk.write_header(header(BLOCKS, 0x4242)) == 0x4242
        assert (desk.describe().next_block, desk.describe().last_run) == (1, 0)
        pull_from_desk(desk, tmp_path / "a.jnl")
        desk.leave()
    assert (tmp_path / "a.jnl").read_bytes() == header(BLOCKS, 0x4242)
    assert bytes(card[0][card[1] : card[1] + BLOCK_SIZE]) == header(BLOCKS, 0x4242)


def test_an_empty_socket_says_so(firmware: Path) -> None:
    with Bench(firmware) as bench:
        bench.reset(Reset.EXTERNAL)
        with DeskServer(bench) as server, open_desk(server.port) as desk:
            assert desk.describe().card_state == CardState.NO_CARD
