"""Plays trials: the cut, the start after it, the invariants; and tells a failure in one line with its replay."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from bench_level import BenchLevel
from campaign import SECTOR, Campaign, load_campaigns
from ground import Ground, make_card, make_ground, make_speech, short_speech
from host_level import HostLevel
from invariants import INVARIANTS
from offtake.bench.cuts import Cut
from offtake.card import fsck
from offtake.errors import UsageError
from schedule import Extent, Moment, Trial, extent_of, make_trial, share_of, spread, trial_names
from story import Level, PowerCut, PowerOn, Session, Stop, Story

CAMPAIGNS = Path(__file__).parent
NEXT_BYTES = 400
CLEAN_END = PowerCut(Cut())


@dataclass(frozen=True)
class Failure:
    """A broken promise: ``str()`` is the one line that tells it."""

    trial: str
    invariant: str
    seen: str

    def __str__(self) -> str:
        campaign = self.trial.split(":")[0]
        return f"{campaign} {self.trial} {self.invariant}: {self.seen} | replay: tests/cuts --replay {self.trial}"


@dataclass(frozen=True)
class Outcome:
    """What a trial came to; the hashes (SHA-256 of the card's image after each power-on) only where asked for: then
    fsck.fat looks at the card too."""

    trial: str
    failures: tuple[Failure, ...]
    hashes: tuple[str, ...] = ()


@dataclass
class Stage:
    """A campaign with its card made and its rehearsal done, ready to play any of its trials."""

    campaign: Campaign
    level: Level
    image: bytearray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self.image = bytearray(self.ground.image)

    @cached_property
    def ground(self) -> Ground:
        """The card before the first power-on."""
        return make_ground(self.campaign)

    @cached_property
    def extent(self) -> Extent:
        """What a power-on without a fault does."""
        session = self._play(self._first(Moment(None, None, make_card(self.campaign.card, self.campaign.seed))))
        self._restore([session])
        return extent_of(session)

    @cached_property
    def names(self) -> list[str]:
        """All trials by name."""
        return trial_names(self.campaign, self.extent)

    def trial(self, name: str) -> Trial:
        """The trial of this name. UsageError: there is none."""
        return make_trial(self.campaign, name, self.extent, make_card(self.campaign.card, self.campaign.seed))

    def run(self, name: str, *, hashes: bool = False) -> Outcome:
        """Plays one trial and judges it."""
        story, digests = self.tell(self.trial(name), hashes=hashes)
        failures = []
        for invariant in self.campaign.invariants:
            seen = INVARIANTS[invariant](story)
            if seen is not None:
                failures.append(Failure(name, invariant, seen))
        return Outcome(name, tuple(failures), digests)

    def tell(self, trial: Trial, *, hashes: bool = False) -> tuple[Story, tuple[str, ...]]:
        """Plays one trial; the card is as at the beginning afterwards."""
        sessions: list[Session] = []
        digests: list[str] = []

        def play(plan: PowerOn) -> Session:
            session = self._play(plan)
            played.append(session)
            if hashes:
                digests.append(hashlib.sha256(self.image).hexdigest())
            return session

        played: list[Session] = []
        sessions.append(play(self._first(trial.moments[0])))
        for moment in trial.moments[1:]:
            sessions.append(play(self._next(moment, sessions[-1].remembered)))
        calm = Moment(None, None, make_card(self.campaign.card, self.campaign.seed + 1))
        mount = play(self._next(Moment(Stop(accepted=1), None, calm.card), sessions[-1].remembered, only_mount=True))
        last = play(self._next(calm, sessions[-1].remembered))
        complaints = self._fsck() if hashes else []
        self._restore(played)
        steady = trial.fault.is_power_cut and not self.campaign.card.stall_every
        return Story(self.ground, sessions, mount, last, trial.fault.kind, steady, complaints), tuple(digests)

    def _fsck(self) -> list[str]:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "card.img"
            path.write_bytes(self.image)
            return fsck(path)

    # ---- plans ----

    def _first(self, moment: Moment) -> PowerOn:
        work = self.campaign.workload
        speech = make_speech(work, [self.campaign.seed, 2])
        until = max(speech.end_ns, int(work.start_ms * 1e6)) + int(work.quiet_ms * 1e6)
        return PowerOn(moment.card, speech, until, moment.stop, moment.event, seed=self.campaign.seed)

    def _next(self, moment: Moment, remembered: object, *, only_mount: bool = False) -> PowerOn:
        speech = short_speech(self.campaign, [self.campaign.seed, 3], NEXT_BYTES)
        until = speech.end_ns + (self.ground.close_ms + 700) * 1_000_000
        event = CLEAN_END if only_mount else moment.event
        return PowerOn(moment.card, speech, until, moment.stop, event, remembered, self.campaign.seed + 1)

    def _play(self, plan: PowerOn) -> Session:
        session = self.level.play(self.image, plan)
        session.journal = self.ground.journal(self.image)
        session.outside = self.ground.outside(self.image)
        return session

    def _restore(self, sessions: list[Session]) -> None:
        """Puts back every sector that was touched."""
        for session in sessions:
            for sector in {*session.harmed, *session.outside, *(block.sector for block in session.blocks)}:
                at = slice(sector * SECTOR, (sector + 1) * SECTOR)
                self.image[at] = self.ground.image[at]


def make_level(name: str) -> Level:
    """The level of this name."""
    return HostLevel() if name == "host" else BenchLevel()


def campaigns() -> dict[str, Campaign]:
    """Every campaign of this folder by name. SpecError: one is not as it should be."""
    return load_campaigns(CAMPAIGNS, tuple(INVARIANTS))


def chosen(stage: Stage, *, long: bool, part: int = 1, parts: int = 1) -> list[str]:
    """Names of the trials of the quick or the long set, or of a share of it."""
    campaign = stage.campaign
    return share_of(spread(stage.names, campaign.long if long else campaign.quick), part, parts)


def run_all(stage: Stage, names: list[str], progress: Callable[[int], None] | None = None) -> Iterator[Outcome]:
    """Plays these trials one after the other."""
    for done, name in enumerate(names, 1):
        yield stage.run(name)
        if progress:
            progress(done)


def stage_of(trial: str) -> Stage:
    """The stage that a trial's name belongs to. UsageError: no such campaign."""
    known = campaigns()
    name = trial.split(":")[0]
    if name not in known:
        raise UsageError(f"no campaign {name!r}", expected=f"one of {', '.join(known)}")
    return Stage(known[name], make_level(known[name].level))
