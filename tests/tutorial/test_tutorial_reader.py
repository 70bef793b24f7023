"""What reads the tutorial notices when text and truth part."""

from __future__ import annotations

from pathlib import Path

import pytest
from tutorial_text import Command, Edit, Said, agrees, apply, said, section, steps

TEXT = """\
# Page

## First
```console
$ one --two \\
    three
shown
...
12 of ... bytes
$ four
```
Words.
```diff
--- a/file.c
 stays
-goes
+comes
```
That is 2 commands and 1 edit by hand: 9 lines in the spec (which `spec add`
writes) and 1 call in the firmware.

## Second
Other.
"""


def test_commands_and_edits_are_found_in_their_order() -> None:
    found = steps(section(TEXT, "First"))
    assert found == [
        Command("one --two three", ("shown", "...", "12 of ... bytes")),
        Command("four", ()),
        Edit("a/file.c", ("stays", "goes"), ("stays", "comes"), ("comes",)),
    ]
    assert said(TEXT) == [Said(2, 1, 9, 1)]
    assert steps(section(TEXT, "Second")) == []
    with pytest.raises(AssertionError, match="no section 'Third'"):
        section(TEXT, "Third")


@pytest.mark.parametrize(
    ("printed", "good"),
    [
        ("shown\nx\ny\n12 of 99 bytes\n", True),
        ("shown\n12 of 99 bytes\n", True),
        ("shown\n12 of 99 bytes", True),
        ("shown\n13 of 99 bytes\n", False),
        ("show\n12 of 99 bytes\n", False),
        ("shown\n12 of 99 bytes\nmore\n", False),
        ("", False),
    ],
)
def test_shown_output_is_compared(printed: str, good: bool) -> None:
    assert agrees(Command("", ("shown", "...", "12 of ... bytes")), printed) is good


@pytest.mark.parametrize(
    ("printed", "good"),
    [
        ("soil   9    1,013  2.6% a_1.csv\n", True),
        ("soil 14 7 12.65% a_2.csv\n", True),
        ("soil   9    -  2.6% a_1.csv\n", False),
        ("soil   9    13  2.6% b_1.csv\n", False),
        ("soil   9    13  2.6 a_1.csv\n", False),
    ],
)
def test_figures_that_vary_may_be_others(printed: str, good: bool) -> None:
    assert agrees(Command("", ("soil  9  13  2.6% a_1.csv",), vary=True), printed) is good


def test_a_command_shown_without_output_must_print_none() -> None:
    assert agrees(Command("", ()), "")
    assert not agrees(Command("", ()), "words\n")


def test_an_edit_needs_its_lines_once(tmp_path: Path) -> None:
    edit = Edit("file.c", ("stays", "goes"), ("stays", "comes"), ("comes",))
    path = tmp_path / "file.c"
    path.write_text("first\nstays\ngoes\n", encoding="utf-8")
    apply(edit, tmp_path)
    assert path.read_text(encoding="utf-8") == "first\nstays\ncomes\n"
    with pytest.raises(AssertionError, match="0 times"):
        apply(edit, tmp_path)
    path.write_text("stays\ngoes\nstays\ngoes\n", encoding="utf-8")
    with pytest.raises(AssertionError, match="2 times"):
        apply(edit, tmp_path)
