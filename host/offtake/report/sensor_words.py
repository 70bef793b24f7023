"""The answer of what the sensors measured."""

from __future__ import annotations

from offtake.report import text
from offtake.report.answer import Answer, Ref, Sentence, Verdict, noun, ref
from offtake.report.figures import MEASURED, Facts
from offtake.report.sensor_rows import OWN_MAX, own_messages


def sensor_answer(facts: Facts) -> Answer:
    """What each of the sensors did, and what of theirs is missing."""
    told = {figure.key for group in facts.groups if group.title == MEASURED for figure in group.figures}
    kinds: list[str] = []
    sentences: list[Sentence] = []
    inputs = [number for number in (1, 2) if f"input_{number}" in told]
    if inputs:
        kinds.append(noun(len(inputs), "analogue input"))
        sentences += [
            (f"Analogue input {number}: ", ref(facts, f"input_{number}"), ", at the end ",
             ref(facts, f"input_{number}_last"), ".") for number in inputs
        ]  # fmt: skip
    if "events" in told:
        events = ref(facts, "events")
        kinds += ["events"] if events.shown != "0" else []
        sentences.append((events, " event came." if events.shown == "1" else " events came."))
    if "pulses" in told:
        kinds += ["pulses"] if facts.figure("pulses").all != "0" else []
        sentences.append(_pulses(facts, told))
    air: list[str | Ref] = []
    for key, words in (("pressure", "pressure "), ("temperature", "its sensor's temperature ")):
        if key in told:
            kinds.append(key)
            air += [", " if air else "", words if air else words.capitalize(), ref(facts, key)]
    if air:
        sentences.append((*air, "."))
    own = own_messages(facts.runs)
    if own:
        kinds.append("messages of your own")
        sentences.append(_own(facts, own))
    sentences.append(_owed(facts))
    owed = any(one.sensor_losses for one in facts.runs)
    verdict: Verdict = "look" if owed else "good"
    if not any(one.sensor_frames for one in facts.runs):
        return Answer(MEASURED, "bad", "Nothing.", tuple(sentences))
    word = f"{', '.join(kinds)}." if kinds else "Nothing that is known here."
    return Answer(MEASURED, verdict, word[0].upper() + word[1:], tuple(sentences))


def _pulses(facts: Facts, told: set[str]) -> Sentence:
    pulses = ref(facts, "pulses")
    line: Sentence = (pulses, " pulse came" if pulses.shown == "1" else " pulses came")
    return (*line, ", at ", ref(facts, "pulse_rate"), ".") if "pulse_rate" in told else (*line, ".")


def _own(facts: Facts, own: dict[int, str]) -> Sentence:
    line: list[str | Ref] = ["Frames of your own messages: "]
    for place, (code, name) in enumerate(list(own.items())[:OWN_MAX]):
        line += [", " if place else "", f"{name} ", ref(facts, f"own_{code}")]
    more = len(own) - OWN_MAX
    return (*line, f" and {text.plural(more, 'kind')} more." if more > 0 else ".")


def _owed(facts: Facts) -> Sentence:
    """What is missing, or that nothing is; both counts are the logger's, and exact."""
    room, silent = (sum(one.losses[cause] for one in facts.runs) for cause in ("sensor_room", "sensor_silent"))
    first = "The logger counted as missing, exactly: " if room or silent else "The logger counted nothing missing: "
    return (
        first, ref(facts, "sensor_room"), f" {noun(room, 'frame')} without room, ", ref(facts, "sensor_silent"),
        f" {noun(silent, 'reading')} unanswered.",
    )  # fmt: skip
