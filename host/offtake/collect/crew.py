"""Who does the work: processes of this computer, or a Dask cluster."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Protocol, TypeVar

from offtake.errors import InputOutputError, OfftakeError
from offtake.workers import WorkerLostError, ordered_map

Item = TypeVar("Item")
Result = TypeVar("Result")
Lost = Callable[[str], Result]
"""Makes the result of an item over which a worker died, for the reason given."""
Check = Callable[[], str]
"""Says, where a worker runs, why it cannot do the work; empty when it can."""

CONNECT_S = 10.0
WORKERS_WAIT_S = 30.0


class Crew(Protocol):
    """Does items of work, each by itself."""

    def results(
        self, function: Callable[[Item], Result], items: Sequence[Item], lost: Lost[Result]
    ) -> Iterator[tuple[Item, Result]]:
        """Yields each item with its result as they come. What ``function`` raises is raised."""


class LocalCrew:
    """So many processes of this computer; with one, the work is done in this process."""

    def __init__(self, workers: int) -> None:
        self._workers = workers

    @property
    def is_here(self) -> bool:
        """Whether the work is done in this process."""
        return self._workers <= 1

    def results(
        self, function: Callable[[Item], Result], items: Sequence[Item], lost: Lost[Result]
    ) -> Iterator[tuple[Item, Result]]:
        """In the items' order. When a process ends by itself, its item is lost; the others' are begun again."""
        left = list(items)
        while left:
            # All of them may be under way: a long one does not keep the others waiting, for results are small.
            found = ordered_map(function, left, min(self._workers, len(left)), ahead=len(left))
            done = 0
            try:
                for item, result in zip(left, found, strict=True):
                    done += 1
                    yield item, result
            except WorkerLostError as error:
                yield left[done], lost(error.what)
                done += 1
            left = left[done:]


class DaskCrew:
    """A Dask cluster; made by :func:`dask_crew`."""

    def __init__(self, client: Any) -> None:
        self._client = client

    def results(
        self, function: Callable[[Item], Result], items: Sequence[Item], lost: Lost[Result]
    ) -> Iterator[tuple[Item, Result]]:
        """As they end. The work of a worker that dies is given to another, a few times."""
        from distributed import as_completed
        from distributed.scheduler import KilledWorker

        item_of = {self._client.submit(function, item, pure=False): item for item in items}
        try:
            ended = as_completed(list(item_of), loop=self._client.loop)  # type: ignore[no-untyped-call]
            for future in ended:
                item = item_of[future]
                error = future.exception()
                if isinstance(error, KilledWorker):
                    yield item, lost("several workers died over it")
                elif error is not None:
                    raise error
                else:
                    yield item, future.result()
                future.release()
        finally:
            self._client.cancel(list(item_of))


@contextmanager
def dask_crew(address: str, check: Check) -> Iterator[DaskCrew]:
    """The workers of the scheduler at ``address``, all of which pass ``check``.

    :raises InputOutputError: no Dask here, no scheduler, no workers, or workers that cannot do the work.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise InputOutputError(
            "Dask is not installed here", where="--scheduler", expected="the Python package `distributed`"
        ) from error
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        reason = " ".join(str(error).split())[:200]
        raise InputOutputError(
            f"no scheduler answers ({reason})", where=address, expected="the address of a Dask scheduler that runs"
        ) from error
    with client:
        _require_workers(client, address)
        _require_able(client, address, check)
        yield DaskCrew(client)


def _require_workers(client: Any, address: str) -> None:
    end = time.monotonic() + WORKERS_WAIT_S
    while not client.scheduler_info()["workers"]:
        if time.monotonic() > end:
            raise InputOutputError("the cluster has no workers", where=address, expected="at least one worker")
        time.sleep(0.1)


def _require_able(client: Any, address: str, check: Check) -> None:
    try:
        told: dict[str, str] = client.run(check)
    except OfftakeError:
        raise
    except Exception as error:
        # Whatever it is: most likely a worker that has no Offtake.
        reason = f"{type(error).__name__}: {' '.join(str(error).split())[:200]}"
        raise InputOutputError(
            f"the workers cannot run the work ({reason})", where=address, expected="the same Offtake on all workers"
        ) from error
    for worker, trouble in sorted(told.items()):
        if trouble:
            raise InputOutputError(f"worker {worker}: {trouble}", where=address, expected="workers like this computer")
