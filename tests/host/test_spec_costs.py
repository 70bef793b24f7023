"""What a message costs: bytes, shares of card and chip, flash; what is refused; how it is shown."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import frame_cycles
import pytest
from kit_definitions import has_own_messages, kit_spec
from message_builds import Project, flash_bytes, ram_bytes, symbol_sizes
from offtake.budget.parts import load_parts
from offtake.cli import show, spec_costs
from offtake.errors import SpecError, UsageError
from offtake.firmware_build import build, toolchain_missing
from offtake.spec.cost import MessageCost, SpecCosts, refuse, work_out
from offtake.spec.load import find_spec_folder, load_spec
from offtake.spec.model import OWN_CODE_FIRST, Choice, Enumeration, Field, Record, Scale, Spec

BUSY_MS = 5.0
CALL_TOLERANCE = 40
"""Bytes: what a call takes depends on where its values come from. A message's first call may also change what the
linker copies elsewhere, by more bytes than that and in either direction, so a second one is measured."""
OWN = "trial_of_costs"
"""Name of the message that builds are made with, beside those that the firmware has calls of."""
ROOM = 491
"""Bytes for frames in a block (shared_spec/block.toml: 512 less a header of 17 and a check of 4)."""


def numbers(name: str, *types: str, code: int = 64, at_most_hz: float = 1.0, interval: str = "") -> Record:
    fields, offset = [], 0
    for index, kind in enumerate(types):
        size = None if kind in ("bytes", "text") else int(kind[1:]) // 8
        fields.append(Field(f"value_{index}", kind, offset, size, "A value."))
        offset += size or 0
    return Record(name, code, "A message.", tuple(fields), "sensor", at_most_hz, interval)


def one_string(size: int) -> Record:
    return Record("log_book", 64, "A message.", (Field("data", "bytes", 0, size, "Bytes."),))


@pytest.fixture(scope="module")
def spec() -> Spec:
    return kit_spec()


def with_messages(spec: Spec, *more: Record) -> Spec:
    return replace(spec, messages=(*spec.messages, *more))


def cost_of(costs: SpecCosts, name: str) -> MessageCost:
    return next(each for each in costs.messages if each.name == name)


def test_frames_are_head_tick_payload_and_check(spec: Spec) -> None:
    cost = cost_of(work_out(with_messages(spec, numbers("soil", "u16", "i32"))), "soil")
    # Head 2, tick offset 1 to 5, payload 6, check 4 (shared_spec/block.toml).
    assert (cost.least_bytes, cost.fixed_bytes, cost.worst_bytes) == (13, 17, 17)
    assert cost.block_share == pytest.approx(17 / ROOM)
    assert cost.ram_bytes == 0


def test_the_longest_tail_is_what_the_shelf_leaves(spec: Spec) -> None:
    shelf = spec.boards[0].sensor_shelf_bytes
    cost = cost_of(work_out(with_messages(spec, numbers("note", "u8", "text"))), "note")
    assert (cost.least_bytes, cost.fixed_bytes) == (2 + 1 + 1 + 4, 2 + 5 + 1 + 4)
    # Tick and code (5 bytes) and the tail's length lie before it on the shelf.
    assert (cost.payload_bytes, cost.shelf_bytes) == (shelf - 6, shelf)
    assert cost.worst_bytes == 2 + 5 + cost.payload_bytes + 4


@pytest.mark.parametrize(("variant", "clock_hz"), [("atmega328p_16mhz", 16e6), ("atmega328p_8mhz", 8e6)])
def test_shares_are_those_of_a_calculation_by_hand(spec: Spec, variant: str, clock_hz: float) -> None:
    known = load_parts().boards[variant]
    line = 5_760.0
    costs = work_out(with_messages(spec, numbers("soil", "u16", at_most_hz=20.0)), variant=variant, baud=57_600)
    soil = cost_of(costs, "soil").highest
    # More than half of the shelf sends a block (ot_shelf_is_crowded); the frame takes 7 bytes there.
    blocks = 7 / (spec.boards[0].sensor_shelf_bytes // 2 + 1)
    block_s = known.write_cycles / (clock_hz - known.receive_cycles * line) + BUSY_MS / 1000.0
    assert soil.bytes_per_s == 20 * 13
    assert soil.card_share == pytest.approx(20 * blocks * block_s)
    assert soil.cpu_share == pytest.approx(20 * (known.frame_cycles + blocks * known.write_cycles) / clock_hz)
    # A frame of the logger's own, of 13 bytes, waits until a block is full or old.
    mood = replace(numbers("mood", "u16", at_most_hz=20.0), role="logger")
    own = cost_of(work_out(with_messages(spec, mood), variant=variant, baud=57_600), "mood").highest
    assert own.card_share == pytest.approx(20 * 13 / ROOM * block_s)
    # 484 line bytes fill a block (shared_spec/block.toml).
    assert costs.line.card_share == pytest.approx(line / 484 * block_s)
    cycles = line * known.receive_cycles + line / 484 * known.write_cycles
    assert costs.line.cpu_share == pytest.approx(cycles / clock_hz)


def test_what_a_reading_takes_counts_for_the_chip(spec: Spec) -> None:
    parts = load_parts()
    name, cycles = next(iter(parts.boards["atmega328p_16mhz"].reading_cycles.items()))
    record = numbers("other", "u16", at_most_hz=20.0)
    others = tuple(each for each in spec.messages if each.name != name)
    asked = [work_out(replace(spec, messages=(*others, replace(record, name=each)))) for each in (name, "other")]
    known, plain = (cost_of(costs, each).highest.cpu_share for costs, each in zip(asked, (name, "other"), strict=True))
    assert known - plain == pytest.approx(20 * cycles / 16e6)


def test_everything_at_once_is_the_sum_and_the_dearest_comes_first(spec: Spec) -> None:
    costs = work_out(with_messages(spec, numbers("soil", "u16", at_most_hz=20.0), numbers("air", "u32", code=65)))
    for name in ("bytes_per_s", "card_share", "cpu_share"):
        parts = [getattr(each.highest, name) for each in costs.messages] + [getattr(costs.line, name)]
        assert getattr(costs.together, name) == pytest.approx(sum(parts))
    assert costs.fits
    by_cost = [each.highest.card_share for each in costs.messages]
    assert by_cost == sorted(by_cost, reverse=True)


def test_the_lines_own_messages_are_the_line_and_rare_ones_have_no_rate(spec: Spec) -> None:
    costs = work_out(spec)
    assert {each.name for each in costs.messages} == {record.name for record in spec.messages} - {"raw", "raw_more"}
    assert cost_of(costs, "run_start").highest.rate_hz == 0.0


def test_what_fits_no_shelf_is_refused(spec: Spec) -> None:
    room = spec.boards[0].sensor_shelf_bytes - 5
    refuse(work_out(with_messages(spec, one_string(room))))
    too_long = work_out(with_messages(spec, one_string(room + 1)))
    with pytest.raises(SpecError, match=rf"^line 7: {room + 1} bytes do not fit the shelf .*at most {room} bytes"):
        refuse(too_long, where=lambda name: {"log_book": "line 7"}[name])


def test_what_fits_no_block_is_refused(spec: Spec) -> None:
    board = replace(spec.boards[0], sensor_shelf_bytes=2_000)
    cost = work_out(replace(with_messages(spec, one_string(60)), boards=(board,)))
    refuse(cost)
    with pytest.raises(SpecError, match=r"a frame of 71 bytes fits no block \(expected at most 70 bytes"):
        refuse(replace(cost, room_bytes=70))


@pytest.mark.parametrize("variant", ["atmega328p_16mhz", "atmega328p_8mhz"])
def test_rates_that_the_card_cannot_keep_up_with_are_refused(spec: Spec, variant: str) -> None:
    def asked(hz: float) -> SpecCosts:
        return work_out(with_messages(spec, numbers("vane", "u32", at_most_hz=hz)), variant=variant)

    share = cost_of(asked(1.0), "vane").highest.card_share
    others = asked(1.0).together.card_share - share
    refuse(asked((0.99 - others) / share))
    too_much = r"vane: all messages .* line at 115,200 baud.*110% of the card's .* vane takes"
    with pytest.raises(SpecError, match=too_much):
        refuse(asked((1.10 - others) / share))


def test_the_settings_set_the_rates(spec: Spec) -> None:
    header = replace(
        spec.journal_header,
        fields=(
            *(f for f in spec.journal_header.fields if f.name not in ("sensors", "wind_ms")),
            Field("sensors", "u8", 63, 1, "On.", flags="wired"),
            Field("wind_ms", "u16", 64, 2, "Interval.", unit="ms"),
        ),
    )
    wired = Enumeration("wired", "Sensors.", (Choice("wind", 0, "Wind."), Choice("gate", 1, "Gate.")), True)
    messages = (
        numbers("wind", "u16", code=100, at_most_hz=50.0, interval="wind_ms"),
        numbers("gate", "u8", code=101, at_most_hz=3.0),
        numbers("gate_constants", "u8", code=103, at_most_hz=3.0),
        numbers("gateway", "u8", code=104, at_most_hz=3.0),
        numbers("own", "u8", code=102, at_most_hz=2.0),
    )
    changed = replace(
        spec, journal_header=header, messages=(*spec.messages, *messages), enums={**spec.enums, "wired": wired}
    )

    def rates(**settings: int) -> list[float]:
        costs = work_out(changed, settings=settings)
        return [cost_of(costs, name).as_set.rate_hz for name in ("wind", "gate", "gate_constants", "gateway", "own")]

    assert rates(wind_ms=100) == [10.0, 3.0, 3.0, 3.0, 2.0]
    assert rates(wind_ms=100, sensors=1) == [10.0, 0.0, 0.0, 3.0, 2.0]
    assert rates(wind_ms=100, sensors=2) == [0.0, 3.0, 3.0, 3.0, 2.0]
    assert rates(wind_ms=0, sensors=3) == [0.0, 3.0, 3.0, 3.0, 2.0]
    costs = work_out(changed, settings={"wind_ms": 100, "sensors": 1})
    assert costs.together_as_set is not None
    assert costs.together_as_set.bytes_per_s < costs.together.bytes_per_s
    assert work_out(changed).together_as_set is None
    for settings, words in (
        ({"wind_ms": 10}, r"wind_ms = 10 makes 100 frames of wind a second \(expected at most 50"),
        ({"wind_ms": 70_000}, r"wind_ms = 70000 is out of range \(expected 0 to 65535"),
        ({"wave_ms": 1}, r"called 'wave_ms' .expected .*sensors, wind_ms"),
    ):
        with pytest.raises(UsageError, match=words):
            work_out(changed, settings=settings)


def test_an_unknown_board_is_refused(spec: Spec) -> None:
    with pytest.raises(UsageError, match=r"no figures of board 'abacus'.*atmega328p_16mhz"):
        work_out(spec, variant="abacus")


def options(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    spec_costs.add_options(parser)
    return parser.parse_args(words)


def test_options_become_what_is_asked() -> None:
    assert spec_costs.asked(options()) == {"variant": "atmega328p_16mhz", "baud": 115_200, "settings": None}
    asked = spec_costs.asked(options("--baud", "9600", "--at", "pulse_ms=500", "--at", "sensors=4"))
    assert asked == {"variant": "atmega328p_16mhz", "baud": 9600, "settings": {"pulse_ms": 500, "sensors": 4}}


@pytest.mark.parametrize(
    "words",
    [("--at", "pulse_ms"), ("--at", "=5"), ("--at", "pulse_ms=-1"), ("--at", "a=" + "9" * 11), ("--baud", "fast")],
)
def test_options_that_make_no_sense_are_refused(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        options(*words)
    assert end.value.code == 2
    assert "expected" in capsys.readouterr().err


def test_the_table_fits_80_columns_and_says_every_message(spec: Spec, capsys: pytest.CaptureFixture[str]) -> None:
    long_name = "a_name_that_is_longer_than_its_column_is"
    costs = work_out(with_messages(spec, numbers(long_name, "u16")), settings={})
    spec_costs.show_costs(costs)
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= show.WIDTH
    starts = [line.split()[0] for line in lines if line]
    assert all(each.name in starts for each in costs.messages)
    assert any(line.startswith("fits: all at once leave") for line in lines)
    spec_costs.show_costs(replace(costs, together=replace(costs.together, card_share=1.5)))
    assert "too much: 150% of the card's" in capsys.readouterr().out


def test_a_message_too_long_for_the_shelf_without_sensors_is_named(
    spec: Spec, capsys: pytest.CaptureFixture[str]
) -> None:
    # 45 bytes less two losses of 10 and a run's end of 6 (ROOM_KEPT, firmware/core/ot_framer.c); 5 for tick and code.
    messages = (numbers("brief", *["u8"] * 14), replace(one_string(15), code=65))
    costs = work_out(with_messages(spec, *messages))
    assert costs.shelf_alone_bytes == 19
    assert [each.name for each in costs.messages if not each.waits_alone] == ["log_book"]
    spec_costs.show_costs(costs)
    assert "While no sensor is on, 19 bytes: too few for log_book." in " ".join(capsys.readouterr().out.split())


def test_the_json_has_every_figure(spec: Spec) -> None:
    costs = work_out(spec, settings={})
    values = json.loads(json.dumps(spec_costs.costs_json(costs), allow_nan=False))
    assert values["fits"] is True
    assert [each["name"] for each in values["messages"]] == [each.name for each in costs.messages]
    first = values["messages"][0]
    assert first["flash"]["total"] == costs.messages[0].flash.total
    assert first["highest"]["bytes_per_s"] == costs.messages[0].highest.bytes_per_s


@pytest.fixture(scope="module")
def whole() -> Spec:
    """All of this checkout's definitions: its firmware may call what somebody added."""
    return load_spec(find_spec_folder())


