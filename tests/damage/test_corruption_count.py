"""A share of the corruption count in every run, and proof that the count can fail."""

from __future__ import annotations

import json
import random
from pathlib import Path

import corruptions
import pytest
from corrupt_places import spots, spots_of
from damage_journals import LONG, older_journal, recorded
from offtake.errors import UsageError
from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE
from offtake.hostcore.corrupt import KINDS, Corruptions, Place
from offtake.journal.codec import frame_seed, parse_frame
from offtake.journal.frames import frames_of_damaged
from offtake.journal.scan import Kind, Seen, classify

COUNT = 1_000_000 if LONG else 200_000
BY_CHANCE = (
    "torn: an older lap behind",
    "torn: an older journal behind",
    "length or code changed",
    "tick changed",
    "of another block number",
    "of another journal",
)
CHECK_CHANGED = KINDS.index("check changed")


def test_no_damaged_frame_is_accepted() -> None:
    outcome = corruptions.run(0, COUNT, corruptions.SEED, python_share=400)
    total = outcome.total
    assert total.made == COUNT
    assert (total.accepted, total.lost, total.first_miss) == (0, 0, None)
    assert outcome.python_seen == 400
    assert outcome.python_differs == []
    # Every kind had its share, and the search really looked: more checks were compared than frames damaged.
    assert all(tally.made >= COUNT // len(KINDS) and tally.compared > tally.made for tally in outcome.tallies)
    assert total.found > COUNT
    assert outcome.passed
    assert corruptions.verdict(outcome, 1)[-1].startswith("held")


def test_with_a_check_of_16_bits_the_count_fails_as_often_as_it_should() -> None:
    outcome = corruptions.run(0, COUNT // 2, corruptions.SEED, weak=True)
    # Folded by exclusive or, a check does not see its own complement: a quarter of these are accepted one and all.
    assert outcome.tallies[CHECK_CHANGED].accepted > 0.2 * outcome.tallies[CHECK_CHANGED].made
    # Where the damage is not in the check's own bytes, wrong frames pass by chance alone.
    rest = [outcome.tallies[KINDS.index(kind)] for kind in BY_CHANCE]
    accepted, compared = sum(one.accepted for one in rest), sum(one.compared for one in rest)
    expected = compared / 2**16
    assert expected > 10
    assert abs(accepted - expected) < 5 * expected**0.5
    assert not outcome.passed
    assert corruptions.verdict(outcome, 1)[-1].startswith("BROKEN")


def test_blocks_that_the_core_recorded() -> None:
    journal = recorded("core wrapped")
    before = b"".join(journal.before.get(position, bytes(BLOCK_SIZE)) for position in range(journal.blocks))
    places = spots_of(journal.data, before, older_journal(journal.blocks).whole(), journal.journal_id)
    spoiled = Corruptions([spot.place for spot in places], 5, sanitize=True)
    tallies = spoiled.count(0, 30_000)
    assert sum(one.made for one in tallies) == 30_000
    assert [(one.accepted, one.lost) for one in tallies] == [(0, 0)] * len(KINDS)
    assert all(corruptions.agrees(spoiled, places, index) for index in range(0, 30_000, 200))


def test_every_corruption_really_damages_a_frame() -> None:
    # Told apart in Python: of the true frames of the block at least one is nowhere in the damaged block any more.
    places = spots(3, 3)
    spoiled = Corruptions([spot.place for spot in places], 3)
    for index in range(3_000):
        kind, place_index, damaged = spoiled.make(index)
        assert kind == index % len(KINDS)
        place = places[place_index].place
        frames = true_frames(place)
        assert any(frame not in damaged for frame in frames), KINDS[kind]
        # Outside the frames' part nothing was the aim: the header is as it was.
        assert damaged[:BLOCK_HEADER_SIZE] == place.block[:BLOCK_HEADER_SIZE]


def true_frames(place: Place) -> list[bytes]:
    seen = classify(1, place.block, place.journal_id)
    assert seen.header is not None
    seed = frame_seed(place.journal_id, seen.header.block_number)
    at, found = BLOCK_HEADER_SIZE, []
    while at < BLOCK_HEADER_SIZE + seen.header.used_bytes:
        _, frame = parse_frame(place.block, at, BLOCK_HEADER_SIZE + seen.header.used_bytes, seed)
        found.append(place.block[at : frame.end])
        at = frame.end
    return found


def test_c_and_python_search_any_bytes_alike() -> None:
    places = spots(4, 1)
    spoiled = Corruptions([places[0].place], 4, sanitize=True)
    rng = random.Random(4)
    for _ in range(1_500):
        spot = rng.choice(places)
        place = spot.place
        block = bytearray(place.block)
        for _ in range(rng.randrange(6)):
            first = rng.randrange(BLOCK_SIZE)
            other = rng.choice([place.lap, place.foreign, rng.randbytes(BLOCK_SIZE), rng.choice(places).place.block])
            last = first + rng.choice([1, 8, 100, 512])
            block[first:last] = other[first:last]
        seen = Seen(spot.position, Kind.DAMAGED, classify(1, bytes(block), None).status, None, bytes(block))
        frames = frames_of_damaged(seen, place.journal_id, place.numbers, None, None)
        python = [(f.block_number, f.offset - spot.position * BLOCK_SIZE, f.size, f.code) for f in frames]
        assert python == spoiled.search(bytes(block), place.journal_id, place.numbers)


def test_shares_add_up_to_the_whole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = corruptions.run(0, 60_000, 9).total
    parts = corruptions.run(0, 60_000, 9, share=(1, 2)).total
    parts.add(corruptions.run(0, 60_000, 9, share=(2, 2)).total)
    assert parts == whole
    assert corruptions.run(0, 60_000, 10).total != whole
    target = tmp_path / "count.json"
    assert corruptions.main(["--count", "300", "--first", "49900", "--python", "3", "--json", str(target)]) == 0
    told = capsys.readouterr().out
    assert told.splitlines()[-1] == "held: 300 damaged frames, none accepted"
    assert all(len(line) <= 80 for line in told.splitlines())
    values = json.loads(target.read_text(encoding="utf-8"))
    assert (values["all"]["made"], values["python_seen"], values["held"]) == (300, 3, True)
    assert corruptions.main(["--count", "20000", "--weak", "--python", "0"]) == 1
    assert "again: tests/corruptions --seed" in capsys.readouterr().out


@pytest.mark.parametrize("wrong", [["--share", "3/2"], ["--count", "-1"], ["--count", "0"], ["--cuont", "5"]])
def test_wrong_options_are_refused(wrong: list[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        corruptions.main(wrong)
    assert caught.value.code == 2


def test_places_that_hold_no_frames_are_refused() -> None:
    with pytest.raises(UsageError, match="place 0"):
        Corruptions([Place(1, (1,), bytes(BLOCK_SIZE), bytes(BLOCK_SIZE), bytes(BLOCK_SIZE))], 1)
    with pytest.raises(UsageError, match="three blocks"):
        Corruptions([Place(1, (), bytes(BLOCK_SIZE), bytes(BLOCK_SIZE), bytes(9))], 1)
