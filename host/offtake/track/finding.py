"""A glitch before it gets its moments: positions in the columns, and how to make a Glitch of it."""

from __future__ import annotations

from dataclasses import dataclass

from offtake.track.analysis import Glitch, GlitchKind
from offtake.track.fix import Track


@dataclass(frozen=True)
class Finding:
    """``first`` and ``last`` are indices into the track. ``suspect`` says that the positions in it are wrong (so no way
    is measured over them); ``lasting`` that what follows stays where the glitch led."""

    kind: GlitchKind
    first: int
    last: int
    evidence: tuple[tuple[str, float], ...]
    text: str
    suspect: bool = False
    lasting: bool = False


def glitch_of(track: Track, found: Finding) -> Glitch:
    """Return ``found`` with the ticks and the UTC of its fixes."""
    fixes = track.fixes
    return Glitch(
        run=track.run,
        kind=found.kind,
        first=found.first,
        last=found.last,
        start_tick_us=int(fixes.tick_us[found.first]),
        end_tick_us=int(fixes.tick_us[found.last]),
        start_utc=fixes.utc(found.first),
        evidence=found.evidence,
        text=found.text,
    )


def seconds_text(seconds: float) -> str:
    """Seconds as a person reads them."""
    return f"{seconds:.1f} s" if abs(seconds) < 120 else f"{seconds / 60:.1f} min"


def metres_text(metres: float) -> str:
    """Metres or kilometres as a person reads them."""
    return f"{metres:.1f} m" if abs(metres) < 1000 else f"{metres / 1000:.2f} km"


def fixes_text(count: int) -> str:
    """A number of fixes in words."""
    return "one fix" if count == 1 else f"{count:,} fixes"
