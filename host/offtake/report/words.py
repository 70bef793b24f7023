"""The summary: questions answered in sentences whose figures all stand in the table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from offtake.report import text
from offtake.report.answer import Answer, Ref, Sentence, noun, ref
from offtake.report.figures import Facts, RunFacts
from offtake.report.kinds import CAUSES, EXACT_CAUSES, GLITCHES, SENSOR_CAUSES
from offtake.report.sensor_rows import has_sensors
from offtake.report.sensor_words import sensor_answer
from offtake.track.analysis import GapReason

FIXED_SHARE_MIN = 0.95
"""At least this share of epochs with a position counts as good,"""
HDOP_MEDIAN_MAX = 2.0
"""and at most this median dilution."""
LATE_P95_MAX_S = 0.1
STAMP_ERROR_MAX_S = 0.05
NOTES_SHOWN = 6
_RUNS_NAMED = 8
_GAP_REASONS: dict[GapReason, str] = {
    "no_position": "where epochs came without a position",
    "bytes_lost": "where the logger lost bytes",
    "nothing_heard": "where nothing was heard",
}


def answers(facts: Facts) -> tuple[Answer, ...]:
    """Answer the five questions, and where there are sensors what they measured."""
    sensors = (sensor_answer(facts),) if has_sensors(facts.runs) else ()
    return (_logged(facts), *sensors, _missing(facts), _fixes(facts), _glitches(facts), _time(facts))


def _logged(facts: Facts) -> Answer:
    question = "Did it log?"
    if not facts.runs:
        return Answer(question, "bad", "No.", (("No run was found in the journal.",),))
    total = sum(one.run.info.raw_bytes for one in facts.runs)
    many = text.plural(len(facts.runs), "run")
    first: Sentence = (
        f"{many} of ", ref(facts, "length"), ", with ", ref(facts, "bytes"),
        f" {'byte' if total == 1 else 'bytes'} of the receiver's line.",
    )  # fmt: skip
    ended = Counter(one.ended for one in facts.runs)
    sentences = [first, (_how_ended(facts, ended),)]
    sensors = sum(one.sensor_frames for one in facts.runs)
    if sensors:
        sentences.append(("Beside the line it logged ", ref(facts, "sensors"), f" {noun(sensors, 'frame')} of its "
                          "sensors."))  # fmt: skip
    if not total:
        return Answer(question, "bad", "It ran, but heard nothing.", tuple(sentences))
    silent = [one.run.run for one in facts.runs if not one.run.info.raw_bytes]
    if silent:
        sentences.append((f"{text.plural(len(silent), 'run')} heard nothing on the line.",))
    return Answer(question, "look" if silent else "good", "In part." if silent else "Yes.", tuple(sentences))


def _how_ended(facts: Facts, ended: Counter[str]) -> str:
    words = {
        "cut off": "was cut off without a closing frame, as by loss of power",
        "journal full": "ended because the journal was full",
        "greeted by a computer": "ended when a computer greeted the logger",
    }
    if len(facts.runs) == 1:
        (how,) = ended
        return f"It {words.get(how, 'ended for a ' + how)}."
    parts = []
    for how, count in sorted(ended.items()):
        said = words.get(how, "ended for a " + how)
        if count > 1:
            said = said.replace("was ", "were ", 1) if said.startswith("was ") else said
        parts.append(f"{count} {said}")
    return "Of these, " + "; ".join(parts) + "."


def _looked_at(facts: Facts) -> str:
    """What was checked: the journal, or one run of it."""
    return "journal" if facts.inputs.verify.only_run is None else "run"


def _missing(facts: Facts) -> Answer:
    question = "Is anything missing?"
    if not facts.runs:
        nothing: Sentence = (
            "Without a run there is nothing to miss from; ",
            ref(facts, "blocks"),
            " blocks are intact.",
        )
        return Answer(question, "unknown", "That cannot be told.", (nothing,))
    verify = facts.inputs.verify
    lost = sum(one.run.info.lost_bytes for one in facts.runs)
    flags = sum(one.run.info.loss_events for one in facts.runs)
    broken = verify.blocks.damaged + verify.blocks.torn + verify.missing_blocks
    gaps = sum(len(one.run.analysis.gaps) for one in facts.runs)
    absent = {cause: sum(one.losses[cause] for one in facts.runs) for cause in SENSOR_CAUSES}
    sensor_losses = any(absent.values())
    sentences: list[Sentence] = []
    if lost or flags:
        counted = f" lost {noun(lost, 'byte')}"
        sentences.append(("The logger counted ", ref(facts, "lost"), counted, *_flags(facts, flags)))
        causes = _causes(facts)
        if causes:
            sentences.append((causes,))
    else:
        nothing_lost = "Of the line nothing was lost" if sensor_losses else "Nothing was lost"
        sentences.append((f"{nothing_lost} that the logger could count: ", ref(facts, "lost"), " bytes and ",
                          ref(facts, "flags"), " flags from the chip."))  # fmt: skip
    if broken:
        blocks: Sentence = (
            f"Of the {_looked_at(facts)}'s blocks, ", ref(facts, "damaged"), _are(broken - verify.missing_blocks),
            " damaged and ", ref(facts, "absent"), _are(verify.missing_blocks),
            " missing; what could be salvaged of them is in this report.",
        )  # fmt: skip
        # First what is missing, then what is not.
        sentences.insert(len(sentences) if lost or flags else 0, blocks)
    elif verify.clean:
        whole = f" {noun(verify.blocks.intact, 'block')}, each with a right check."
        sentences.append((f"The {_looked_at(facts)} is whole: ", ref(facts, "blocks"), whole))
    else:
        found = text.plural(verify.damage, "finding")
        sentences.append((f"The {_looked_at(facts)} is not clean: {found}, listed below; ", ref(facts, "blocks"),
                          " blocks are intact."))  # fmt: skip
    if sensor_losses:
        sentences.append(("Of the sensors, ", ref(facts, "sensor_room"),
                          f" {noun(absent['sensor_room'], 'frame')} found no room, or their time passed, and ",
                          ref(facts, "sensor_silent"), f" {noun(absent['sensor_silent'], 'reading')} went "
                          "unanswered, exactly."))  # fmt: skip
    bad = sum(one.run.track.counts.bad_checksum for one in facts.runs)
    if bad:
        sentences.append(("Of the messages, ", ref(facts, "bad"), " failed their check, and ",
                          ref(facts, "noise"), " bytes belong to no message."))  # fmt: skip
    if gaps:
        sentences.append(("The track has ", ref(facts, "gaps"), f" {noun(gaps, 'gap')} of ", ref(facts, "gap_time"),
                          " in all, the longest ", ref(facts, "gap_longest"), f": {_reasons(facts)}."))  # fmt: skip
    else:
        sentences.append(("The track has ", ref(facts, "gaps"), " gaps."))
    if broken or lost or not verify.clean:
        return Answer(question, "bad", "Yes.", tuple(sentences))
    if flags or gaps or bad:
        return Answer(question, "look", "Something, perhaps.", tuple(sentences))
    if sensor_losses:
        return Answer(question, "look", "Of the sensors, yes.", tuple(sentences))
    return Answer(question, "good", "Nothing that could be counted.", tuple(sentences))


def _are(count: int) -> str:
    return " is" if count == 1 else " are"


def _flags(facts: Facts, flags: int) -> Sentence:
    if not flags:
        return (", exactly.",)
    said = f" {noun(flags, 'flag')} from the chip, each for at least one byte."
    return (", exactly, and ", ref(facts, "flags"), said)


def _causes(facts: Facts) -> str:
    total: Counter[str] = Counter()
    for one in facts.runs:
        for cause, count in one.losses.items():
            if cause in SENSOR_CAUSES:
                continue
            total[cause if cause in CAUSES else "other"] += count
    parts = []
    for cause, count in sorted(total.items(), key=lambda item: (-item[1], item[0])):
        if count:
            unit = "byte" if cause in EXACT_CAUSES else "flag"
            parts.append(f"{text.plural(count, unit)}: {CAUSES.get(cause, 'another cause')}")
    return "By cause: " + "; ".join(parts) + "." if parts else ""


def _reasons(facts: Facts) -> str:
    reasons = Counter(gap.reason for one in facts.runs for gap in one.run.analysis.gaps)
    return ", ".join(
        f"{text.whole(reasons[reason])} {words}" for reason, words in _GAP_REASONS.items() if reasons[reason]
    )


def _fixes(facts: Facts) -> Answer:
    question = "Are the fixes good?"
    epochs, placed = sum(one.epochs for one in facts.runs), sum(one.placed for one in facts.runs)
    if not epochs:
        none: list[Sentence] = [("The stream has ", ref(facts, "epochs"), " epochs.")]
        if sum(one.run.track.counts.noise_bytes for one in facts.runs):
            why = "a wrong speed or polarity of the line looks like this, and so does a dialect that is not known here."
            none.append((ref(facts, "noise"), f" bytes belong to no message that was understood: {why}"))
        return Answer(question, "unknown", "There are none.", tuple(none))
    sentences: list[Sentence] = [
        (ref(facts, "placed"), " of ", ref(facts, "epochs"), " epochs have a position (", ref(facts, "share"), ").")
    ]
    if not placed:
        return Answer(question, "bad", "No.", tuple(sentences))
    # Medians do not add up over runs, so the longest run with fixes speaks.
    best = max((one for one in facts.runs if one.placed), key=lambda one: one.placed)
    sentences.extend(_quality(facts, best))
    rested = sum(1 for one in facts.runs for stretch in one.run.analysis.stretches if stretch.scatter)
    if rested:
        sentences.append((f"{text.plural(rested, 'stay')} at rest {'was' if rested == 1 else 'were'} long enough to "
                          "measure the scatter; the pictures show it.",))  # fmt: skip
    hdop = best.run.analysis.hdop
    enough = placed >= FIXED_SHARE_MIN * epochs
    sharp = hdop is None or hdop.median <= HDOP_MEDIAN_MAX
    note = (
        f"Counted as good: at least {FIXED_SHARE_MIN * 100:.0f} % of the epochs with a position, and half of the "
        f"horizontal dilutions at most {HDOP_MEDIAN_MAX:.0f}."
    )
    if hdop is None:
        note += " This stream tells no dilution."
    datum = dict.fromkeys(text.stranger(said, 300) for one in facts.runs for said in one.run.track.notes)
    sentences.extend((said,) for said in datum)
    if enough and sharp and not datum:
        return Answer(question, "good", "Yes, by what the receiver says of them.", tuple(sentences), (note,))
    if enough and sharp:
        return Answer(question, "look", "Yes, but on another datum.", tuple(sentences), (note,))
    word = "Few of them." if placed * 2 < epochs else "Not all."
    return Answer(question, "bad" if placed * 2 < epochs else "look", word, tuple(sentences), (note,))


def _quality(facts: Facts, best: RunFacts) -> list[Sentence]:
    number = best.run.run
    analysis = best.run.analysis
    pieces: list[Sentence] = []
    if analysis.satellites_used is not None:
        pieces.append((ref(facts, "satellites", number), " satellites used"))
    if analysis.hdop is not None:
        pieces.append(("horizontal dilution ", ref(facts, "hdop", number)))
    if analysis.horizontal_accuracy_m is not None:
        pieces.append(("accuracy as told ", ref(facts, "accuracy", number)))
    if analysis.cn0_db_hz is not None:
        pieces.append(("C/N0 ", ref(facts, "cn0", number)))
    if not pieces:
        return [("The stream tells neither satellites nor dilution nor accuracy.",)]
    which = f"Medians of run {number}, the one with most fixes" if len(facts.runs) > 1 else "Medians"
    line: list[str | Ref] = [f"{which}: "]
    for place, piece in enumerate(pieces):
        line.extend(((", ",) if place else ()) + piece)
    return [(*line, ".")]


def _glitches(facts: Facts) -> Answer:
    question = "Did anything glitch?"
    kinds = Counter(glitch.kind for one in facts.runs for glitch in one.run.analysis.glitches)
    if not any(one.epochs for one in facts.runs):
        return Answer(
            question, "unknown", "Cannot be told without epochs.", (("Found: ", ref(facts, "glitches"), "."),)
        )
    if not kinds and not any(one.placed for one in facts.runs):
        timed: Sentence = (
            ref(facts, "glitches"),
            " were found in the times of ",
            ref(facts, "epochs"),
            " epochs; nothing else could be looked at.",
        )
        return Answer(question, "unknown", "Cannot be told without positions.", (timed,))
    if not kinds:
        line: Sentence = (ref(facts, "glitches"), " glitches were found among ", ref(facts, "epochs"), " epochs.")
        return Answer(question, "good", "Nothing that was found.", (line,))
    parts: list[str | Ref] = ["Found: ", ref(facts, "glitches"), " ("]
    for place, kind in enumerate(kind for kind in GLITCHES if kinds[kind]):  # type: ignore[index]
        parts.extend(((", ",) if place else ()) + (f"{GLITCHES[kind]}: ", ref(facts, f"glitch_{kind}")))
    parts.append("). Each is listed below with its evidence; none was taken out of the track.")
    return Answer(question, "look", "Yes.", (tuple(parts),))


def _time(facts: Facts) -> Answer:
    question = "How good is the time?"
    dated = [one for one in facts.runs if one.run.track.timeline is not None and one.run.track.timeline.usable]
    notes = _notes(facts)
    left_out = len(notes) - NOTES_SHOWN
    if left_out > 0:
        notes = (*notes[:NOTES_SHOWN], f"And {text.plural(left_out, 'note')} of this kind more.")
    if not dated:
        line: Sentence = (
            "No date was told in the ", ref(facts, "length"), " recorded: times here count from each run's start "
            "by the logger's own clock, which may be off by 0.5 %.",
        )  # fmt: skip
        return Answer(question, "unknown", "It is not on UTC.", (line,), notes)
    worst = max(dated, key=lambda one: (one.uncertainty_median_s or 0.0, -one.run.run))
    number = worst.run.run
    which = f"Of run {number}, the least certain" if len(dated) > 1 else "Of the run"
    sentences: list[Sentence] = [
        (f"{which}: a stamp is uncertain by ", ref(facts, "error", number), " (95 %, median), at most ",
         ref(facts, "error_most", number), "."),
        _drift(facts, worst),
        ("An epoch's first byte comes late by ", ref(facts, "late", number), " (median), 95 % within ",
         ref(facts, "late95", number), "; ", ref(facts, "unfit", number), " epochs told a time that did not fit."),
    ]  # fmt: skip
    undated = len(facts.runs) - len(dated)
    if undated:
        sentences.append((f"{text.plural(undated, 'run')} told no date and {'counts' if undated == 1 else 'count'} "
                          "from the start.",))  # fmt: skip
    line_95 = worst.run.track.timeline.residual_p95_s if worst.run.track.timeline else None
    close = (worst.uncertainty_median_s or 0.0) <= STAMP_ERROR_MAX_S and (line_95 or 0.0) <= LATE_P95_MAX_S
    rejected = any(one.run.track.timeline.marks_rejected for one in dated if one.run.track.timeline)
    if close and not undated and not rejected:
        return Answer(question, "good", "On UTC, within the uncertainty told here.", tuple(sentences), notes)
    return Answer(question, "look", "On UTC, but see how far.", tuple(sentences), notes)


def _drift(facts: Facts, one: RunFacts) -> Sentence:
    timeline, number = one.run.track.timeline, one.run.run
    if timeline is None or timeline.drift_ppm is None:
        return ("How far the logger's clock differs from the receiver's cannot be told of so short a run.",)
    line: Sentence = ("The logger's clock differs from the receiver's by ", ref(facts, "drift", number))
    if timeline.drift_range_ppm is not None:
        line = (*line, " (", ref(facts, "drift_range", number), ")")
    return (*line, "; that is taken out.")


def _some(runs: Sequence[int]) -> str:
    shown = ", ".join(map(str, runs[:_RUNS_NAMED]))
    return shown if len(runs) <= _RUNS_NAMED else f"{shown} and {text.whole(len(runs) - _RUNS_NAMED)} more"


def _notes(facts: Facts) -> tuple[str, ...]:
    """What the time lines say, with the runs that say it where not all do."""
    said: dict[str, list[int]] = {}
    for one in facts.runs:
        for note in one.run.track.timeline.notes if one.run.track.timeline is not None else ():
            said.setdefault(text.stranger(note, 300), []).append(one.run.run)
    return tuple(note if len(runs) == len(facts.runs) else f"Run {_some(runs)}: {note}" for note, runs in said.items())
