"""A season's journals for tests: small, each with fixes, satellites, measurements and the logger's own messages."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, replace
from pathlib import Path

from journal_maker import Maker, header
from measured_logs import TICKS_PER_S, Log, own_descriptions, rmc
from offtake.generated.records import BLOCK_SIZE, Analogue, EndReason, Loss, LossCause, RunEnd, Supply
from offtake.jobs.collect import CollectResult
from offtake.journal.codec import encode_journal_header


@dataclass(frozen=True)
class Made:
    """A journal, whole, and what it has of each: fixes by run, the lowest supply by run in mV."""

    data: bytes
    journal_id: int
    fixes: dict[int, int]
    least_mv: dict[int, int]


def journal(journal_id: int, label: str = "", seconds: tuple[int, ...] = (12, 9), blocks: int = 400) -> Made:
    """A journal of ``len(seconds)`` runs, each with a fix a second."""
    log = Log(Maker(blocks, journal_id))
    fixes: dict[int, int] = {}
    least: dict[int, int] = {}
    for run, count in enumerate(seconds, start=1):
        log.run(own_descriptions())
        supplies = [4_900 - 10 * run - (journal_id + second) % 7 for second in range(0, count, 4)]
        for second in range(count):
            log.say(second, rmc(second, 30.0 + second / 100))
            used = 5 + (journal_id + second) % 4
            time = f"12{second // 60:02d}{second % 60:02d}.00"
            log.say(second, f"GNGGA,{time},0130.0,N,00230.25,W,1,{used:02d},0.9,12.0,M,,M,,")
            log.say(second, "GPGSV,1,1,02,05,40,100,41,12,60,200,38")
            if second % 4 == 0:
                log.put(Supply.CODE, second * TICKS_PER_S, Supply(supplies[second // 4], 3).encode())
            if second % 3 == 0:
                log.put(Analogue.CODE, second * TICKS_PER_S, Analogue(100 + second, 200).encode())
        log.put(Loss.CODE, count * TICKS_PER_S, Loss(LossCause.RING_FULL, 7).encode())
        log.put(RunEnd.CODE, count * TICKS_PER_S, RunEnd(EndReason.DESK).encode())
        fixes[run], least[run] = count, min(supplies)
    data = log.data()
    head = encode_journal_header(replace(header(blocks, journal_id), label=label))
    return Made(head + data[BLOCK_SIZE:], journal_id, fixes, least)


def fill(folder: Path, count: int = 4) -> list[Made]:
    """So many journals in ``folder``, some of them in folders of their own and not called ``.jnl``."""
    made = [journal(0xA0 + number, f"Kayak {number % 2}", (6 + number, 5)) for number in range(count)]
    for number, one in enumerate(made):
        path = (
            folder / (f"week {number}" if number % 2 else "") / (f"day{number}.jnl" if number % 3 else f"day{number}")
        )
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(one.data)
    return made


def dataset_files(dataset: Path) -> dict[str, bytes]:
    """What a reader of the dataset sees: each file's path and bytes."""
    found: dict[str, bytes] = {}
    for place, folders, names in os.walk(dataset):
        folders[:] = sorted(name for name in folders if not name.startswith(("_", ".")))
        for name in sorted(names):
            if not name.startswith(("_", ".")):
                path = Path(place) / name
                found[str(path.relative_to(dataset))] = path.read_bytes()
    return found


def put(folder: Path, name: str, data: bytes, age_s: int = 0) -> Path:
    """Writes a file, ``age_s`` before a fixed moment."""
    path = folder / name
    path.write_bytes(data)
    os.utime(path, ns=(10**18 - age_s * 10**9,) * 2)
    return path


def prints(folder: Path) -> dict[str, tuple[str, int]]:
    """The content and time of every file in a folder."""
    return {
        str(path): (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def counts(result: CollectResult) -> tuple[int, int, int, int]:
    """Files unchanged, taken, moved, copies."""
    return result.unchanged, result.taken, result.moved, len(result.copies)
