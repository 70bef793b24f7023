"""How long a card may be busy before the logger loses a byte of a saturated line.

A run is the real image on the bench with one long busy time on an otherwise quick card. It survives when every byte
of the line is on the card, in order, and nothing was counted as lost. The longest survived time is searched by
bisection to 0.1 ms; at each time several phases are tried (other blocks, other bytes, other offsets of the line against
the chip's clock), and all of them have to survive.
"""

from __future__ import annotations

from dataclasses import dataclass

from offtake.bench.cards import Card, constant, uniform
from offtake.errors import DamageError
from rig import BLOCK_LINE_BYTES, CARD, LINE_START_MS, RING_FULL, JournalImage, Rig, noise, one_stall

BAUDS = (9_600, 38_400, 57_600, 115_200, 230_400, 250_000)
RAM_BYTES = 2048
"""Of the whole chip: nothing could hold more of a line while the card takes nothing."""
TAIL_BLOCKS = 3
SETTLE_MS = 1500.0
STEP_MS = 0.1
"""How finely the search looks; a byte at 115,200 baud is 0.087 ms."""


@dataclass(frozen=True)
class Phase:
    """Where a stall falls: after accepted block ``block`` (from 0), with the line's bytes and start shifted."""

    block: int
    seed: int
    shift_ms: float


PHASES = (Phase(1, 1, 103.8), Phase(4, 2, 7.03), Phase(2, 1, 259.5), Phase(9, 4, 41.71))
"""The first two blocks that hold line bytes, with the end of the run's start and the first supply frame, and two of the
steady state."""


@dataclass(frozen=True)
class Outcome:
    """What became of one run: bytes sent, read by the chip, on the card in order, counted lost, lost by overrun."""

    sent: int
    read: int
    intact: bool
    counted_lost: int
    overrun_lost: int
    framing_errors: int

    @property
    def survived(self) -> bool:
        """Whether every byte of the line is on the card and nothing else is told."""
        return self.intact and self.counted_lost == 0 and self.overrun_lost == 0 and self.framing_errors == 0

    @property
    def misread(self) -> bool:
        """Whether the line and the chip's divider do not fit: bytes without a stop bit, or never recognised."""
        return self.framing_errors > 0 or self.read + self.overrun_lost < self.sent


@dataclass(frozen=True)
class StallRow:
    """One line of the table; times are milliseconds.

    ``line_bd`` is the speed that the line really ran at; it differs from ``baud`` when the chip's divider misreads
    a saturated line at ``baud`` itself. ``misread`` says what a line at ``baud`` met with, or is empty.
    """

    baud: int
    line_bd: float
    survived_ms: float
    lost_at_next_ms: Outcome
    limit_ms: float
    misread: str

    @property
    def share(self) -> float:
        """Of the physical limit."""
        return self.survived_ms / self.limit_ms


class StallSearch:
    """The search at one speed; the journal is set to it and the board knows it from an earlier start."""

    def __init__(
        self, rig: Rig, baud: int, *, phases: tuple[Phase, ...] = PHASES, journal: JournalImage | None = None
    ) -> None:
        self.rig = rig
        self.baud = baud
        self.phases = phases
        self.journal = journal or rig.journal(baud)
        self._fresh = bytes(self.journal.image)
        self._eeprom = rig.taught(self.journal)

    def run(self, payload: bytes, line_bd: float, card: Card, *, shift_ms: float = 0.0) -> Outcome:
        """One run on a fresh card, to the end of the line and until all of it is written."""
        self.journal.image[:] = self._fresh
        line = self.rig.saturated(payload, line_bd, start_ms=LINE_START_MS + shift_ms)
        with self.rig.bench(self.journal, card=card, line=line, eeprom=self._eeprom) as bench:
            bench.run_line(then_ms=SETTLE_MS)
            uart = bench.uart
        seen = self.journal.read()
        lost = sum(causes.get(cause, 0) for causes in seen.lost.values() for cause in (RING_FULL, CARD))
        data = b"".join(bytes(seen.data[run]) for run in sorted(seen.data))
        return Outcome(uart.sent, uart.read, data == payload, lost, uart.overrun_lost, uart.framing_errors)

    def stall(self, phase: Phase, stall_ms: float, line_bd: float) -> Outcome:
        """One run with one stall."""
        during = int(stall_ms * line_bd / 10_000) + 1
        payload = noise((phase.block + 1 + TAIL_BLOCKS) * BLOCK_LINE_BYTES + during, phase.seed)
        return self.run(payload, line_bd, one_stall(phase.block, stall_ms), shift_ms=phase.shift_ms)

    def first_loss(self, stall_ms: float, line_bd: float) -> Outcome | None:
        """The first phase that loses something at this busy time; None when all survive."""
        for phase in self.phases:
            outcome = self.stall(phase, stall_ms, line_bd)
            if not outcome.survived:
                return outcome
        return None

    def unstalled(self, line_bd: float) -> Outcome:
        """A short saturated line on the quick card alone: is it read at all?"""
        return self.run(noise(8 * BLOCK_LINE_BYTES, 9), line_bd, Card(busy=constant(1.0), seed=3))


