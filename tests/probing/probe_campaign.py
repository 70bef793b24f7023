"""Which lines the table is made of: every speed, dialect and noise, what is not usual, and what is no receiver."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

from offtake.probe.model import FRAMING_USUAL, Framing
from probe_lines import FLOATING, NOISE, QUIET, Case
from probe_streams import KNOWN, UNKNOWN

BAUDS = (4_800, 9_600, 14_400, 19_200, 38_400, 57_600, 76_800, 115_200, 230_400, 250_000, 460_800, 921_600)
ERRORS = (0.0, 1e-4, 1e-3, 1e-2, 1e-1)
ERRORS_HELD = 1e-2
"""Up to so many bit errors the verdict has to be right."""
FRAMINGS = {
    "text": ("8E1", "8O1", "7E1", "7O1", "8N2"),
    "b562": ("8E1", "8O1", "8N2"),
    "rtcm3": ("8E1", "8O1", "8N2"),
    "mixed": ("8E1", "8O1", "8N2"),
}
_MORE_EACH = 6
"""How many seeds of what has no speed stand for one seed."""


def receivers(seed: int, count: int) -> Iterator[Case]:
    """Each speed, dialect and noise, ``count`` seeds of each."""
    for kind, baud, errors, number in product(KNOWN, BAUDS, ERRORS, range(count)):
        yield Case(kind, baud, FRAMING_USUAL, False, errors, seed + number)


def framed(seed: int, count: int) -> Iterator[Case]:
    """Other framings, at speeds that take turns."""
    for kind, errors, number in product(KNOWN, ERRORS, range(count)):
        for place, framing in enumerate(FRAMINGS[kind]):
            baud = BAUDS[(5 * place + 3 * number + list(ERRORS).index(errors)) % len(BAUDS)]
            yield Case(kind, baud, Framing.parse(framing), False, errors, seed + number)


def inverted(seed: int, count: int) -> Iterator[Case]:
    """Upside down, at speeds that take turns, in the usual framing and in even parity."""
    for (place, kind), errors, framing, number in product(enumerate(KNOWN), ERRORS, ("8N1", "8E1"), range(count)):
        baud = BAUDS[(3 * place + 5 * number + 2 * list(ERRORS).index(errors)) % len(BAUDS)]
        yield Case(kind, baud, Framing.parse(framing), True, errors, seed + number)


def unknown(seed: int, count: int) -> Iterator[Case]:
    """Bytes in nobody's dialect."""
    for kind, (place, baud), number in product(UNKNOWN, enumerate(BAUDS), range(count)):
        yield Case(kind, baud, FRAMING_USUAL, False, ERRORS[(place + number) % 4], seed + number)


def without_bytes(seed: int, count: int) -> Iterator[Case]:
    """Silence, loose tips, noise, clocks and other buses."""
    for kind, number in product((*QUIET, *FLOATING, *NOISE), range(_MORE_EACH * count)):
        yield Case(kind, seed=seed + number)


def quick(seed: int) -> Iterator[Case]:
    """A few of everything."""
    kinds = tuple(KNOWN)
    for place, baud in enumerate(BAUDS):
        yield Case(kinds[place % 4], baud, FRAMING_USUAL, False, ERRORS[(place + place // 4) % 4], seed)
    for place, kind in enumerate(kinds):
        framing = FRAMINGS[kind][place % 3]
        yield Case(kind, BAUDS[3 * place + 1], Framing.parse(framing), False, 1e-3, seed)
        yield Case(kind, BAUDS[2 * place + 3], FRAMING_USUAL, False, 1e-1, seed)
    yield Case("text", 38_400, FRAMING_USUAL, True, 1e-3, seed)
    yield Case("b562", 115_200, Framing.parse("8E1"), True, 1e-2, seed)
    for place, kind in enumerate(UNKNOWN):
        yield Case(kind, BAUDS[4 * place + 1], FRAMING_USUAL, False, 1e-4, seed)
    for kind in (*QUIET, *FLOATING, *NOISE):
        yield Case(kind, seed=seed)


def glance(seed: int) -> Iterator[Case]:
    """So few that a test has time for them."""
    kinds = tuple(KNOWN)
    for place, baud in enumerate(BAUDS):
        yield Case(kinds[place % 4], baud, FRAMING_USUAL, False, ERRORS[(place + place // 4) % 4], seed)
    yield Case("text", 38_400, Framing.parse("7E1"), False, 1e-3, seed)
    yield Case("b562", 9_600, Framing.parse("8E1"), False, 1e-4, seed)
    for kind in ("own_text", "silent_high", "silent_low"):
        yield Case(kind, seed=seed)


def full(seed: int, count: int) -> Iterator[Case]:
    """All of it, ``count`` seeds of each."""
    yield from receivers(seed, count)
    yield from framed(seed, count)
    yield from inverted(seed, count)
    yield from unknown(seed, count)
    yield from without_bytes(seed, count)


def is_held(way: str, case: Case) -> bool:
    """Whether ``way`` has to be right on ``case``: a receiver with at most 1 % bit errors, and an adapter that reads
    its polarity."""
    return case.kind in KNOWN and case.errors <= ERRORS_HELD and not (way == "walk" and case.inverted)
