"""`offtake report` as a person runs it: what it writes, what it says, what it refuses."""

from __future__ import annotations

import json
import random
import re
from pathlib import Path
from typing import Any

import pytest
from journal_maker import Maker, run_start
from offtake import cli
from offtake.generated.records import Loss, LossCause, Raw, RunStart, Supply
from report_inputs import epochs, sentence
from test_dialect_user import WIND

TICKS_PER_S = 250_000


def journal(path: Path, seconds: int = 60, label: str = "") -> Path:
    """A journal of one invented run, with a loss and the card's busy times in it."""
    maker = Maker(4096) if not label else Maker(4096, label=label)
    maker.run = 1
    maker.block(0, [(RunStart.CODE, 0, run_start().encode())])
    for number, (at, data) in enumerate(epochs(seconds, 5, random.Random(6))):
        tick = round(at * TICKS_PER_S)
        pieces = [data[start : start + 400] for start in range(0, len(data), 400)]
        for index, piece in enumerate(pieces):
            # 400 bytes take 69 ms at 57,600 baud.
            maker.block(tick + index * 17_361, [(Raw.CODE, 0, piece)])
        if number % 50 == 49:
            maker.block(tick + 40_000, [(Supply.CODE, 0, Supply(4990, 30 + number).encode())])
        if number == 120:
            maker.block(tick + 40_000, [(Loss.CODE, 0, Loss(LossCause.RING_FULL, 77).encode())])
    path.write_bytes(maker.used())
    return path


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    code = cli.main(["report", *map(str, arguments)])
    out, err = capsys.readouterr()
    return code, out, err


def test_a_page_its_words_and_its_pictures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = journal(tmp_path / "day.jnl")
    code, out, err = run(capsys, source, "-o", tmp_path / "day.html", "--png", tmp_path / "pictures")
    assert err == ""
    assert code in (0, 1)
    for question in ("Did it log?", "Is anything missing?", "Are the fixes good?", "Did anything glitch?"):
        assert question in out
    assert "77" in out
    assert max(map(len, out.splitlines())) <= 80 or str(tmp_path) in max(out.splitlines(), key=len)
    page = (tmp_path / "day.html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    pictures = sorted((tmp_path / "pictures").iterdir())
    assert len(pictures) >= 6
    assert all(path.read_bytes().startswith(b"\x89PNG\r\n\x1a\n") for path in pictures)


def test_json_has_what_was_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = journal(tmp_path / "day.jnl", 20)
    _, out, _ = run(capsys, source, "-o", tmp_path / "day.html", "--json")
    values: dict[str, Any] = json.loads(out)
    assert values["schema"] == "offtake.report/1"
    assert len(values["answers"]) == 5
    assert values["page_bytes"] == (tmp_path / "day.html").stat().st_size


def test_the_same_journal_gives_the_same_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = journal(tmp_path / "day.jnl", 20)
    for name in ("a.html", "b.html"):
        run(capsys, source, "-o", tmp_path / name)
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()


def test_nothing_is_overwritten_unasked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = journal(tmp_path / "day.jnl", 20)
    page = tmp_path / "day.html"
    page.write_text("mine")
    code, _, err = run(capsys, source, "-o", page)
    assert code == 2
    assert "--replace" in err
    assert page.read_text() == "mine"
    assert run(capsys, source, "-o", page, "--replace")[0] in (0, 1)
    assert page.read_text(encoding="utf-8") != "mine"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--run", "7"], "no run 7"),
        (["--latency-ms", "-1"], "latency"),
        (["--latency-ms", "nan"], "latency"),
        (["--dialect", "none.toml"], "none.toml"),
    ],
)
def test_what_makes_no_sense_is_refused(
    arguments: list[str], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = journal(tmp_path / "day.jnl", 5)
    code, _, err = run(capsys, source, "-o", tmp_path / "x.html", *arguments)
    assert code in (2, 3)
    assert words in err
    assert not (tmp_path / "x.html").exists()


def test_a_dialect_of_ones_own_is_heard(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = tmp_path / "wind.toml"
    own.write_text(WIND)
    said = sentence("PWND,1.25,M")
    maker = Maker(16)
    maker.run = 1
    maker.block(0, [(RunStart.CODE, 0, run_start().encode()), (Raw.CODE, 10, said * 3)])
    source = tmp_path / "wind.jnl"
    source.write_bytes(maker.used())
    assert cli.main(["export", str(source), "--to", "split", "-o", str(tmp_path / "g"), "--dialect", str(own)]) == 0
    assert (tmp_path / "g_run1_wind.bin").read_bytes() == said * 3
    own.write_text(WIND.replace('kind = "number"', 'kind = "nummer"'))
    code, _, err = run(capsys, source, "-o", tmp_path / "g.html", "--dialect", own)
    assert code == 1
    assert re.search(r"wind\.toml line [0-9]+: sentences\.PWND\.fields\[0\]\.kind", err)


def test_a_line_nobody_understands_is_said_to_be_perhaps_at_another_speed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    maker = Maker(16)
    maker.run = 1
    noise = random.Random(4).randbytes(400)
    maker.block(0, [(RunStart.CODE, 0, run_start().encode()), (Raw.CODE, 10, noise)])
    source = tmp_path / "noise.jnl"
    source.write_bytes(maker.used())
    _, out, _ = run(capsys, source, "-o", tmp_path / "noise.html")
    assert "wrong speed" in " ".join(out.split())
    talking = journal(tmp_path / "day.jnl", 5)
    assert "wrong speed" not in " ".join(run(capsys, talking, "-o", tmp_path / "day.html")[1].split())