def longest_stall(rig: Rig, baud: int, *, phases: tuple[Phase, ...] = PHASES) -> StallRow:
    """The table's line for one speed; 0 ms where the line is not sustained even on the quick card.

    The search's premise, that a longer stall never survives where a shorter one does not, is checked beside the end:
    the time found and three before it survive in all phases, and the next one does not.

    :raises DamageError: the premise does not hold.
    """
    search = StallSearch(rig, baud, phases=phases)
    line_bd, misread = float(baud), ""
    probe = search.unstalled(line_bd)
    if probe.misread:
        reached = f"{probe.read:,} of {probe.sent:,} bytes reached the chip, {probe.framing_errors:,} framing errors"
        misread = f"line misread: divisor error {100 * (rig.own_rate(baud) / baud - 1):+.1f} % ({reached})"
        line_bd = rig.own_rate(baud)
    limit_ms = RAM_BYTES * 10_000 / line_bd
    low, high = 10, int(limit_ms / STEP_MS) + 1  # steps
    at_low, at_high = search.first_loss(low * STEP_MS, line_bd), search.first_loss(high * STEP_MS, line_bd)
    if at_low is not None:
        return StallRow(baud, line_bd, 0, at_low, limit_ms, misread)
    if at_high is None:
        found = f"{high * STEP_MS:.1f} ms are survived at {baud} baud"
        raise DamageError(found, expected=f"at most the limit of {limit_ms:.1f} ms")
    while high - low > 1:
        middle = (low + high) // 2
        lost = search.first_loss(middle * STEP_MS, line_bd)
        if lost is None:
            low = middle
        else:
            high, at_high = middle, lost
    for shorter in (low - 1, low - 2, low - 10):
        if shorter > 0 and search.first_loss(shorter * STEP_MS, line_bd) is not None:
            found = f"at {baud} baud {low * STEP_MS:.1f} ms are survived and {shorter * STEP_MS:.1f} ms are not"
            raise DamageError(found)
    return StallRow(baud, line_bd, round(low * STEP_MS, 1), at_high, limit_ms, misread)


def floor_holds(rig: Rig, baud: int, stall_ms: float, *, phases: tuple[Phase, ...]) -> Outcome | None:
    """None when ``stall_ms`` survives at the speed the line can be read at, else the first loss."""
    search = StallSearch(rig, baud, phases=phases)
    line_bd = rig.own_rate(baud) if search.unstalled(baud).misread else float(baud)
    return search.first_loss(stall_ms, line_bd)


def endurance(rig: Rig, baud: int, seconds: float) -> Outcome:
    """A saturated line for ``seconds`` on a card whose busy times are 1 to 5 ms."""
    blocks = int(seconds * baud / 10 / BLOCK_LINE_BYTES * 1.05) + 64
    search = StallSearch(rig, baud, journal=rig.journal(baud, blocks=blocks))
    payload = noise(int(seconds * baud / 10), 11)
    return search.run(payload, baud, Card(busy=uniform(1.0, 5.0), seed=5))
