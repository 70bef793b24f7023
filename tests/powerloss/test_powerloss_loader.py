"""A campaign is read strictly: each mistake names file, key and what was expected."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from campaign import load_campaign
from invariants import INVARIANTS
from offtake.errors import InputOutputError, SpecError
from runner import campaigns

FOLDER = Path(__file__).parent
NAMES = tuple(INVARIANTS)
RANDOM, WRITES, PULLED = "quiet_bursts", "straight_writes", "pulled_idle"

MISTAKES = [
    (WRITES, "seed = 20261125", "seed = 1.5", "seed", "whole number"),
    (WRITES, "seed = 20261125", "seed = 20261125\ncolour = 3", "colour", "unknown key"),
    (WRITES, "quick = ", "quik = ", "quick", "missing"),
    (WRITES, 'level = "host"', 'level = "moon"', "level", "host, bench"),
    (WRITES, 'level = "host"', "level = 3", "level", "one of"),
    (WRITES, 'name = "straight_writes"', 'name = "other"', "name", "straight_writes"),
    (WRITES, 'line = "saturated"', 'line = "bursts"', "workload.burst_bytes", "missing"),
    (WRITES, "baud = 57600", "baud = 12", "workload.baud", "1200"),
    (WRITES, "start_ms = 600", "start_ms = nan", "workload.start_ms", "number from"),
    (WRITES, "quiet_ms = 700", "quiet_ms = true", "workload.quiet_ms", "number from"),
    (WRITES, "quiet_ms = 700", "quiet_ms = 700\nburst_bytes = 3", "workload.burst_bytes", "unknown key"),
    (WRITES, "blocks = 96", "blocks = 1", "journal.blocks", "4"),
    (WRITES, "held = 20", "held = 200", "journal.held", "at most 95"),
    (WRITES, "runs = 3", "runs = 0", "journal.runs", "1 to held"),
    (WRITES, "runs = 3", "runs = 3\nolder = 96", "journal.older", "at most 95"),
    (WRITES, "runs = 3", "runs = 3\nblank = [21]", "journal.blank", "blocks 1 to 20"),
    (WRITES, "runs = 3", "runs = 3\ndamaged = [[3, 4], 0]", "journal.damaged", "list of block numbers"),
    (WRITES, "runs = 3", "runs = 3\ndamaged = 7", "journal.damaged", "list of block numbers"),
    (WRITES, "fat = 16", "fat = 12", "card.fat", "16"),
    (WRITES, "fat = 16", "fat = 20", "card.fat", "16 or 32"),
    (WRITES, "busy_ms = [1, 20]", "busy_ms = [20, 1]", "card.busy_ms", "lowest, highest"),
    (WRITES, "busy_ms = [1, 20]", "busy_ms = [1, 20]\nstall_ms = 5", "card.stall_ms", "stall_every"),
    (WRITES, 'kind = "whole"', 'kind = "melted"', "fault[1].kind", "one of"),
    (WRITES, 'kind = "whole"', 'kind = "whole"\nlost = [1, 2]', "fault[1].lost", "unknown key"),
    (WRITES, 'kind = "whole"', 'kind = "crc error"\nfor_good = 1', "fault[1].for_good", "true or false"),
    (WRITES, 'kind = "whole"', 'kind = "read error"', "fault[1].kind", "every read"),
    (WRITES, 'at = "every write"', 'at = "every day"', "cuts.at", "one of"),
    (WRITES, 'at = "every write"', 'at = "every write"\ncount = 3', "cuts.count", "unknown key"),
    (WRITES, 'at = "every write"', 'at = "random"', "cuts.count", "missing"),
    (WRITES, 'at = "every write"', 'at = "explicit"', "cuts.points", "no list"),
    (WRITES, 'at = "every write"', 'at = "explicit"\npoints = []', "cuts.points", "at least one"),
    (WRITES, '"no_hang"', '"no_luck"', "invariants[8]", "no_hang"),
    (WRITES, '"no_hang"', '"no_hang", "taken_up_again"', "invariants", "card pulled"),
    (WRITES, "[cuts]", "[cut]", "cuts", "missing"),
    (WRITES, "seed = 20261125", "seed =", "straight_writes.toml", "TOML"),
    (RANDOM, "count = 500", "count = 0", "cuts.count", "1"),
    (PULLED, 'when = "idle"', 'when = "never"', "fault[0].when", "idle"),
    (PULLED, "back_ms = 900", "", "fault[0].back_ms", "number from"),
    (PULLED, 'at = "every write"', 'at = "pairs"\ncount = 3', "fault[0].kind", "one of"),
]


@pytest.mark.parametrize(("name", "old", "new", "key", "expected"), MISTAKES)
def test_a_mistake_is_told(tmp_path: Path, name: str, old: str, new: str, key: str, expected: str) -> None:
    text = (FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / f"{name}.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SpecError) as caught:
        load_campaign(path, NAMES)
    said = str(caught.value)
    assert f"{name}.toml" in said
    assert key in said
    assert expected in said


@pytest.mark.parametrize("schedule", ["every byte of every write", "every operation"])
def test_what_the_board_cannot_do_is_refused(tmp_path: Path, schedule: str) -> None:
    text = (FOLDER / "board_wrap.toml").read_text(encoding="utf-8")
    path = tmp_path / "board_wrap.toml"
    path.write_text(text.replace('at = "every write"', f'at = "{schedule}"'), encoding="utf-8")
    with pytest.raises(SpecError, match="level host"):
        load_campaign(path, NAMES)


def test_no_fault_and_no_file(tmp_path: Path) -> None:
    text = (FOLDER / f"{PULLED}.toml").read_text(encoding="utf-8")
    head, fault = text.index("[[fault]]"), text.index("[cuts]")
    path = tmp_path / f"{PULLED}.toml"
    path.write_text("fault = []\n" + text[:head] + text[fault:], encoding="utf-8")
    with pytest.raises(SpecError, match="nothing goes wrong"):
        load_campaign(path, NAMES)
    with pytest.raises(InputOutputError):
        load_campaign(tmp_path / "none.toml", NAMES)


def test_every_fault_and_schedule_is_used_by_some_campaign() -> None:
    from campaign import CHIP_FAULTS, POWER_FAULTS, SCHEDULES

    known = campaigns().values()
    assert {c.schedule.at for c in known} == set(SCHEDULES)
    assert {f.kind for c in known for f in c.faults} == {*POWER_FAULTS, *CHIP_FAULTS}
    assert {name for c in known for name in c.invariants} == set(NAMES)
