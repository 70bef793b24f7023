"""The quick set of the power-loss campaigns, and that the runner plays what its names say."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import command
from campaign import SECTOR
from ground import make_ground
from offtake.bench.cards import Card, constant
from offtake.errors import UsageError
from runner import Stage, campaigns, chosen, make_level, run_all, stage_of
from story import PowerOn, Pull, Session
from truth import follow

KNOWN = campaigns()
LONG_CUTS = 10_000


@pytest.mark.parametrize("name", KNOWN)
def test_quick_set(name: str) -> None:
    stage = Stage(KNOWN[name], make_level(KNOWN[name].level))
    names = chosen(stage, long=False)
    assert names
    failures = [str(failure) for outcome in run_all(stage, names) for failure in outcome.failures]
    assert not failures, "\n".join(failures[:5])


@pytest.mark.long
@pytest.mark.parametrize("name", KNOWN)
def test_long_set(name: str) -> None:
    stage = Stage(KNOWN[name], make_level(KNOWN[name].level))
    failures = [str(f) for outcome in run_all(stage, chosen(stage, long=True)) for f in outcome.failures]
    assert not failures, "\n".join(failures[:5])


@pytest.fixture(scope="module")
def stages() -> dict[str, Stage]:
    return {name: Stage(campaign, make_level(campaign.level)) for name, campaign in KNOWN.items()}


def test_the_long_set_is_long_enough(stages: dict[str, Stage]) -> None:
    host = [stage for stage in stages.values() if stage.campaign.level == "host"]
    assert sum(len(chosen(stage, long=True)) for stage in host) >= LONG_CUTS


@pytest.mark.parametrize(("name", "long"), [("pairs", True), ("straight_torn", True), ("wrap_writes", False)])
@pytest.mark.parametrize("parts", [1, 2, 3, 7])
def test_shares_partition_the_set(stages: dict[str, Stage], name: str, long: bool, parts: int) -> None:
    whole = chosen(stages[name], long=long)
    shares = [chosen(stages[name], long=long, part=part, parts=parts) for part in range(1, parts + 1)]
    assert len(set(whole)) == len(whole)
    assert sorted(name for share in shares for name in share) == sorted(whole)


@pytest.mark.parametrize(
    "name", ["wrap_torn:host:w7.b203", "pairs:host:p17", "resets_under_way:host:w3.b255.f1", "board_pairs:bench:p3"]
)
def test_a_replay_gives_the_same_image(name: str) -> None:
    first, second = (stage_of(name).run(name, hashes=True) for _ in range(2))
    assert first.hashes == second.hashes
    assert len(set(first.hashes)) > 1
    assert first.hashes[-3] == first.hashes[-2]  # a start that does not come to write changes nothing
    assert not [failure for failure in first.failures if failure.invariant == "inside_journal"]  # fsck.fat looked too


def test_fsck_is_asked_about_the_card_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    stage = stage_of("pieces:host:w5.f3")
    whole = stage._play

    def spoil(plan: PowerOn) -> Session:
        session = whole(plan)
        stage.image[SECTOR * 40] = 0x77  # in the first allocation table
        return session

    monkeypatch.setattr(stage, "_play", spoil)
    story, _ = stage.tell(stage.trial("pieces:host:w5.f3"), hashes=True)
    assert story.complaints


def test_a_trial_does_not_depend_on_those_before(stages: dict[str, Stage]) -> None:
    name = "wrap_writes:host:w20.f3"
    alone = stage_of(name).run(name, hashes=True)
    stage = stages["wrap_writes"]
    for other in ("wrap_writes:host:w30.f7", "wrap_writes:host:w8.f4"):
        stage.run(other)
    assert stage.run(name, hashes=True) == alone


@pytest.mark.parametrize("name", ["straight_torn", "wrap_torn"])
def test_a_cut_at_a_byte_tears_there(stages: dict[str, Stage], name: str) -> None:
    stage = stages[name]
    for byte in (0, 1, 100, 511, 512):
        story, _ = stage.tell(stage.trial(f"{name}:host:w3.b{byte}"))
        session = story.sessions[0]
        (sector,) = session.harmed
        torn = session.blocks[-1]
        assert (torn.sector, torn.kept) == (sector, False)
        position = stage.ground.position_of[sector]
        now = session.journal[512 * position : 512 * (position + 1)]
        assert now == torn.after[:byte] + torn.before[byte:]


def test_a_cut_on_the_bus_leaves_the_block_out(stages: dict[str, Stage]) -> None:
    stage = stages["straight_bus"]
    ends = []
    for byte in (0, 3, 300, 510):
        story, _ = stage.tell(stage.trial(f"straight_bus:host:w4.b{byte}.f0"))
        assert len(story.sessions[0].blocks) == 4
        ends.append(story.sessions[0].end_ns)
    assert ends == sorted(set(ends))  # later by the bytes between
    assert (ends[3] - ends[1]) // 1_000 in range(507, 700)  # a byte takes 1 us there


def test_pulls_and_resets_happen_where_they_should(stages: dict[str, Stage]) -> None:
    busy, _ = stages["pulled_busy"].tell(stages["pulled_busy"].trial("pulled_busy:host:w4.f0"))
    assert busy.sessions[0].pull_hit
    idle, _ = stages["pulled_idle"].tell(stages["pulled_idle"].trial("pulled_idle:host:w4"))
    assert idle.sessions[0].pulled_ns is not None
    assert not idle.sessions[0].pull_hit
    under_way, _ = stages["pulled_under_way"].tell(stages["pulled_under_way"].trial("pulled_under_way:host:w4.f0"))
    assert not under_way.sessions[0].pull_hit
    reset, _ = stages["chip_resets"].tell(stages["chip_resets"].trial("chip_resets:host:w4.f0"))
    assert [life.cause for life in reset.sessions[0].lives] == [1, 4]
    assert all(block.kept for block in reset.sessions[0].blocks)  # the card stayed powered and finished its block


@pytest.mark.parametrize("level", ["host", "bench"])
def test_a_card_that_does_not_answer_is_started_anew(stages: dict[str, Stage], level: str) -> None:
    stage = stages["refused_writes" if level == "host" else "board_refused"]
    index = 6  # the third kind of refusal: no answer
    name = f"{stage.campaign.name}:{level}:w2.f{index}"
    assert stage.trial(name).fault.kind == "no answer"
    story, _ = stage.tell(stage.trial(name))
    assert story.sessions[0].offered == len(story.sessions[0].blocks) + 1


def test_what_both_levels_play_alike() -> None:
    """The same power-on at both levels: blocks at the same places, and the same line bytes in the same order."""
    stage = Stage(KNOWN["straight_torn"], make_level("host"))
    plan = stage._first(stage.trial("straight_torn:host:w3.b0").moments[0])
    plan = PowerOn(Card(busy=constant(5)), plan.speech, plan.until_ns)
    sessions = [make_level(level).play(bytearray(stage.ground.image), plan) for level in ("host", "bench")]
    accounts = [follow(session.lives[0], 0, session.blocks) for session in sessions]
    assert [b.sector for b in sessions[0].blocks] == [b.sector for b in sessions[1].blocks]
    assert sessions[0].lives[0].heard == sessions[1].lives[0].heard == plan.speech.data
    assert accounts[0] == accounts[1]
    assert accounts[0].logged == len(plan.speech.data)


def test_the_same_campaign_gives_the_same_card(stages: dict[str, Stage], monkeypatch: pytest.MonkeyPatch) -> None:
    # The tools write the time of day into the directory; mtools reads this variable as the time of day.
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1000000000")
    assert make_ground(KNOWN["wrap_writes"]).image == stages["wrap_writes"].ground.image


def test_a_pulled_card_is_away_for_its_time(stages: dict[str, Stage]) -> None:
    story, _ = stages["board_pulled"].tell(stages["board_pulled"].trial("board_pulled:bench:w3.f0"))
    pulled = story.sessions[0].pulled_ns
    assert pulled is not None
    assert not [b for b in story.sessions[0].blocks if pulled[0] < b.accepted_ns < pulled[1]]
    event = stages["board_pulled"].trial("board_pulled:bench:w3.f0").moments[0].event
    assert isinstance(event, Pull)
    assert pulled[1] - pulled[0] == event.back_ns


def test_the_command(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    to = tmp_path / "cuts.json"
    assert command.main(["--campaign", "pulled_idle", "--json", str(to)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert all(len(line) <= 80 for line in said)
    assert said[-1].endswith("no promise broken")
    assert '"schema": 1' in to.read_text(encoding="utf-8")
    assert command.main(["--replay", "straight_torn:host:w2.b77"]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "no promise broken"
    assert command.main(["--campaign", "no_such"]) == 2
    assert command.main(["--share", "3/2"]) == 2
    assert "expected" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["nonsense", "pairs:host:x1", "pairs:bench:p1", "chip_resets:host:w1.f9"])
def test_a_wrong_name_is_refused(name: str) -> None:
    with pytest.raises(UsageError):
        stage_of(name).run(name)
