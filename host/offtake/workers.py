"""Work spread over processes, its results in order: a bounded number of pieces at once, and nothing left behind.

Each process is a fresh Python, never a fork: that would copy the locks of Arrow's threads and of the program's own.
"""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import threading
import traceback
import weakref
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, Pipe
from typing import Any, Generic, TypeVar

from offtake.errors import InputOutputError

Item = TypeVar("Item")
Result = TypeVar("Result")


class WorkerLostError(InputOutputError):
    """A process ended by itself, as when the computer runs out of memory; what it was at is not done."""


def ordered_map(
    function: Callable[[Item], Result], items: Iterable[Item], workers: int, ahead: int | None = None
) -> Iterator[Result]:
    """``function`` of each item, in the items' order, worked out by so many processes.

    With one worker everything happens in this process, piece by piece. ``ahead`` (default: two for each worker) is how
    many items may be taken before the result of the first of them has been handed over: it bounds the memory. The
    function must be importable (no lambda, nothing local), items and results must be picklable; items are taken from
    this thread alone. Whatever the function raises is raised here, with its own type and attributes, in its item's
    place. Ending the iteration early, by an error, an interrupt or ``close()``, kills the processes at once.

    :raises WorkerLostError: a process ended by itself.
    """
    if workers <= 1:
        yield from map(function, items)
        return
    yield from _spread(function, items, workers, ahead or 2 * workers)


def _spread(function: Callable[[Item], Result], items: Iterable[Item], workers: int, ahead: int) -> Iterator[Result]:
    crew = _Crew[Item, Result](function, workers)
    try:
        source = iter(items)
        while True:
            more = crew.waiting < max(ahead, workers)
            if more:
                try:
                    crew.put(next(source))
                    continue
                except StopIteration:
                    pass
            if not crew.waiting:
                return
            yield crew.take()
    finally:
        crew.kill()


@dataclass
class _Task(Generic[Item, Result]):
    """An item, and what became of it."""

    item: Item | None
    done: bool = False
    result: Result | None = None
    error: BaseException | None = None


@dataclass
class _Desk(Generic[Item, Result]):
    """What the threads share: ``order`` are the tasks not yet handed over, ``queue`` those that nobody took yet."""

    changed: threading.Condition = field(default_factory=threading.Condition)
    order: deque[_Task[Item, Result]] = field(default_factory=deque)
    queue: deque[_Task[Item, Result]] = field(default_factory=deque)
    closed: bool = False


class _Crew(Generic[Item, Result]):
    """The processes, each with a thread here that hands it one item after the other."""

    def __init__(self, function: Callable[[Item], Result], workers: int) -> None:
        # Here, so that a function that cannot be sent is the caller's error and not a thread's.
        self._function = pickle.dumps(function)
        self._workers = workers
        self._desk = _Desk[Item, Result]()
        self._processes: list[subprocess.Popen[bytes]] = []
        self._threads: list[threading.Thread] = []
        # Nothing is ever written to it: its end tells the workers that this process is gone, however it went.
        self._life, life = os.pipe()
        # Also when the program ends while somebody still holds a half-used iteration.
        self._end = weakref.finalize(self, _end, self._processes, (self._life, life))

    @property
    def waiting(self) -> int:
        """Items put in whose results were not yet taken."""
        return len(self._desk.order)

    def put(self, item: Item) -> None:
        """Hand in an item. Each of the first ones starts a process."""
        task = _Task[Item, Result](item)
        with self._desk.changed:
            self._desk.order.append(task)
            self._desk.queue.append(task)
            self._desk.changed.notify_all()
        if len(self._processes) < self._workers:
            self._start()

    def take(self) -> Result:
        """The result of the oldest item; waits for it."""
        desk = self._desk
        with desk.changed:
            while not desk.order[0].done:
                desk.changed.wait()
            task = desk.order.popleft()
        if task.error is not None:
            raise task.error
        return task.result  # type: ignore[return-value]

    def _start(self) -> None:
        ours, theirs = Pipe()
        with theirs:
            files = (theirs.fileno(), self._life)
            code = f"import sys; sys.path[:] = {sys.path!r}; from offtake.workers import work; work{files!r}"
            # A group of its own: Ctrl-C reaches the parent alone, which decides what it means.
            process = subprocess.Popen(
                [sys.executable, "-c", code], stdin=subprocess.DEVNULL, pass_fds=files, process_group=0
            )
        self._processes.append(process)
        thread = threading.Thread(target=self._serve, args=(ours, process), daemon=True)
        thread.start()
        self._threads.append(thread)

    def _serve(self, pipe: Connection, process: subprocess.Popen[bytes]) -> None:
        """Give a process one item after the other, until the crew is dismissed."""
        desk = self._desk
        with pipe:
            with suppress(OSError):
                pipe.send_bytes(self._function)
            while True:
                with desk.changed:
                    while not desk.queue and not desk.closed:
                        desk.changed.wait()
                    if desk.closed:
                        return
                    task = desk.queue.popleft()
                result, error = _asked(pipe, process, task.item)
                with desk.changed:
                    task.item, task.result, task.error, task.done = None, result, error, True
                    desk.changed.notify_all()
                # Else the last result would live here until the next one comes.
                del task, result, error

    def kill(self) -> None:
        """End all processes at once and wait until they are gone."""
        with self._desk.changed:
            self._desk.closed = True
            self._desk.changed.notify_all()
        self._end()
        # Their pipes are broken now, so none of the threads waits any longer.
        for thread in self._threads:
            thread.join()


