"""What prepare says of a wrong setting: which option it was, what it may be, and before any card or port is touched."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from offtake import cli
from offtake.card.images import make_card_image


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    capsys.readouterr()
    try:
        code = cli.main(["prepare", *arguments])
    except SystemExit as end:
        code = int(end.code or 0)
    out, err = capsys.readouterr()
    assert (code, out, err.count("\n")) == (2, "", 1)
    return err


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--baud", "300"], "--baud: 300 is out of range (expected 1200 to 1000000)"),
        (["--baud", "fast"], "--baud: 'fast' is no whole number of Bd (expected 57600, say)"),
        (["--gap-bytes", "0"], "--gap-bytes: 0 is out of range"),
        (["--close-ms", "0"], "--close-ms: 0 is out of range"),
        (["--supply-s", "0"], "--supply-s: 0 is out of range"),
        (["--size", "1000"], "(expected --size a multiple of 512, at least 1024: 1GiB, say)"),
        (["--size", "4GiB"], "FAT's largest file is 4 GiB: --size 4095MiB, say"),
        (["--analogue-ms", "100"], "(expected --full-scale-1 MV, --full-scale-2 MV or both"),
        (["--full-scale-2", "100"], "(expected --analogue-ms MS beside it"),
        (["--analogue-ms", "5", "--full-scale-1", "5000"], "--analogue-ms, the interval of the analogue inputs: 5 ms"),
        (["--full-scale-1", "20V", "--analogue-ms", "100"], "--full-scale-1: '20V' is no whole number of mV"),
        (["--pulse-ms", "-5"], "--pulse-ms: '-5' is no whole number of ms"),
        (["--event", "20V"], "--event: '20V' is no whole number of ms (expected --event 20, say, or --event alone)"),
    ],
)
def test_the_option_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], told: str) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 16, fat=16)
    assert told in said(capsys, str(image), *options)


@pytest.mark.parametrize("name", ["card.img", "2nd.img", "/dev/ttyUSB0"])
def test_a_target_that_event_took_for_its_value(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "2nd.img").touch()
    told = said(capsys, "--event", name)
    assert f"'{name}' is no whole number of ms; if it is the TARGET, put it before --event" in told


def test_a_wrong_value_is_told_before_the_port_is_called(capsys: pytest.CaptureFixture[str]) -> None:
    # Nobody answers at the other end.
    master, port = os.openpty()
    try:
        for options in (["--event", "300"], ["--baud", "300"], ["--pressure-ms", "20"]):
            assert f"{options[0]}" in said(capsys, os.ttyname(port), *options)
    finally:
        os.close(master)
        os.close(port)
