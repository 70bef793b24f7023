"""Several files become visible together: an interrupt at any moment leaves all of them or none, and nothing else."""

from __future__ import annotations

import errno
import gc
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import FrameType
from typing import Any

import pytest
from offtake.errors import InputOutputError, UsageError
from offtake.export import aside
from offtake.export.aside import Together, write_aside

NAMES = ("a", "b")
OLD = {name: f"old {name}".encode() for name in NAMES}
NEW = {name: f"new {name}".encode() for name in NAMES}


def write(folder: Path, replace: bool) -> None:
    with Together(replace=replace) as files:
        for name in NAMES:
            with write_aside(folder / name, among=files) as handle:
                handle.write(NEW[name])


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


class Interrupt:
    """Raises KeyboardInterrupt where a signal could be noticed: when the module calls something the given time."""

    def __init__(self, at: int) -> None:
        self.left = at

    def __call__(self, frame: FrameType, event: str, _: Any) -> Interrupt | None:
        if frame.f_code.co_filename != aside.__file__:
            return None
        if event in ("call", "line", "return"):
            self.left -= 1
            if self.left == 0:
                raise KeyboardInterrupt
        return self


def no_links(*_: object, **__: object) -> None:
    raise PermissionError(errno.EPERM, "Operation not permitted")


def interrupted(at: int, action: Callable[[], None]) -> bool:
    """Whether the interrupt came before the action was done."""
    before = sys.gettrace()
    sys.settrace(Interrupt(at))
    try:
        action()
    except KeyboardInterrupt:
        return True
    finally:
        sys.settrace(before)
    return False


@pytest.mark.parametrize("older", [(), ("b",), NAMES])
@pytest.mark.parametrize("links", [True, False])
def test_an_interrupt_at_any_line_leaves_all_or_nothing(
    older: tuple[str, ...], links: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    before = {name: OLD[name] for name in older}
    outcomes = set()
    for at in range(1, 5000):
        folder = tmp_path / str(at)
        folder.mkdir()
        for name, data in before.items():
            (folder / name).write_bytes(data)
        came = interrupted(at, lambda folder=folder: write(folder, replace=bool(older)))  # type: ignore[misc]
        if contents(folder) not in (before, NEW):
            # What an interrupt of the tidying itself leaves goes with the object.
            gc.collect()
        found = contents(folder)
        assert found in (before, NEW), at
        outcomes.add((came, found == NEW))
        if not came:
            break
    assert {(True, False), (False, True)} <= outcomes


class Twice:
    """Raises KeyboardInterrupt at two of the moments before and after each call to the file system."""

    def __init__(self, patch: pytest.MonkeyPatch, moments: tuple[int, ...]) -> None:
        self.moments = moments
        self.now = 0
        for module, name in ((os, "link"), (os, "replace"), (os, "rename"), (os, "unlink"), (os.path, "lexists")):
            patch.setattr(module, name, self.around(getattr(module, name)))

    def around(self, call: Callable[..., Any]) -> Callable[..., Any]:
        def called(*given: Any, **named: Any) -> Any:
            self.moment()
            result = call(*given, **named)
            self.moment()
            return result

        return called

    def moment(self) -> None:
        self.now += 1
        if self.now in self.moments:
            raise KeyboardInterrupt


@pytest.mark.parametrize("older", [("b",), NAMES])
@pytest.mark.parametrize("links", [True, False])
def test_a_second_interrupt_while_tidying_up_leaves_all_or_nothing(
    older: tuple[str, ...], links: bool, tmp_path: Path
) -> None:
    before = {name: OLD[name] for name in older}
    folder = tmp_path / "out"
    folder.mkdir()

    def tried(*moments: int) -> bool:
        """Whether both came; all or nothing is left."""
        for path in folder.iterdir():
            path.unlink()
        for name, data in before.items():
            (folder / name).write_bytes(data)
        with pytest.MonkeyPatch.context() as patch:
            if not links:
                patch.setattr(os, "link", no_links)
            patch.setattr(os, "fsync", lambda _: None)
            twice = Twice(patch, moments)
            with suppress(KeyboardInterrupt):
                write(folder, replace=bool(older))
        if contents(folder) not in (before, NEW):
            # What an interrupt of the tidying itself leaves goes with the object.
            gc.collect()
        assert contents(folder) in (before, NEW), moments
        return twice.now >= max(moments)

    both = 0
    for first in range(1, 200):
        second = first + 1
        while tried(first, second):
            both += 1
            second += 3
        if not tried(first):
            break
    assert both > 50


@pytest.mark.parametrize("trouble", [KeyboardInterrupt(), OSError(errno.ENOSPC, "No space left on device")])
@pytest.mark.parametrize("links", [True, False])
def test_an_older_file_that_cannot_be_put_back_is_kept_and_named(
    trouble: BaseException, links: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in NAMES:
        (tmp_path / name).write_bytes(OLD[name])
    rename = os.replace

    def full(source: Path, target: Path) -> None:
        if Path(target).name == "b" and Path(source).suffix == ".part":
            raise trouble
        if Path(source).suffix == ".older":
            raise OSError(errno.EROFS, "Read-only file system")
        rename(source, target)

    monkeypatch.setattr(os, "replace", full)
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    with pytest.raises(InputOutputError, match="cannot put the older file back: Read-only file system") as raised:
        write(tmp_path, replace=True)
    gc.collect()
    found = contents(tmp_path)
    kept = {name: data for name, data in found.items() if name.endswith(".older")}
    assert sorted(kept.values()) == sorted(OLD.values())
    assert all(name in str(raised.value) for name in kept)
    assert {name: data for name, data in found.items() if name not in kept} == (
        {"a": NEW["a"], "b": OLD["b"]} if links else {"a": NEW["a"]}
    )


def test_a_file_in_the_way_of_the_last_takes_back_the_others(tmp_path: Path) -> None:
    def meanwhile() -> None:
        with Together() as files:
            for name in NAMES:
                with files.file(tmp_path / name) as handle:
                    handle.write(NEW[name])
            (tmp_path / "b").write_bytes(b"theirs")

    with pytest.raises(UsageError, match="b: exists already"):
        meanwhile()
    assert contents(tmp_path) == {"b": b"theirs"}


def test_older_files_come_back_when_one_cannot_be_put_in_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in NAMES:
        (tmp_path / name).write_bytes(OLD[name])
    rename = os.replace

    def full(source: Path, target: Path) -> None:
        if Path(target).name == "b" and Path(source).suffix == ".part":
            raise OSError(errno.ENOSPC, "No space left on device")
        rename(source, target)

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(InputOutputError, match="b: cannot write: No space left on device"):
        write(tmp_path, replace=True)
    assert contents(tmp_path) == OLD


def test_one_name_twice_is_refused(tmp_path: Path) -> None:
    def twice() -> None:
        with Together(replace=True) as files:
            for data in (b"1", b"2"):
                with files.file(tmp_path / "a") as handle:
                    handle.write(data)

    with pytest.raises(UsageError, match="a: exists already"):
        twice()
    assert contents(tmp_path) == {}
