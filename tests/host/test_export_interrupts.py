"""An interrupt of an export at any moment leaves no file half written, none by another name, older ones untouched."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from measured_logs import TICKS_PER_S, Log, own_descriptions, rmc
from offtake.card import OpenedJournal
from offtake.export.aside import Together
from offtake.generated.records import Analogue
from offtake.jobs.export import FORMATS, export

STEM = "day"


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rng = random.Random(3)
    log = Log()
    for _ in range(2):
        log.run(own_descriptions())
        for second in range(1, 40):
            log.say(second, rmc(second, 30 + second / 100))
            log.put(Analogue.CODE, second * TICKS_PER_S + 9, Analogue(rng.randrange(5_000), 3).encode())
    path = tmp_path_factory.mktemp("interrupted") / "a.jnl"
    path.write_bytes(log.data())
    # Leaves the index, so that each export reads as much as the next.
    export(path, ["csv"], path.with_name("first"))
    return path


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


class Trip:
    """Raises KeyboardInterrupt when it is called for the given time."""

    def __init__(self, at: int) -> None:
        self.at = at
        self.calls = 0

    def __call__(self) -> None:
        self.calls += 1
        if self.calls == self.at:
            raise KeyboardInterrupt


def reading(patch: pytest.MonkeyPatch, trip: Trip) -> None:
    """While the journal is read."""
    one = OpenedJournal.read

    def read(opened: OpenedJournal, offset: int, length: int) -> bytes:
        trip()
        return one(opened, offset, length)

    patch.setattr(OpenedJournal, "read", read)


def opening(patch: pytest.MonkeyPatch, trip: Trip) -> None:
    """While a file is begun or has just been written."""
    one = Together.file

    def file(together: Together, path: Path) -> object:
        trip()
        return one(together, path)

    patch.setattr(Together, "file", file)


def placing(patch: pytest.MonkeyPatch, trip: Trip) -> None:
    """While the files are put in place, before and after each."""
    one = Together._put

    def put(together: Together, whole: object) -> None:
        trip()
        one(together, whole)  # type: ignore[arg-type]
        trip()

    patch.setattr(Together, "_put", put)


def moments(way: Callable[[pytest.MonkeyPatch, Trip], None], journal: Path, folder: Path) -> int:
    """How many times there are to interrupt."""
    trip = Trip(0)
    with pytest.MonkeyPatch.context() as patch:
        way(patch, trip)
        export(journal, FORMATS, folder / STEM, replace=True)
    return trip.calls


@pytest.mark.parametrize("way", [reading, opening, placing])
@pytest.mark.parametrize("older", [False, True])
def test_nothing_is_left_half_done(
    way: Callable[[pytest.MonkeyPatch, Trip], None], older: bool, journal: Path, tmp_path: Path
) -> None:
    (tmp_path / "tried").mkdir()
    count = moments(way, journal, tmp_path / "tried")
    assert count > 10
    names = sorted(path.name for path in (tmp_path / "tried").iterdir())
    folder = tmp_path / "out"
    folder.mkdir()
    before = {name: f"older {name}".encode() for name in names} if older else {}
    for name, data in before.items():
        (folder / name).write_bytes(data)
    for at in sorted(random.Random(9).sample(range(1, count + 1), min(count, 4))):
        with pytest.MonkeyPatch.context() as patch:
            way(patch, Trip(at))
            with pytest.raises(KeyboardInterrupt):
                export(journal, FORMATS, folder / STEM, replace=older)
        assert contents(folder) == before
    export(journal, FORMATS, folder / STEM, replace=older)
    assert sorted(contents(folder)) == names
    assert not older or all(contents(folder)[name] != data for name, data in before.items())
