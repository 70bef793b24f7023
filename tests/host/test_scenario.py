"""Scenarios: read strictly, the same bytes every time, and on the bench what they say."""

from __future__ import annotations

from pathlib import Path

import pytest
from offtake.card import open_journal
from offtake.dialects.registry import new_decoder
from offtake.errors import SpecError, UsageError
from offtake.journal.codec import require_journal_header
from offtake.scenario import Scenario, load_scenario, make_scenario_card, receiver_bursts
from offtake.scenario.receiver import epochs
from offtake.scenario.run import scenario_card, scenario_line


@pytest.fixture(scope="session")
def text(repo_root: Path) -> str:
    return (repo_root / "demo_data" / "kayak_survey.toml").read_text()


@pytest.fixture
def kayak(repo_root: Path) -> Scenario:
    return load_scenario(repo_root / "demo_data" / "kayak_survey.toml")


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("[cut]\n", "[cut]\nsurprise = 1\n", "cut.surprise"),
        ("[card]\n", "[card]\nsurprise = 1\n", "card.surprise"),
        ("[scenario]\n", "[extra]\n[scenario]\n", "extra"),
        ("seed = 20240517", "", "scenario.seed"),
        ("baud = 57600", 'baud = "57600"', "receiver.baud"),
        ("rate_hz = 5", "rate_hz = 0", "receiver.rate_hz"),
        ("latitude_deg = -47.352140", "latitude_deg = -97.0", "vehicle.latitude_deg"),
        ("latitude_deg = -47.352140", "latitude_deg = nan", "vehicle.latitude_deg"),
        ("first_utc = 2024-05-17T09:12:30Z", "first_utc = 2024-05-17T09:12:30", "receiver.first_utc"),
        ('variant = "atmega328p_16mhz"', 'variant = "abacus"', "board.variant"),
        ('damage = "torn"', 'damage = "sad"', "cut.damage"),
        ("busy_low_ms = 1.0", "busy_low_ms = 30.0", "card"),
        ("fat_bits = 16", "fat_bits = 24", "journal.fat_bits"),
        ('talker = "GN"', 'talker = "G"', "receiver.talker"),
        ("invented = true", "invented = 1", "scenario.invented"),
        ("[cut]", "cut = [", ""),
    ],
)
def test_each_mistake_names_file_and_key(tmp_path: Path, text: str, old: str, new: str, key: str) -> None:
    assert old in text
    path = tmp_path / "wrong.toml"
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(SpecError) as caught:
        load_scenario(path)
    assert str(path) in caught.value.where
    assert caught.value.where.endswith(key)


def test_it_is_marked_as_invented_and_without_a_cut_too(tmp_path: Path, text: str, kayak: Scenario) -> None:
    assert kayak.invented
    assert kayak.cut is not None
    path = tmp_path / "uncut.toml"
    path.write_text(text[: text.index("[cut]")])
    assert load_scenario(path).cut is None


def test_the_receiver_says_the_truth_on_the_grid(kayak: Scenario) -> None:
    bursts = receiver_bursts(kayak)
    assert bursts == receiver_bursts(kayak)
    assert len(bursts) == 350
    for index, burst in enumerate(bursts):
        assert 0.0 <= burst.at_ms - (1_500.0 + 200.0 * index) <= kayak.receiver.jitter_ms
    decoder = new_decoder()
    messages = [message for burst in bursts for message in decoder.feed(burst.data)]
    decoder.finish()
    assert decoder.counts.noise_bytes == decoder.counts.bad_checksum == decoder.counts.invalid == 0
    fixes = [m.values for m in messages if m.name == "GGA"]
    for values, epoch in zip(fixes, epochs(kayak), strict=True):
        assert values["latitude_deg"] == pytest.approx(epoch.latitude_deg, abs=1e-7)
        assert values["longitude_deg"] == pytest.approx(epoch.longitude_deg, abs=1e-7)
    names = [m.name for m in messages[:8]]
    assert names == ["GGA", "RMC", "GSA", "GSV", "GSV", "GSV", "VTG", "ZDA"]


def test_the_line_carries_these_bytes_and_the_card_stalls(kayak: Scenario) -> None:
    line = scenario_line(kayak)
    assert line.payload == b"".join(burst.data for burst in receiver_bursts(kayak))
    busy_ms = scenario_card(kayak).busy_cycles(16_000_000)[:600] / 16_000.0
    assert sorted(busy_ms)[-11] <= 20.0
    assert [bool(ms >= 150.0) for ms in busy_ms[59::60]] == [True] * 10
    assert max(busy_ms) <= 200.0


def test_the_card_is_the_same_each_time_but_never_overwritten(
    tmp_path: Path, kayak: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    make_scenario_card(kayak, tmp_path / "a.img")
    make_scenario_card(kayak, tmp_path / "b.img")
    assert (tmp_path / "a.img").read_bytes() == (tmp_path / "b.img").read_bytes()
    with open_journal(tmp_path / "a.img") as opened:
        header = require_journal_header(opened.read(0, 512), "a.img")
    assert (header.journal_id, header.baud, header.label) == (0x0FF7A4E1, 57_600, "kayak survey, invented")
    with pytest.raises(UsageError):
        make_scenario_card(kayak, tmp_path / "a.img")
