"""The desk against a logger of Python: greeting, speeds, runs, header, refusals."""

from __future__ import annotations

import random

import pytest
from fake_logger import FakeLogger, Faults, MemoryPort, PtyLogger, make_journal
from offtake.errors import DamageError, InputOutputError, UsageError
from offtake.generated.records import BLOCK_SIZE, CardState, DescribePacket, JournalHeader, WhenFull
from offtake.journal.codec import encode_journal_header
from offtake.link.desk import Desk, Patience, checked_speed, open_desk
from offtake.link.port import SpeedRefusedError
from offtake.link.refusals import RefusedError, require_journal
from offtake.link.runs import RunSeen, list_runs

QUICK = Patience(greet_s=0.3, greet_every_s=0.002, answer_s=0.02, first_s=0.02, quiet_s=0.01)
JOURNAL_ID = 0x1234ABCD


def header(blocks: int, journal_id: int = JOURNAL_ID, when_full: WhenFull = WhenFull.STOP) -> bytes:
    return encode_journal_header(
        JournalHeader(
            when_full=when_full,
            journal_id=journal_id,
            blocks=blocks,
            baud=57_600,
            gap_bytes=4,
            close_ms=700,
            supply_s=10,
            created_utc_s=0,
            label="test",
        )
    )


def desk_on(journal: bytearray, faults: Faults | None = None, **more: object) -> tuple[Desk, FakeLogger]:
    logger = FakeLogger(journal, faults or Faults(), **more)  # type: ignore[arg-type]
    return Desk(MemoryPort(logger), QUICK), logger


def test_greet_goes_on_until_the_board_listens() -> None:
    desk, logger = desk_on(bytearray(header(8)), Faults(deaf_for=10))
    assert desk.greet().chunk_max == BLOCK_SIZE
    assert len(logger.asked) == 1


def test_no_greeting_holds_a_boot_loaders_command_to_write() -> None:
    """A board that is reset in the middle of one would erase its first page: 64 (hexadecimal) writes, 74 reads a
    page."""
    desk, logger = desk_on(bytearray(header(8)), Faults(deaf_for=10**9))
    desk.patience = Patience(1.5, 0.002, 0.02, 0.02, 0.01)
    sent: list[bytes] = []
    write = desk.port.write
    desk.port.write = lambda data: (sent.append(data), write(data))[1]  # type: ignore[method-assign]
    with pytest.raises(InputOutputError, match="no logger answers"):
        desk.greet()
    assert len(sent) > 110
    assert not any(0x64 in data for data in sent)
    assert not logger.asked


class SlowPort(MemoryPort):
    """A port that cannot go as fast as the logger can."""

    def set_baud(self, baud: int) -> None:
        if baud > 230_400:
            raise SpeedRefusedError(f"the port does not take {baud} baud", where="slow")
        super().set_baud(baud)


def test_a_port_that_refuses_the_fastest_speed_goes_on_calling_at_the_others() -> None:
    """It gave up once, while a board behind a slow boot loader was not listening yet."""
    logger = FakeLogger(bytearray(header(8)), Faults(deaf_for=200))
    desk = Desk(SlowPort(logger), Patience(3.0, 0.002, 0.02, 0.02, 0.01))
    assert desk.greet().chunk_max == BLOCK_SIZE
    assert desk.baud == 115_200


def test_nobody_there_is_an_input_output_error() -> None:
    desk, _ = desk_on(bytearray(header(8)), Faults(deaf_for=10**9))
    with pytest.raises(InputOutputError, match="no logger answers"):
        desk.greet()


def test_a_board_left_at_the_fastest_speed_is_found_there() -> None:
    desk, logger = desk_on(bytearray(header(8)))
    logger.baud = 1_000_000
    assert desk.greet().version == 1
    assert desk.baud == 1_000_000


def test_description_and_header() -> None:
    desk, logger = desk_on(make_journal(header(20), 20, [3, 4], journal_id=JOURNAL_ID))
    description = desk.describe()
    assert (description.journal_id, description.journal_blocks, description.next_block) == (JOURNAL_ID, 20, 8)
    assert description.last_run == 2
    assert desk.write_header(header(20, 0x55AA)) == 0x55AA
    assert logger.journal[:BLOCK_SIZE] == header(20, 0x55AA)
    with pytest.raises(RefusedError, match="header"):
        desk.write_header(header(21))
    desk.leave()
    assert logger.left


def test_a_read_past_the_end_is_refused() -> None:
    desk, _ = desk_on(make_journal(header(20), 20, [3], journal_id=JOURNAL_ID))
    with pytest.raises(RefusedError, match="past the end"):
        desk.read(20 * BLOCK_SIZE, BLOCK_SIZE, BLOCK_SIZE, lambda _offset, _data: None)


