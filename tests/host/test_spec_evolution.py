"""Every rule of evolution: broken and refused with its place, and followed, with old and new frames read."""

from __future__ import annotations

from pathlib import Path

import pytest
from evolution_cases import CASES, LOCK, MESSAGES, MORE
from offtake.errors import SpecError
from offtake.jobs.spec import check, generate
from offtake.spec.evolution import RULES
from offtake.spec.load import load_spec
from spec_worlds import classes, edit, findings, read_both_ways, released_copy


def test_every_rule_has_its_case_and_its_advice() -> None:
    assert [rule.name for rule in RULES] == list(CASES)
    assert all(rule.advice and rule.find.__doc__ for rule in RULES)


@pytest.mark.parametrize("name", CASES)
def test_broken_rule_is_refused(name: str, tmp_path: Path) -> None:
    case = CASES[name]
    folder = released_copy(tmp_path)
    for one in case.broken:
        edit(folder, *one)
    found = findings(folder)
    # One mistake, one rule, so that the advice is the right one.
    assert {finding.rule for finding in found} == {name}
    place, _, _ = found[0].where.partition(": ")
    file, _, line = place.partition(" line ")
    assert file == case.file
    assert case.line in (folder / file).read_text(encoding="utf-8").splitlines()[int(line) - 1]
    assert f"instead: {found[0].advice}" in str(found[0].error())
    assert found[0] in check(tmp_path).broken
    with pytest.raises(SpecError) as caught:
        generate(tmp_path, write=True)
    assert caught.value.where == found[0].where
    assert not (tmp_path / "host").exists()


@pytest.mark.parametrize("name", CASES)
def test_followed_rule_reads_old_and_new_frames(name: str, tmp_path: Path) -> None:
    folder = released_copy(tmp_path)
    before = load_spec(folder)
    for one in CASES[name].followed:
        edit(folder, *one)
    assert check(tmp_path).broken == ()
    read_both_ways(classes(before), classes(load_spec(folder)))


@pytest.mark.parametrize(("rule", "file", "old", "new"), MORE)
def test_more_ways_to_break_a_rule(rule: str, file: str, old: str, new: str, tmp_path: Path) -> None:
    folder = released_copy(tmp_path)
    edit(folder, file, old, new)
    assert {finding.rule for finding in findings(folder)} == {rule}


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"level", type = "u8"', '"level", type = "u16"'),
        ('"level", type = "u8"', '"level", type = "u8", unit = "m"'),
        ('"level", type = "u8"', '"level", type = "u8", scale = 0.5'),
        ('"level", type = "u8"', '"level", type = "u8", enum = "mood"'),
        ('"words", type = "text"', '"words", type = "bytes"'),
    ],
)
def test_the_advice_for_a_message_that_cannot_grow_can_be_followed(old: str, new: str, tmp_path: Path) -> None:
    folder = released_copy(tmp_path)
    path = folder / MESSAGES
    head, note, tail = path.read_text(encoding="utf-8").partition("[messages.note]")
    assert tail.count(old) == 1
    path.write_text(head + note + tail.replace(old, new), encoding="utf-8")
    (found,) = findings(folder)
    assert "write a new one beside it" in found.advice
    assert "append" not in found.advice


def test_nothing_is_broken_without_a_change_or_a_lock(tmp_path: Path) -> None:
    folder = released_copy(tmp_path)
    assert findings(folder) == ()
    edit(folder, MESSAGES, 'unit = "cm"', 'unit = "mm"')
    (folder / LOCK).unlink()
    assert findings(folder) == ()
