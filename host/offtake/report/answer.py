"""A question's answer in words: sentences that point at the figures they tell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from offtake.report.figures import Facts

Verdict = Literal["good", "look", "bad", "unknown"]


@dataclass(frozen=True)
class Ref:
    """A figure of the table within a sentence: of ``run``, or of the whole journal. ``shown`` is the cell's text."""

    key: str
    shown: str
    run: int | None = None


Sentence = tuple[str | Ref, ...]


@dataclass(frozen=True)
class Answer:
    """A question's answer. ``word`` is the short one; ``sentences`` are for everyone, ``notes`` for those who look
    closer."""

    question: str
    verdict: Verdict
    word: str
    sentences: tuple[Sentence, ...]
    notes: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """The answer as plain text."""
        parts = ("".join(one if isinstance(one, str) else one.shown for one in line) for line in self.sentences)
        return f"{self.question} {self.word} {' '.join(parts)}"


def ref(facts: Facts, key: str, run: int | None = None) -> Ref:
    """The figure ``key`` of ``run``, or of the whole journal."""
    figure = facts.figure(key)
    return Ref(key, figure.all if run is None else figure.cells[run], run)


def noun(count: int, one: str) -> str:
    """``one``, or more of it."""
    return one if count == 1 else f"{one}s"