def _end(processes: list[subprocess.Popen[bytes]], files: tuple[int, ...]) -> None:
    for process in processes:
        process.kill()
    for process in processes:
        process.wait()
    for file in files:
        os.close(file)


def _asked(pipe: Connection, process: subprocess.Popen[bytes], item: Any) -> tuple[Any, BaseException | None]:
    """A process's answer to an item: a result, or an error."""
    try:
        pipe.send(item)
        good, answer = pipe.recv()
    except (EOFError, OSError):
        what = f"a worker process ended by itself ({_ending(process.wait())})"
        return None, WorkerLostError(what, expected="enough memory, and time to end")
    except Exception as error:  # An item that cannot be pickled.
        return None, error
    return (answer, None) if good else (None, _restored(*answer))


def _ending(code: int) -> str:
    if code < 0:
        return f"signal {signal.Signals(-code).name}"
    return f"exit code {code}"


# In the worker


def work(descriptor: int, life: int) -> None:
    """What a worker process does: answer items until its pipe, the open file ``descriptor``, is closed; end at once,
    whatever it is at, when the other end of ``life`` is."""
    threading.Thread(target=_watch, args=(life,), daemon=True).start()
    with suppress(EOFError, OSError), Connection(descriptor) as pipe:
        function, wrong = _function(pipe)
        if "numpy" in sys.modules:
            from offtake.memory import keep_freed_memory

            keep_freed_memory()
        while True:
            item = pipe.recv()
            try:
                answer = wrong or (True, function(item))
            except BaseException as error:
                answer = False, _told(error)
            del item
            _send(pipe, answer)
            del answer


def _watch(life: int) -> None:
    os.read(life, 1)
    os._exit(1)


def _function(pipe: Connection) -> tuple[Callable[[Any], Any], tuple[bool, Any] | None]:
    """What to do with items, or why that cannot be known: the module may not be found here."""
    try:
        return pickle.loads(pipe.recv_bytes()), None
    except (ImportError, AttributeError) as error:
        return repr, (False, _told(error))


def _send(pipe: Connection, answer: tuple[bool, Any]) -> None:
    try:
        pipe.send(answer)
    except (pickle.PicklingError, TypeError, AttributeError) as error:
        pipe.send((False, _told(error)))


def _told(error: BaseException) -> tuple[type[BaseException], tuple[Any, ...], dict[str, Any], str]:
    """An error in pieces: making one again by its arguments alone would lose what ours say about the place."""
    pieces = (type(error), error.args, dict(error.__dict__), "".join(traceback.format_exception(error)))
    try:
        pickle.dumps(pieces)
    except Exception:
        return RuntimeError, (f"{type(error).__name__}: {error}",), {}, pieces[3]
    return pieces


def _restored(
    kind: type[BaseException], arguments: tuple[Any, ...], attributes: dict[str, Any], trace: str
) -> BaseException:
    error = kind.__new__(kind)
    error.args = arguments
    error.__dict__.update(attributes)
    error.add_note(f"in a worker process:\n{trace}")
    return error
