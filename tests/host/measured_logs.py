"""Journals with measurements for tests: what a logger of any spec would write, frame by frame."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache, reduce
from operator import xor
from pathlib import Path
from types import ModuleType

from journal_maker import Maker, run_start
from offtake.codegen.description import descriptions
from offtake.codegen.python_records import render
from offtake.generated.records import BLOCK_SPACE, Description, Raw, RunStart
from offtake.journal.codec import encode_frame
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.source import BytesSource
from offtake.spec.load import find_spec_folder, load_spec
from offtake.spec.model import Spec

TICKS_PER_S = 250_000


@dataclass
class Log:
    """A journal that is filled frame by frame; ``maker`` holds its blocks."""

    maker: Maker = field(default_factory=lambda: Maker(2000))
    _frames: list[tuple[int, int, bytes]] = field(default_factory=list)
    _open: int = 0
    _size: int = 0

    def run(self, described: Iterable[bytes] = (), start: RunStart | None = None) -> Log:
        """Begin a run, whose messages are ``described`` by these payloads."""
        self.close()
        self.maker.run += 1
        self.put(RunStart.CODE, 0, (start or run_start()).encode())
        for payload in described:
            self.put(Description.CODE, 0, payload)
        return self

    def put(self, code: int, tick: int, payload: bytes) -> Log:
        """Add a frame of message ``code`` at ``tick``, in the block that is open or a new one."""
        size = len(encode_frame(code, 2**32 - 1, payload, 1, 1))
        if self._size + size > BLOCK_SPACE or (self._frames and tick < self._open):
            self.close()
        if not self._frames:
            self._open = tick
        self._frames.append((code, tick - self._open, payload))
        self._size += size
        return self

    def say(self, second: int, body: str) -> Log:
        """Add a sentence of the receiver at a whole second."""
        check = reduce(xor, body.encode(), 0)
        return self.put(Raw.CODE, second * TICKS_PER_S, f"${body}*{check:02X}\r\n".encode())

    def close(self) -> None:
        """Write the open block."""
        if self._frames:
            self.maker.block(self._open, self._frames)
        self._frames, self._size = [], 0

    def data(self) -> bytes:
        """The journal as a pull takes it."""
        self.close()
        return self.maker.used()

    def salvage(self) -> Salvage:
        """The journal, salvaged."""
        return salvage(BytesSource(self.data()))


def rmc(second: int, latitude_min: float = 30.0) -> str:
    """A dated fix at 12:00 and so many seconds on 2024-05-01, on the meridian of 2 degrees 30.25 minutes west."""
    time = f"12{second // 60:02d}{second % 60:02d}.00"
    return f"GNRMC,{time},A,01{latitude_min:08.5f},N,00230.25000,W,9.72,0.0,010524,,,A"


@cache
def own_descriptions() -> tuple[bytes, ...]:
    """The payloads with which this version's logger describes its messages."""
    return tuple(descriptions(load_spec(find_spec_folder())))


def spec_with(folder: Path, added: str) -> Spec:
    """A copy in ``folder`` of this version's spec, with ``added`` at the end of messages.toml."""
    own = find_spec_folder()
    for path in (*own.glob("*.toml"), *own.glob("boards/*.toml"), *own.glob("*.lock")):
        target = folder / path.relative_to(own)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(path.read_bytes())
    with (folder / "messages.toml").open("a", encoding="utf-8") as file:
        file.write(added)
    return load_spec(folder)


def records_of(spec: Spec, name: str) -> ModuleType:
    """The Python generated from ``spec``, as a module of its own."""
    module = ModuleType(name)
    # Dataclasses look their module up.
    sys.modules[name] = module
    try:
        exec(compile(render(spec, "# made in a test"), name, "exec"), module.__dict__)
    finally:
        del sys.modules[name]
    return module