def test_an_answer_of_another_request_is_not_taken() -> None:
    desk, logger = desk_on(make_journal(header(20), 20, [9], journal_id=JOURNAL_ID), Faults(wrong_sequence_every=2))
    assert [desk.describe().next_block for _ in range(9)] == [10] * 9
    assert desk.re_asked > 0
    assert len([r for r in logger.asked if isinstance(r, DescribePacket)]) == 9 + desk.re_asked


def test_speed_up_and_back_when_the_line_does_not_carry_it() -> None:
    desk, logger = desk_on(make_journal(header(20), 20, [3], journal_id=JOURNAL_ID), Faults(dead_speeds=(1_000_000,)))
    assert desk.speed_up(500_000)
    assert (desk.baud, logger.baud) == (500_000, 500_000)
    desk, logger = desk_on(make_journal(header(20), 20, [3], journal_id=JOURNAL_ID), Faults(dead_speeds=(1_000_000,)))
    assert not desk.speed_up(1_000_000)
    assert (desk.baud, logger.baud) == (115_200, 115_200)
    assert desk.describe().next_block == 4


@pytest.mark.parametrize("baud", [1_200, 2_000_000])
def test_a_senseless_speed_is_a_usage_error(baud: int) -> None:
    with pytest.raises(UsageError):
        checked_speed(baud, 1_000_000)


@pytest.mark.parametrize(
    "state", [s for s in CardState if s not in (CardState.READY, CardState.FULL, CardState.DAMAGED)]
)
def test_a_card_without_a_journal_says_what_to_do(state: CardState) -> None:
    desk, _ = desk_on(bytearray(header(8)), state=state)
    with pytest.raises(DamageError) as caught:
        require_journal(desk.describe(), "port")
    assert caught.value.expected


def runs_of(blocks: int, runs: list[int], first_number: int, holes: set[int]) -> tuple[list[RunSeen], list[RunSeen]]:
    """What list_runs says, and the truth of the blocks that are left."""
    journal = make_journal(header(blocks), blocks, runs, journal_id=JOURNAL_ID, first_number=first_number)
    numbers = [(run + 1) for run, count in enumerate(runs) for _ in range(count)]
    last = first_number + len(numbers) - 1
    kept: dict[int, list[int]] = {}
    for number, run in enumerate(numbers, first_number):
        if number <= last - (blocks - 1):
            continue
        if number in holes:
            at = (1 + (number - 1) % (blocks - 1)) * BLOCK_SIZE
            journal[at + 40] ^= 0x10
            continue
        kept.setdefault(run, []).append(number)
    desk, _ = desk_on(journal)
    return list_runs(desk), [RunSeen(run, found[0], found[-1]) for run, found in kept.items()]


def test_runs_are_found_whole_and_wrapped_and_around_holes() -> None:
    rng = random.Random(11)
    for _ in range(60):
        blocks = rng.randrange(20, 90)
        runs = [rng.randrange(1, 12) for _ in range(rng.randrange(1, 14))]
        total = sum(runs)
        # Never so many in a row that a stretch is given up.
        holes = set(rng.sample(range(1, total + 1), min(rng.randrange(0, 4), total - 1))) - {total}
        # A wrapped journal's numbers end in the second lap only when it holds more blocks than fit.
        found, truth = runs_of(blocks, runs, 1, holes)
        assert found == truth


def test_an_empty_journal_has_no_runs() -> None:
    desk, _ = desk_on(make_journal(header(20), 20, [], journal_id=JOURNAL_ID))
    assert list_runs(desk) == []


class ChatteringPort(MemoryPort):
    """A port on which somebody else talks without a pause."""

    def read(self, timeout_s: float) -> bytes:
        return super().read(timeout_s) or b"$GPGGA,this is no logger\r\n"


def test_a_line_full_of_talk_does_not_keep_us_for_ever() -> None:
    logger = FakeLogger(make_journal(header(20), 20, [3], journal_id=JOURNAL_ID), Faults(deaf_for=10**9))
    desk = Desk(ChatteringPort(logger), Patience(0.1, 0.01, 0.02, 0.02, 0.01, tries=2))
    with pytest.raises(InputOutputError, match="no logger answers"):
        desk.greet()
    assert not desk.read(0, 1024, 512, lambda *_: None)


def test_through_pyserial_and_a_terminal() -> None:
    logger = FakeLogger(make_journal(header(40), 40, [5, 6], journal_id=JOURNAL_ID))
    with PtyLogger(logger) as server, open_desk(server.port) as desk:
        assert desk.speed_up(1_000_000)
        assert list_runs(desk) == [RunSeen(1, 1, 5), RunSeen(2, 6, 11)]


def test_a_port_that_is_not_there() -> None:
    with pytest.raises(InputOutputError, match="cannot open the port"):
        open_desk("/dev/there-is-no-such-port")