def free_code(spec: Spec) -> int:
    return max(OWN_CODE_FIRST, 1 + max(record.code for record in spec.messages))


@pytest.fixture(scope="module")
def builds(tmp_path_factory: pytest.TempPathFactory) -> Project:
    if toolchain_missing():
        pytest.skip("no AVR toolchain")
    return Project(tmp_path_factory.mktemp("builds"))


def test_flash_is_what_two_builds_differ_by(whole: Spec, builds: Project) -> None:
    own = Record(
        OWN,
        free_code(whole),
        "Of a garden.",
        (
            Field("moisture", "u16", 0, 2, "Water.", unit="%", maximum=1_000, scale=Scale(1, -1)),
            Field("depths", "i16", 2, 6, "Depths.", unit="mm", count=3),
            Field("pump", "u8", 8, 1, "The pump.", enum="when_full"),
        ),
    )
    changed = with_messages(whole, own)
    cost = cost_of(work_out(changed), OWN).flash
    call = f"        (void)ot_log_{OWN}(now, &(ot_message_{OWN}){{logger.newest, {{1, 2, 3}}, logger.refused}});\n"
    plain, declared = builds.build(whole), builds.build(changed)
    before, after = symbol_sizes(plain), symbol_sizes(declared)
    grown = {name: after[name] - before.get(name, 0) for name in after if after[name] != before.get(name, 0)}
    description = grown.pop("ot_descriptions")
    assert (sum(grown.values()), description) == (cost.tables, cost.description)
    assert set(grown) <= {"ot_message_layouts", f"ot_message_{OWN}_fields", f"ot_message_{OWN}_layout", "ot_bounds"}
    assert ram_bytes(builds.build(changed, call)) == ram_bytes(plain)


