"""What a campaign starts from: the card's image with its journal, and what the line will say."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from campaign import SECTOR, Campaign, CardPlan, Workload
from numpy.typing import NDArray
from offtake.bench.cards import AWKWARD, BusyTimes, Card, Milliseconds
from offtake.card import fsck, locate_in_image, make_card_image, prepare_in_image
from offtake.generated.records import Board, JournalHeader, Raw, RunStart, Sensor, WhenFull
from offtake.generated.records import ResetCause as Cause
from offtake.journal.codec import encode_block, encode_frame, encode_journal_header

GAP_BYTES = 4
BITS_PER_BYTE = 10
SENSORS_ON = {
    "sensors": Sensor.ANALOGUE | Sensor.EVENT | Sensor.PULSES | Sensor.PRESSURE,
    "analogue_ms": 20,
    "analogue_1_full_mv": 20_000,
    "analogue_2_full_mv": 5_000,
    "event_debounce_ms": 5,
    "pulse_ms": 100,
    "pressure_ms": 100,
}
"""As fast as `offtake prepare` allows."""
JOURNAL_ID = 0x0FF7A4E1
OLDER_ID = 0x0FF7A4E0
_WORDS = SECTOR // 8
_RESERVED_CLUSTER = {16: 2, 32: 3}
"""First cluster that a file can have: on FAT32 the root directory takes the one before."""


@dataclass(frozen=True)
class Ground:
    """A card ready for a campaign: the whole image, and which sector each block of the journal file lies in."""

    image: bytes
    sectors: tuple[int, ...]
    blocks: int
    wraps: bool
    close_ms: int

    @cached_property
    def position_of(self) -> dict[int, int]:
        """Block of the file by sector."""
        return {sector: position for position, sector in enumerate(self.sectors)}

    @property
    def lap(self) -> int:
        """Blocks a lap has."""
        return self.blocks - 1

    def journal(self, image: bytes | bytearray) -> bytes:
        """The journal file's content, block by block, out of an image of this card."""
        return b"".join(image[s * SECTOR : (s + 1) * SECTOR] for s in self.sectors)

    def outside(self, image: bytes | bytearray) -> list[int]:
        """Sectors outside the journal's blocks 1 to n-1 (its header counts as outside) that changed."""
        here, there = (np.frombuffer(content, dtype="<u8") for content in (self.image, image))
        changed: list[int] = []
        for start, stop in self._stretches:
            at = slice(start * _WORDS, stop * _WORDS)
            if not np.array_equal(here[at], there[at]):
                words = start * _WORDS + np.flatnonzero(here[at] != there[at])
                changed.extend(int(sector) for sector in np.unique(words // _WORDS))
        return changed

    @cached_property
    def _stretches(self) -> list[tuple[int, int]]:
        """The sectors outside, as (first, end)."""
        inside = [0, *sorted(self.sectors[1:]), len(self.image) // SECTOR]
        ends = [0, *(s + 1 for s in inside[1:-1])]
        return [(end, begin) for end, begin in zip(ends, inside[1:], strict=True) if end < begin]


def make_ground(campaign: Campaign) -> Ground:
    """The campaign's card as it is before the first power-on. The same campaign gives the same bytes.

    :raises UsageError: card and journal do not go together. :raises InputOutputError: mkfs.fat or mtools fail.
    :raises ValueError: fsck.fat does not find the fresh card clean, or it has another number of pieces.
    """
    plan, card = campaign.journal, campaign.card
    wraps = plan.when_full == "wrap"
    header = JournalHeader(
        when_full=WhenFull.WRAP if wraps else WhenFull.STOP,
        journal_id=JOURNAL_ID,
        blocks=plan.blocks,
        baud=campaign.workload.baud,
        gap_bytes=GAP_BYTES,
        close_ms=plan.close_ms,
        supply_s=10,
        created_utc_s=1_700_000_000,
        label="power cuts",
        **(SENSORS_ON if plan.sensors else {}),
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "card.img"
        first = _RESERVED_CLUSTER[card.fat]
        share = plan.blocks // card.pieces
        bad = [first + share * (i + 1) + i for i in range(card.pieces - 1)]
        make_card_image(path, card.mib, fat=card.fat, sectors_per_cluster=1, bad_clusters=bad)
        prepare_in_image(path, encode_journal_header(header), plan.blocks)
        extents = locate_in_image(path).extents
        image = bytearray(path.read_bytes())
        _set_times(image)
        path.write_bytes(image)
        complaints = fsck(path)
    if complaints or len(extents) != card.pieces:
        raise ValueError(f"{campaign.name}: {len(extents)} pieces, fsck.fat: {complaints}")
    sectors = tuple(s for e in extents for s in range(e.first_sector, e.first_sector + e.sectors))
    rng = np.random.default_rng([campaign.seed, 1])
    for position in range(1, 1 + plan.older):
        _put(image, sectors[position], _filled_block(OLDER_ID, position, 1 + position // 8, rng, campaign))
    for number in range(1, 1 + plan.held):
        run = 1 + (number - 1) * plan.runs // plan.held
        first_of_run = number == 1 or run != 1 + (number - 2) * plan.runs // plan.held
        block = _filled_block(JOURNAL_ID, number, run, rng, campaign, starts=first_of_run)
        if number in plan.blank:
            block = b"\xff" * SECTOR
        elif number in plan.damaged:
            block = rng.bytes(SECTOR)
        _put(image, sectors[1 + (number - 1) % (plan.blocks - 1)], block)
    return Ground(bytes(image), sectors, plan.blocks, wraps, plan.close_ms)


def _set_times(image: bytearray) -> None:
    """Gives the journal's directory entry fixed times: the tool writes those of the clock, and the same campaign must
    give the same bytes. Layout: FAT overview 1.03, directory entry: times at 14 to 19 and 22 to 25."""
    at = image.index(b"OFFTAKE JNL")
    image[at + 14 : at + 20] = bytes(6)
    image[at + 22 : at + 26] = bytes.fromhex("00002158")


def _put(image: bytearray, sector: int, block: bytes) -> None:
    image[sector * SECTOR : (sector + 1) * SECTOR] = block


def _filled_block(
    journal_id: int, number: int, run: int, rng: np.random.Generator, campaign: Campaign, *, starts: bool = False
) -> bytes:
    """A full block as the logger would have left it."""
    frames = b""
    if starts:
        start = RunStart(
            firmware_major=0,
            firmware_minor=1,
            firmware_patch=0,
            board=Board.ATMEGA328P_16MHZ,
            spec_hash=1,
            baud=campaign.workload.baud,
            tick_ns=4000,
            when_full=WhenFull.STOP,
            gap_bytes=GAP_BYTES,
            close_ms=campaign.journal.close_ms,
            supply_s=10,
            reset_cause=Cause.POWER_ON,
        )
        frames = encode_frame(RunStart.CODE, 0, start.encode(), journal_id, number)
    while len(frames) < 440:
        size = min(int(rng.integers(20, 200)), 470 - len(frames))
        frames += encode_frame(Raw.CODE, len(frames), rng.bytes(size), journal_id, number)
    return encode_block(journal_id, number, run, 1_000 * number, frames)


@dataclass(frozen=True)
class Speech:
    """What the line says: bytes, and when each one's start bit begins, in ns since power came."""

    data: bytes
    starts_ns: NDArray[np.float64]
    baud: int

    @property
    def ends_ns(self) -> NDArray[np.uint64]:
        """When each byte's stop bit ends."""
        return (self.starts_ns + BITS_PER_BYTE * 1e9 / self.baud).astype(np.uint64)

    @property
    def end_ns(self) -> int:
        """End of the last byte; 0 for a silent line."""
        return int(self.ends_ns[-1]) if self.data else 0


def make_speech(work: Workload, seed: list[int]) -> Speech:
    """The workload's line, seeded random bytes: no piece of it is found elsewhere in it by chance."""
    data = np.random.default_rng(seed).bytes(work.bytes)
    byte_ns = BITS_PER_BYTE * 1e9 / work.baud
    index = np.arange(work.bytes, dtype=np.float64)
    starts: NDArray[np.float64] = index * byte_ns
    if work.burst_bytes:
        period_ns = max(work.period_ms * 1e6, (work.burst_bytes + GAP_BYTES) * byte_ns)
        starts = index // work.burst_bytes * period_ns + index % work.burst_bytes * byte_ns
    return Speech(data, np.asarray(work.start_ms * 1e6 + starts, dtype=np.float64), work.baud)


def short_speech(campaign: Campaign, seed: list[int], count: int) -> Speech:
    """What the next run shall record whole: it begins when the logger has learned its speed, fits the ring before."""
    plain = campaign.workload.baud == 57_600 and campaign.card.manners == "plain"
    start_ms = 400.0 if plain else 1_500.0
    return make_speech(Workload(campaign.workload.baud, start_ms, count, 0, 0.0, 0.0), seed)


def make_card(plan: CardPlan, seed: int) -> Card:
    """The campaign's card, without faults."""
    base = AWKWARD if plan.manners == "awkward" else Card()
    return Card(
        high_capacity=plan.address == "by block",
        version=2 if plan.address == "by block" else 1,
        busy=_busy(plan),
        acmd41_ms=base.acmd41_ms,
        power_up_ms=base.power_up_ms,
        ncr_bytes=base.ncr_bytes,
        cmd0_ignored=base.cmd0_ignored,
        garbage_bytes=base.garbage_bytes,
        miso_low_before_init=base.miso_low_before_init,
        read_latency_ms=base.read_latency_ms,
        seed=seed,
    )


def _busy(plan: CardPlan) -> BusyTimes:
    def draw(rng: np.random.Generator, count: int) -> Milliseconds:
        times = rng.uniform(plan.busy_low_ms, plan.busy_high_ms, min(count, 4096))
        if plan.stall_every:
            times[plan.stall_every - 1 :: plan.stall_every] = plan.stall_ms
        return times

    return draw
