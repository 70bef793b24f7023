"""Verifying one run says of it what verifying the whole journal says, and reads only its blocks."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path

import pytest
from counted_source import Counted
from damage_ways import WAYS, damaged, flip_bits, journal
from journal_maker import Maker
from measured_logs import Log
from offtake import cli
from offtake.errors import UsageError
from offtake.generated.records import BLOCK_SIZE, Raw
from offtake.journal.bulk import window
from offtake.journal.index import index_of
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from offtake.journal.verify import VerifyReport, verify
from offtake.journal.verify_run import verify_run

Way = Callable[[bytearray, random.Random], None]


Said = set[tuple[str, int]]


def said(report: VerifyReport) -> Said:
    """Each damaged block by its place, each missing one by its number."""
    found: Said = set()
    for one in report.findings:
        if one.severity == "damage":
            first = one.position
            if one.reason == "missing_blocks":
                first = int(one.text.split()[1])
            found |= {(one.reason, number) for number in range(first, first + max(1, one.blocks))}
    return found


def runs_of(data: bytes) -> tuple[VerifyReport, dict[int, VerifyReport]]:
    index = index_of(salvage(BytesSource(data)))
    return verify(BytesSource(data)), {
        info.run: verify_run(BytesSource(data), "journal", index, info.run) for info in index.runs
    }


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)
@pytest.mark.parametrize("seed", range(8))
def test_each_run_is_told_of_as_in_the_whole(way: Way, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(window, "WINDOW_BLOCKS", random.Random(seed).choice((2, 5, 8192)))
    data = damaged(seed, way)
    whole, each = runs_of(data)
    runs = {info.run: info for info in whole.runs}
    for run, report in each.items():
        assert report.only_run == run
        assert report.runs == ((runs[run],) if run in runs else ())
        assert report.clean == (not said(report))
        assert said(report) <= said(whole), "a run alone is damaged where the journal is not"
        assert [one for one in whole.oddities if one.run == run] == list(report.oddities)


@pytest.mark.parametrize("seed", range(30))
def test_damage_is_found_in_the_runs_that_it_hit(seed: int) -> None:
    rng = random.Random(seed)
    data = journal(rng)
    index = index_of(salvage(BytesSource(bytes(data))))
    flip_bits(data, rng)
    whole = verify(BytesSource(bytes(data)))
    # Where the index is older than the damage, and where it is of the damaged journal.
    for known in (index, index_of(salvage(BytesSource(bytes(data))))):
        each = [verify_run(BytesSource(bytes(data)), "journal", known, info.run) for info in known.runs]
        found = set().union(*map(said, each))
        used = {at for one in known.order.extents for at in range(one["position"], one["position"] + one["count"])}
        # Who does not know the last block takes one more to be missing at the other end.
        oldest = int(known.order.extents["number"].min())
        lost = {
            (reason, at)
            for reason, at in said(whole) - found
            if (at >= oldest if reason == "missing_blocks" else at in used)
        }
        assert not {one for one in lost if one[0] != "short_payload"}


def many_runs() -> bytes:
    log = Log(Maker(1300))
    for _ in range(6):
        log.run().close()
        for number in range(200):
            log.put(Raw.CODE, number * 1000, b"$" + bytes(400))
            log.close()
    log.close()
    return log.data()


def test_only_the_blocks_of_the_run_are_read() -> None:
    data = many_runs()
    index = index_of(salvage(BytesSource(data)))
    source = Counted(data)
    report = verify_run(source, "journal", index, 4)
    assert source.blocks == {0, *range(604, 805)}
    assert source.given == 202 * BLOCK_SIZE
    assert (report.first_block, report.last_block, report.blocks.intact) == (604, 804, 201)
    assert report.clean


def test_the_seam_of_a_wrapped_journal_is_no_edge() -> None:
    maker = Maker(30)
    rng = random.Random(1)
    for blocks in (10, 12, 20):
        maker.flight(rng, blocks)
    data = maker.whole()
    whole, each = runs_of(data)
    assert whole.clean
    assert all(report.clean for report in each.values())
    assert {run: (one.first_block, one.last_block) for run, one in each.items()} == {2: (14, 22), 3: (23, 42)}
    assert [one.text for one in each[2].findings] == ["run 2 has no run_start frame"]
    assert tuple(note for one in each.values() for note in one.notes) == whole.notes


def test_a_run_that_is_not_there_is_refused() -> None:
    index = index_of(salvage(BytesSource(many_runs())))
    with pytest.raises(UsageError, match=r"no run 9 .*1, 2, 3, 4, 5, 6"):
        verify_run(BytesSource(many_runs()), "day.jnl", index, 9)


def test_the_verb(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "day.jnl"
    data = bytearray(many_runs())
    data[700 * BLOCK_SIZE + 99] ^= 1
    path.write_bytes(data)
    for _ in range(2):
        assert cli.main(["verify", str(path), "--run", "3"]) == 0
        out = capsys.readouterr().out
        assert "only run 3 was checked: 201 of the file's 1,207 blocks" in " ".join(out.split())
        assert "clean, as far as run 3 goes" in out
        assert max(map(len, out.splitlines())) <= 80
        assert path.with_name("day.jnl.index").exists()
    assert cli.main(["verify", str(path), "--run", "4"]) == 1
    assert "damage: block 700, byte 358,400: damaged: the block's check" in " ".join(capsys.readouterr().out.split())
    assert cli.main(["verify", str(path), "--run", "4", "--json"]) == 1
    values = json.loads(capsys.readouterr().out)
    assert (values["only_run"], values["blocks"]["damaged"], [run["run"] for run in values["runs"]]) == (4, 1, [4])
    assert cli.main(["verify", str(path), "--run", "77"]) == 2
    assert "no run 77" in capsys.readouterr().err
    assert cli.main(["verify", str(path)]) == 1
    assert "only run" not in capsys.readouterr().out