@pytest.mark.skipif(has_own_messages(), reason="what a call costs is told of the kit's firmware as it comes")
@pytest.mark.parametrize("length", [1, 16])
def test_a_call_of_any_size_costs_what_is_said(whole: Spec, builds: Project, length: int) -> None:
    values = ["ot_ring_fill()", "ot_ring_size()", "logger.newest", "logger.id", "logger.busy_longest"]
    values += ["supply.supply_mv", "1", "2"]
    types = ["u16"] * (length // 2)
    if length == 1:
        types, values = ["u8"], ["ot_ring.mark_in"]
    changed = with_messages(whole, numbers(OWN, *types, code=free_code(whole)))
    call = f"        (void)ot_log_{OWN}(now, &(ot_message_{OWN}){{{', '.join(values[: len(types)])}}});\n"
    grown = flash_bytes(builds.build(changed, 2 * call)) - flash_bytes(builds.build(changed, call))
    assert grown == pytest.approx(cost_of(work_out(changed), OWN).flash.call, abs=CALL_TOLERANCE)


def test_the_sum_of_all_tables_is_the_images(whole: Spec, builds: Project) -> None:
    sizes = symbol_sizes(builds.build(whole))
    costs = work_out(whole)
    mine = {name: size for name, size in sizes.items() if name.startswith("ot_message_")}
    bounds = 8 * sum(f.minimum is not None or f.maximum is not None for r in whole.messages for f in r.fields)
    assert sizes["ot_descriptions"] == costs.flash.description + 1  # a zero stands at its end
    assert sum(mine.values()) <= costs.flash.tables <= sum(mine.values()) + bounds + 8 * len(whole.enums)


def test_cycles_are_those_of_the_bench(tmp_path: Path) -> None:
    if toolchain_missing():
        pytest.skip("no AVR toolchain")
    known = load_parts().boards["atmega328p_16mhz"]
    measured = frame_cycles.measure(frame_cycles.Rig(build("atmega328p_16mhz"), 16_000_000, tmp_path))
    # Four frames crowd the shelf, so each is charged a quarter of what an emptier block takes longer, if it does.
    longer = max(0.0, measured.empty_block - known.write_cycles)
    frame = measured.staging + measured.sending + longer / 4.0
    assert frame <= known.frame_cycles <= 1.25 * frame
    assert set(measured.reading) == set(known.reading_cycles)
    for name, cycles in known.reading_cycles.items():
        assert measured.reading[name] <= cycles <= 1.25 * measured.reading[name] + 500, name


def test_what_is_said_to_fit_is_logged_whole(spec: Spec, tmp_path: Path) -> None:
    if toolchain_missing():
        pytest.skip("no AVR toolchain")
    assert work_out(spec, baud=115_200).fits
    rig = frame_cycles.Rig(build("atmega328p_16mhz"), 16_000_000, tmp_path)
    by_name = {record.name: record for record in spec.messages}
    block = frame_cycles.header(15, 20, 100, 100, 115_200)
    codes = rig.codes(block, 3_000.0, 115_200, BUSY_MS)
    assert codes[by_name["loss"].code] == 0
    # Six seconds in all, the last block's part of a second and the start less.
    for name, hz in (("analogue", 50.0), ("pulses", 10.0), ("pressure", 10.0)):
        assert hz <= by_name[name].at_most_hz
        assert 5.0 * hz <= codes[by_name[name].code] <= 6.0 * hz
