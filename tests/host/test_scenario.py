"""Scenarios: read strictly, the same bytes every time, and on the bench what they say."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from offtake.card import open_journal
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.errors import SpecError, UsageError
from offtake.generated.records import Sensor
from offtake.journal.codec import require_journal_header
from offtake.scenario import Scenario, load_scenario, make_scenario_card, receiver_bursts
from offtake.scenario.receiver import epochs
from offtake.scenario.run import scenario_card, scenario_line
from offtake.scenario.world import button_edges_s, button_turns, pulse_times_s, scenario_world


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
        ("[sensors]\n", "[sensors]\nsurprise = 1\n", "sensors.surprise"),
        ("pulse_ms = 1000\n", "", "sensors.pulses"),
        ("analogue_ms = 500", "analogue_ms = 5", "sensors"),
        ("noise_mv = 12.0", "noise_mv = -1.0", "sensors.analogue_1.noise_mv"),
        ("[[6.2, 0.31], [17.9,", "[[6.2, 0.31], [5.9,", "sensors.button.presses"),
        ("[6.2, 0.31]", "[6.2, 12.0]", "sensors.button.presses"),
        ("[6.2, 0.31]", "[6.2]", "sensors.button.presses"),
        ("[2.0, 0.0], [4.0, 28.0]", "[2.0, 0.0], [4.0, true]", "sensors.pulses.rates"),
        ("[2.0, 0.0], [4.0, 28.0]", "[2.0, -1.0], [4.0, 28.0]", "sensors.pulses.rates"),
        ("96655.0", "9665.0", "sensors.air.points"),
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
    decoder = StreamDecoder(chosen_dialects())
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


# ---- sensors ----


def test_the_header_has_the_sensors(tmp_path: Path, kayak: Scenario) -> None:
    make_scenario_card(kayak, tmp_path / "a.img")
    with open_journal(tmp_path / "a.img") as opened:
        header = require_journal_header(opened.read(0, 512), "a.img")
    assert header.sensors == Sensor.ANALOGUE | Sensor.EVENT | Sensor.PULSES | Sensor.PRESSURE
    assert (header.analogue_ms, header.analogue_1_full_mv, header.analogue_2_full_mv) == (500, 16_000, 5_000)
    assert (header.event_debounce_ms, header.pulse_ms, header.pressure_ms) == (20, 1_000, 1_000)


def test_a_scenario_without_sensors_has_no_world(tmp_path: Path, text: str) -> None:
    path = tmp_path / "plain.toml"
    path.write_text(text[: text.index("[sensors]")])
    plain = load_scenario(path)
    assert plain.sensors is None
    assert scenario_world(plain) is None
    assert button_edges_s(plain) == []
    assert len(pulse_times_s(plain)) == 0


def test_the_button_bounces_and_settles(kayak: Scenario) -> None:
    assert kayak.sensors is not None
    assert kayak.sensors.button is not None
    turns = button_turns(kayak.sensors.button)
    edges = button_edges_s(kayak)
    assert edges == button_edges_s(kayak)
    assert [turn.high for turn in turns] == [False, True] * 6
    assert len(edges) == 12 * 7, "three bounces at each turn"
    assert all(later - earlier >= 1e-6 for earlier, later in pairwise(edges))
    for turn in turns:
        burst = [at for at in edges if 0.0 <= at - turn.at_s < 0.1]
        assert burst[0] == turn.at_s
        assert burst[-1] - turn.at_s <= 0.0041


def test_pulses_come_where_the_rates_integral_is_whole(kayak: Scenario) -> None:
    assert kayak.sensors is not None
    assert kayak.sensors.pulses is not None
    times = pulse_times_s(kayak)
    grid = np.linspace(0.0, 76.5, 2_000_001)
    rates = np.interp(grid, *zip(*kayak.sensors.pulses.rates, strict=True))
    rates[grid < 2.0] = 0.0
    turned = np.concatenate([[0.0], np.cumsum((rates[1:] + rates[:-1]) / 2 * np.diff(grid))])
    assert len(times) == int(turned[-1])
    assert np.interp(times, grid, turned) == pytest.approx(np.arange(1, len(times) + 1), abs=1e-3)


def test_too_many_pulses_are_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "fast.toml"
    path.write_text(text.replace("[4.0, 28.0]", "[4.0, 99000.0]"))
    with pytest.raises(SpecError, match="too many pulses"):
        scenario_world(load_scenario(path))


def test_the_pins_see_voltages_behind_their_dividers(kayak: Scenario) -> None:
    world = scenario_world(kayak, vcc_mv=5_000)
    assert world is not None
    assert world.analogue_1 is not None
    assert world.analogue_2 is not None
    assert world.analogue_1.points[0] == (0.0, 12_640 * 5 / 16)
    assert world.analogue_1.noise_mv == pytest.approx(12 * 5 / 16)
    assert world.analogue_2.points[1] == (20 * 16e6, 4_050.0)
