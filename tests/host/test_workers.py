"""Work over processes: results in order, errors as they were raised, a bound on what is ahead, nothing left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from offtake.errors import DamageError, InputOutputError
from offtake.generated.records import Status
from offtake.journal.codec import JournalFormatError
from offtake.workers import ordered_map
from worker_functions import (
    NotSentError,
    die,
    fail_at_three,
    fail_unsendably,
    fail_with_a_place,
    give_a_lambda,
    leave,
    megabytes,
    process_of,
    sleep_in,
    square_slowly,
)


@pytest.mark.parametrize("workers", [1, 2, 3])
def test_results_come_in_order(workers: int) -> None:
    assert list(ordered_map(square_slowly, range(10), workers)) == [number * number for number in range(10)]
    assert list(ordered_map(square_slowly, [], workers)) == []


def test_one_worker_is_this_process_and_more_are_others() -> None:
    assert set(ordered_map(process_of, range(3), 1)) == {os.getpid()}
    others = set(ordered_map(process_of, range(8), 2))
    assert os.getpid() not in others
    assert 1 <= len(others) <= 2


def test_no_more_processes_than_items() -> None:
    assert len(set(ordered_map(process_of, [1], 4))) == 1


@pytest.mark.parametrize("workers", [1, 2])
def test_an_error_comes_in_its_place_with_its_type_and_attributes(workers: int) -> None:
    results = ordered_map(fail_at_three, range(10), workers)
    assert [next(results) for _ in range(3)] == [0, 1, 2]
    with pytest.raises(JournalFormatError, match=r"made\.jnl at byte 512") as caught:
        next(results)
    assert (caught.value.status, caught.value.offset) == (Status.BAD_MAGIC, 512)
    with pytest.raises(StopIteration):
        next(results)


def test_errors_keep_what_their_constructor_would_lose() -> None:
    with pytest.raises(DamageError) as caught:
        list(ordered_map(fail_with_a_place, range(3), 2))
    assert (caught.value.what, caught.value.where, caught.value.expected) == ("number 0", "here", "none")
    assert "fail_with_a_place" in "".join(caught.value.__notes__)


def test_what_cannot_be_sent_is_an_error_not_a_standstill() -> None:
    with pytest.raises(RuntimeError, match="NotSentError: a lock"):
        list(ordered_map(fail_unsendably, range(3), 2))
    with pytest.raises(NotSentError):
        list(ordered_map(fail_unsendably, range(3), 1))
    with pytest.raises(Exception, match="lambda"):
        list(ordered_map(give_a_lambda, range(3), 2))
    with pytest.raises(Exception, match="lambda"):
        list(ordered_map(lambda number: number, range(3), 2))
    with pytest.raises(Exception, match="lambda"):
        list(ordered_map(process_of, [lambda: None, 1], 2))  # type: ignore[list-item]


def test_a_process_that_ends_by_itself_is_told() -> None:
    with pytest.raises(InputOutputError, match=r"ended by itself \(signal SIGKILL\)"):
        list(ordered_map(die, range(4), 2))
    with pytest.raises(SystemExit):
        list(ordered_map(leave, range(4), 2))


def test_no_more_than_so_many_items_are_taken_ahead() -> None:
    taken: list[int] = []

    def items() -> Iterator[int]:
        for number in range(50):
            taken.append(number)
            yield number

    results = ordered_map(square_slowly, items(), 2, ahead=4)
    for done in range(10):
        next(results)
        assert len(taken) <= done + 4 + 1
        time.sleep(0.01)
    results.close()  # type: ignore[attr-defined]
    assert len(taken) <= 15


def test_an_error_of_the_items_is_raised_and_ends_the_processes() -> None:
    def items() -> Iterator[int]:
        yield from range(3)
        raise DamageError("no more items")

    others = _children()
    with pytest.raises(DamageError, match="no more items"):
        list(ordered_map(square_slowly, items(), 2))
    assert _children() == others


def test_large_results_pass() -> None:
    assert [len(one) for one in ordered_map(megabytes, [3, 1, 2], 2)] == [3 << 20, 1 << 20, 2 << 20]


def test_ending_early_kills_the_processes_at_once(tmp_path: Path) -> None:
    began = time.monotonic()
    others = _children()
    results = ordered_map(sleep_in, [str(tmp_path)] * 4, 2)
    with pytest.raises(TimeoutError), _Alarm(tmp_path):
        next(results)
    assert time.monotonic() - began < 20.0
    assert len(list(tmp_path.iterdir())) == 2
    assert _children() == others


class _Alarm:
    """Raises TimeoutError in the main thread as soon as two workers sleep."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __enter__(self) -> None:
        signal.signal(signal.SIGALRM, self._look)
        signal.setitimer(signal.ITIMER_REAL, 0.1, 0.1)

    def __exit__(self, *_: object) -> None:
        signal.setitimer(signal.ITIMER_REAL, 0.0)

    def _look(self, *_: object) -> None:
        if len(list(self._folder.iterdir())) == 2:
            raise TimeoutError


_PROGRAM = """
import sys
from offtake.workers import ordered_map
from worker_functions import sleep_in
try:
    list(ordered_map(sleep_in, [sys.argv[1]] * 4, 2))
except KeyboardInterrupt:
    sys.exit(130)
"""


@pytest.mark.parametrize(("sent", "code"), [(signal.SIGINT, 130), (signal.SIGKILL, -signal.SIGKILL)])
def test_an_interrupted_program_leaves_no_process_behind(tmp_path: Path, sent: signal.Signals, code: int) -> None:
    folder = str(Path(__file__).parent)
    program = [sys.executable, "-c", _PROGRAM, str(tmp_path)]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([folder, *sys.path])}
    with subprocess.Popen(program, env=environment, stderr=subprocess.PIPE) as process:
        _wait_until(lambda: len(list(tmp_path.iterdir())) == 2)
        workers = [int(one.name) for one in tmp_path.iterdir()]
        process.send_signal(sent)
        _, told = process.communicate(timeout=20.0)
    assert process.returncode == code
    assert b"Traceback" not in told
    _wait_until(lambda: not any(map(_is_alive, workers)))


def test_a_program_that_forgets_an_iteration_leaves_no_process_behind(tmp_path: Path) -> None:
    code = (
        "import sys, os\nfrom offtake.workers import ordered_map\nfrom worker_functions import process_of\n"
        "results = ordered_map(process_of, range(9), 2)\nprint(next(results))"
    )
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *sys.path])}
    ran = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=30, check=True
    )
    assert not ran.stderr
    assert not _is_alive(int(ran.stdout))


def _is_alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] not in "ZX"
    except OSError:
        return False


def _children() -> list[str]:
    return [one for task in Path("/proc/self/task").iterdir() for one in (task / "children").read_text().split()]


def _wait_until(holds: Callable[[], bool]) -> None:
    until = time.monotonic() + 20.0
    while not holds():
        assert time.monotonic() < until
        time.sleep(0.02)
