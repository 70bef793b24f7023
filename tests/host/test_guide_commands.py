"""Every command in the pages people read is one that the program takes: verbs, options and all."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from offtake import cli

PAGES = ("README.md", "firmware/WIRING.md", "DEVELOPERS.md", "tests/README.md")
_INLINE = re.compile(r"`(offtake [^`]+)`")
_BLOCK = re.compile(r"^ {4}(offtake [^#\n]+)", re.MULTILINE)


def commands(repo_root: Path) -> list[tuple[str, str]]:
    found = []
    for page in PAGES:
        text = (repo_root / page).read_text(encoding="utf-8")
        # A command may be broken over two lines.
        found += [(page, " ".join(one.split())) for pattern in (_INLINE, _BLOCK) for one in pattern.findall(text)]
    return found


def help_of(words: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    with pytest.raises(SystemExit) as end:
        cli.main([*words, "--help"])
    assert end.value.code == 0, words
    return capsys.readouterr().out


def test_every_command_in_the_guides_is_accepted(repo_root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    seen = commands(repo_root)
    assert len(seen) >= 25
    wrong = []
    for page, command in seen:
        words = shlex.split(command)[1:]
        if words[0] == "VERB":
            continue
        verb = words[:2] if words[0] == "spec" else words[:1]
        listed = set(re.findall(r"(?<![\w-])(--?[a-z][a-z0-9-]*)", help_of(verb, capsys)))
        wrong += [f"{page}: {command}: {word}" for word in words if word.startswith("-") and word not in listed]
    assert wrong == []
