"""`offtake spec` as a person or a program meets it: questions on a terminal, answers, exit codes, 80 columns."""

from __future__ import annotations

import io
import json
import os
import pty
import select
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from kit_definitions import kit_copy, kit_spec
from offtake.cli import main
from offtake.errors import UsageError
from offtake.spec.load import load_spec
from offtake.spec.questions import Asker, ask_message
from spec_worlds import edit

PROGRAM = "import sys; from offtake.cli import main; sys.exit(main())"
SOIL = ["soil", "--doc", "Soil.", "--field", "moisture u16 % 0..100 scale=0.01: Water by volume."]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A checkout that is nothing but definitions."""
    kit_copy(tmp_path)
    return tmp_path


def run(root: Path, *words: str) -> int:
    return main(["spec", words[0], "--root", str(root), *words[1:]])


def test_add_by_options_says_what_is_next(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(root, "add", *SOIL, "--dry-run") == 0
    shown = capsys.readouterr().out
    assert "would go into" in shown
    assert "next:" not in shown
    assert load_spec(root / "shared_spec").messages == kit_spec().messages
    assert run(root, "add", *SOIL) == 0
    shown = capsys.readouterr().out
    for words in ("added to", "spec check", "spec generate", "ot_log_soil(tick, &record);", "spec publish"):
        assert words in shown
    assert load_spec(root / "shared_spec").messages[-1].name == "soil"


def test_add_for_programs(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(root, "add", *SOIL, "--code", "70", "--json") == 0
    values = json.loads(capsys.readouterr().out)
    assert (values["schema"], values["code"], values["written"]) == ("offtake.spec_add/1", 70, True)
    assert values["text"].startswith("[messages.soil]\ncode = 70\n")


@pytest.mark.parametrize(
    "words",
    [
        ["soil", "--field", "a u8: A."],
        ["--doc", "Soil.", "--field", "a u8: A."],
        ["soil", "--doc", "Soil.", "--field", "a u9: A."],
        ["soil", "--doc", "Soil.", "--field", "a u8: A.", "--code", "x"],
        ["soil", "--doc", "Soil.", "--field", "a u8: A.", "--at-most-hz", "often"],
        ["Soil", "--doc", "Soil.", "--field", "a u8: A."],
        ["soil", "--doc", "Soil.", "--field", "a u8: A.", "--enum", "mood"],
        ["soil"],
        ["soil", "--json"],
        ["soil", "--flags", "marks: a = A."],
        ["soil", "--doc", "Soil."],
    ],
)
def test_add_without_what_it_needs_is_a_usage_error(
    words: list[str], root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("soil\n"))
    assert run(root, "add", *words) == 2
    assert "expected" in capsys.readouterr().err
    assert load_spec(root / "shared_spec").messages == kit_spec().messages


class Talk:
    """A person at questions: answers from a list, remembers what was asked and told."""

    def __init__(self, *answers: str) -> None:
        self.answers: Iterator[str] = iter(answers)
        self.asked: list[str] = []
        self.told: list[str] = []

    def ask(self, question: str, default: str) -> str:
        self.asked.append(f"{question} [{default}]")
        return next(self.answers)

    def message(self) -> object:
        spec = kit_spec()
        return ask_message(Asker(self.ask, self.told.append), spec, "", 64, lambda message: None)


def test_every_question_has_an_answer_that_will_do() -> None:
    talk = Talk(*[""] * 30)
    message = talk.message()
    assert message.text() == (  # type: ignore[attr-defined]
        '[messages.reading]\ncode = 64\ndoc = "Reading."\nat_most_hz = 1\nfields = [\n'
        '    { name = "value", type = "u16", doc = "Value." },\n]\n'
    )
    assert not talk.told
    assert all(len(question) + 2 <= 80 for question in talk.asked)


def test_answers_are_asked_again_until_they_will_do() -> None:
    talk = Talk(
        "Soil", "raw", "soil", "20", "x", "64", "", "often", "0",
        "short", "-", "heat", "i17", "i16", "0", "2", "degC", "big", "2^-8", "hot", "-40", "",
        "Soil's warmth.",
        "heat", "mood", "u8", "", "none", "mood: calm = C.; wild = W.", "",
        "again", "u8", "1", "mood", "",
        "words", "text", "0", "-", "",
    )  # fmt: skip
    message = talk.message()
    assert message.text() == (  # type: ignore[attr-defined]
        '[messages.soil]\ncode = 64\ndoc = "Soil."\nat_most_hz = 0\nfields = [\n'
        '    { name = "heat", type = "i16", count = 2, unit = "degC", fraction_bits = 8, min = -40,'
        ' doc = "Soil\'s warmth." },\n'
        '    { name = "mood", type = "u8", enum = "mood", doc = "Mood." },\n'
        '    { name = "again", type = "u8", enum = "mood", doc = "Again." },\n'
        '    { name = "words", type = "text", doc = "Words." },\n]\n'
    )
    assert len(talk.told) == 14
    assert all("expected" in line for line in talk.told)


def test_questions_explain_themselves_and_can_be_gone_back_to() -> None:
    talk = Talk(
        "?", "soil", "", "", "back",  # the head from its beginning
        "soil", "?", "", "", "5",
        "heat", "i16", "back",  # this field anew
        "heat", "i16", "", "", "", "", "", "",
        "state", "u8", "", "?", "marks of bits: worm = A worm.; root = Roots.", "",
        "back",  # the field before
        "state", "u8", "", "marks of bits: worm = A worm.", "", "-",
    )  # fmt: skip
    message = talk.message()
    assert message.text() == (  # type: ignore[attr-defined]
        '[messages.soil]\ncode = 64\ndoc = "Soil."\nat_most_hz = 5\nfields = [\n'
        '    { name = "heat", type = "i16", doc = "Heat." },\n'
        '    { name = "state", type = "u8", flags = "marks", doc = "State." },\n]\n'
    )
    assert [(one.name, one.is_flags, len(one.choices)) for one in message.choices] == [  # type: ignore[attr-defined]
        ("marks", True, 1)
    ]
    assert len(talk.told) == 6
    assert any("NAME of bits: a = words" in line for line in talk.told)
    assert ("? explains" in talk.asked[0], len(talk.asked[0]) + 2 <= 80) == (True, True)


def test_a_field_that_will_not_do_is_asked_for_again() -> None:
    talk = Talk(
        "soil", "", "", "", *["a", "u16", "", "", "", "", "", "", ""], *["b", "", "", "", "", "", "", "", ""], "-"
    )
    seen: list[str] = []

    def judge(message: object) -> None:
        name = message.fields[-1].name  # type: ignore[attr-defined]
        seen.append(name)
        if name == "a":
            raise UsageError("a will not do")

    message = ask_message(Asker(talk.ask, talk.told.append), kit_spec(), "", 64, judge)
    assert [field.name for field in message.fields] == ["b"]
    assert (seen, talk.told) == (["a", "b"], ["a will not do; this field once more"])


def _on_a_terminal(root: Path, answers: list[str]) -> tuple[int, str]:
    """Exit code and everything shown by `offtake spec add` on a pseudo-terminal that gives ``answers``, then ends."""
    child, end = pty.fork()
    if child == 0:
        os.execv(sys.executable, [sys.executable, "-c", PROGRAM, "spec", "add", "--root", str(root)])
    shown = b""
    while len(shown) < 10_000 and select.select([end], [], [], 30.0)[0]:
        try:
            shown += os.read(end, 4096)
        except OSError:
            break
        if shown.endswith(b"]: "):
            os.write(end, (answers.pop(0) + "\n").encode() if answers else b"\x04")
    os.close(end)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), shown.decode()


def test_questions_on_a_terminal(root: Path) -> None:
    code, shown = _on_a_terminal(root, ["soil", *[""] * 13, "yes"])
    assert code == 0, shown
    assert "write it, yes or no [yes]:" in shown
    assert load_spec(root / "shared_spec").messages[-1].name == "soil"
    assert shown.count("[messages.soil]") == 1


@pytest.mark.parametrize("answers", [["soil", "", ""], ["soil", *[""] * 13, "no"]])
def test_answers_that_end_or_decline_write_nothing(answers: list[str], root: Path) -> None:
    before = (root / "shared_spec" / "messages.toml").read_bytes()
    code, shown = _on_a_terminal(root, answers)
    assert code == 2, shown
    assert "nothing was written" in " ".join(shown.split())
    assert (root / "shared_spec" / "messages.toml").read_bytes() == before


def test_check_tells_what_is_broken_and_how_to_evolve(
    root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(root)
    root = Path()
    assert run(root, "check") == 0
    edit(
        root / "shared_spec",
        "messages.toml",
        '{ name = "supply_mv", type = "u16", unit = "mV"',
        '{ name = "supply_v", type = "u16", unit = "mV"',
    )
    assert run(root, "check") == 1
    shown = capsys.readouterr().out
    assert "supply_mv since release 1" in shown
    assert "instead: take the name back" in shown
    assert "refused: 1 mistake" in shown
    assert max(map(len, shown.splitlines())) <= 80
    assert run(root, "check", "--json") == 1
    values = json.loads(capsys.readouterr().out)
    assert [one["rule"] for one in values["broken"]] == ["field_renamed"]
    assert run(root, "generate") == 1
    assert run(root, "publish") == 1
    assert "supply_mv since release 1" in capsys.readouterr().err


def test_with_mistakes_only_they_are_shown(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    edit(root / "shared_spec", "messages.toml", '{ name = "supply_mv",', '{ name = "supply_v",')
    assert run(root, "check") == 1
    shown = capsys.readouterr().out
    assert shown.startswith("messages.toml line ")
    assert "fits" not in shown
    assert "what it costs" not in shown


def test_what_should_be_known_before_a_release_is_told(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(root, "add", "note", "--doc", "Words.", "--field", "words text: Which.") == 0
    assert "warning: " in capsys.readouterr().out
    edit(root / "shared_spec", "messages.toml", "[messages.note]\ncode = 64", "[messages.note]\ncode = 20")
    assert run(root, "check", "--json") == 0
    values = json.loads(capsys.readouterr().out)
    assert [one["rule"] for one in values["warnings"]] == ["kits_code", "tail_ends_it"]
    assert run(root, "check") == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "code 20 is the kit's to give out" in shown
    assert "a later change is a new message beside it" in shown
    assert run(root, "publish") == 0
    assert "can never get another field" in " ".join(capsys.readouterr().out.split())
    assert run(root, "check", "--json") == 0
    assert json.loads(capsys.readouterr().out)["warnings"] == []


def test_a_lock_that_was_deleted_is_missed(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = root / "host/offtake/generated/records.py"
    made.parent.mkdir(parents=True)
    made.write_text("SPEC_RELEASE = 0\n", encoding="utf-8")
    (root / "shared_spec" / "published.lock").unlink()
    assert run(root, "check") == 0
    made.write_text("SPEC_RELEASE = 2\n", encoding="utf-8")
    capsys.readouterr()
    for part in ("check", "generate", "publish"):
        assert run(root, part) == 1
        shown = " ".join("".join(capsys.readouterr()).split())
        assert "published.lock" in shown
        assert "take it back from version control" in shown
    assert not (root / "shared_spec" / "published.lock").exists()


def test_stale_files_are_told_of(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = root / "host/offtake/generated/records.py"
    made.parent.mkdir(parents=True)
    made.write_text("", encoding="utf-8")
    assert run(root, "check") == 0
    assert "files are not current (offtake spec generate)" in capsys.readouterr().out


def test_another_checkout_around_is_told_of(
    root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    below = root / "firmware"
    below.mkdir()
    monkeypatch.chdir(below)
    assert main(["spec", "publish", "--check"]) in (0, 1)
    assert f"--root {root}" in capsys.readouterr().err
    assert main(["spec", "publish", "--check", "--root", "."]) == 0
    shown = capsys.readouterr()
    assert "note:" not in shown.err


def test_publish_as_a_person_meets_it(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(root, "publish") == 0
    assert run(root, "publish", "--check") == 0
    run(root, "add", *SOIL)
    capsys.readouterr()
    assert run(root, "publish", "--check") == 1
    shown = capsys.readouterr().out
    assert "would add\n  message soil, code 64, 1 field\n" in shown
    assert run(root, "publish", "--json") == 0
    values = json.loads(capsys.readouterr().out)
    assert (values["schema"], values["written"]) == ("offtake.spec_publish/1", True)
    assert values["added"] == ["message soil, code 64, 1 field"]
    assert run(root, "publish") == 0
    assert "nothing new since release" in capsys.readouterr().out


def test_help_fits_a_terminal(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    for words in ([], ["check"], ["generate"], ["add"], ["publish"]):
        with pytest.raises(SystemExit):
            main(["spec", *words, "--help"])
        assert max(map(len, capsys.readouterr().out.splitlines())) <= 80


def test_check_tells_how_long_a_tail_may_be(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(root, "add", "note", "--doc", "Words.", "--field", "level u8: How grave.", "--field", "words text: Which.")
    capsys.readouterr()
    assert run(root, "check") == 0
    # The board's shelf less what a frame with a tail takes there: tick and code, length, and the byte before the tail.
    most = kit_spec().boards[0].sensor_shelf_bytes - 5 - 1 - 1
    assert f"The field of any length in note may have at most {most} bytes." in capsys.readouterr().out
