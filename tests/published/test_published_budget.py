"""The budget's formulas against published tables and figures. Each names its source in the words of the notes that the
project keeps of such values; "memory" says that nobody looked it up."""

from __future__ import annotations

import math
import shutil
import subprocess
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from offtake.bench.board import Bench, Board
from offtake.budget import circuit, supply
from offtake.budget.divisor import (
    Divisor,
    chosen_divisor,
    line_speed_limits_percent,
    mismatch_limit_percent,
)
from offtake.budget.model import Budget, Line, Plan, Verdict
from offtake.budget.parts import load_parts
from offtake.budget.sensors import Bus, Sensors, Switch
from offtake.budget.stalls import Load, arriving_bytes, longest_stall_ms
from offtake.budget.storage import card_bytes_per_s
from offtake.budget.work import work_out
from offtake.firmware_build import build
from offtake.jobs.budget import LineLoad, budget
from test_published_divisors import CASES, U2X, UBRR0H, UBRR0L, UCSR0A, remembered

PARTS = load_parts()
CLOCKS = {"atmega328p_16mhz": 16_000_000, "atmega328p_8mhz": 8_000_000}
LIMITS = tomllib.loads((Path(__file__).resolve().parents[1] / "limits.toml").read_text(encoding="utf-8"))["limits"]
SETBAUD = Path("/usr/lib/avr/include/util/setbaud.h")


def worked_out(board: str = "atmega328p_16mhz", baud: int = 57_600, **settings: object) -> Budget:
    return budget(board, baud, LineLoad(), settings)


def nearest_ubrr(clock: int, baud: int, *, double: bool) -> int:
    """The register value whose bit is nearest in length, found by trying them all."""
    return min(range(4096), key=lambda ubrr: abs(1 / Divisor(clock, ubrr, double).speed_bd - 1 / baud))


# UBRR and error: computed, equal to every cell of the 8 and 16 MHz tables in the ATmega48/88/168 datasheet (2545D, same
# USART); the cells stand in test_published_divisors.py.
@pytest.mark.parametrize(("name", "hz", "baud", "normal", "double"), CASES)
def test_divisor_tables(
    name: str, hz: int, baud: int, normal: tuple[int, float], double: tuple[int, float]
) -> None:
    for doubled, (ubrr, error) in ((False, normal), (True, double)):
        assert nearest_ubrr(hz, baud, double=doubled) == ubrr
        assert round(Divisor(hz, ubrr, doubled).error_percent(baud), 1) == pytest.approx(error, abs=0.051)
    chosen = chosen_divisor(hz, baud)
    assert chosen.ubrr == (double if chosen.double else normal)[0]
    assert abs(chosen.error_percent(baud)) == pytest.approx(min(abs(normal[1]), abs(double[1])), abs=0.051)


@pytest.mark.parametrize("board", CLOCKS)
def test_the_firmware_chooses_as_we_say(board: str) -> None:
    """Speeds beside those of the tables, odd and even dividers, on the simulated chip."""
    for baud in (1_200, 31_250, 76_800, 460_800, 921_600):
        clock = CLOCKS[board]
        with Bench(build(board), board=Board(frequency_hz=clock), eeprom=remembered(baud), seed=1) as bench:
            assert bench.run_ms(90).ok
            ubrr = bench.read_data(UBRR0L, 1)[0] | bench.read_data(UBRR0H, 1)[0] << 8
            doubled = bool(bench.read_data(UCSR0A, 1)[0] & U2X)
        assert chosen_divisor(clock, baud) == Divisor(clock, ubrr, doubled), baud


@pytest.mark.skipif(not SETBAUD.exists() or not shutil.which("avr-gcc"), reason="no avr-libc here")
@pytest.mark.parametrize("clock", CLOCKS.values())
def test_divisor_of_avr_libc(clock: int) -> None:
    """Debian's avr-libc, util/setbaud.h: its own formula for the register."""
    for baud in (2_400, 9_600, 38_400, 57_600, 115_200, 250_000):
        for tolerance in (0, 100):  # with none it turns to double speed, with much it never does
            text = f"#define BAUD {baud}\n#define BAUD_TOL {tolerance}\n#include <util/setbaud.h>\n"
            expression = preprocessed(text + "UBRR_VALUE\n", clock)
            assert int(eval_c(expression)) == nearest_ubrr(clock, baud, double=asks_for_double(text, clock))


def preprocessed(text: str, clock: int) -> str:
    command = ["avr-gcc", "-mmcu=atmega328p", f"-DF_CPU={clock}", "-E", "-P", "-"]
    out = subprocess.run(command, input=text, capture_output=True, text=True, check=True).stdout
    return out.strip().splitlines()[-1]


def asks_for_double(text: str, clock: int) -> bool:
    return preprocessed(text + "USE_2X\n", clock) == "1"


def eval_c(expression: str) -> int:
    """The header's own arithmetic: whole numbers, + - * / and brackets only."""
    plain = expression.replace("UL", "").replace("/", "//")
    assert set(plain) <= set("0123456789+-*/() "), expression
    value = eval(plain)
    assert isinstance(value, int)
    return value


def test_receiver_limits() -> None:
    # +-2.0 % normal speed (DS40002061A table 20-2, read), +-1.5 % double speed (sibling datasheets, read).
    assert (PARTS["limit_normal"], PARTS["limit_double"]) == (2.0, 1.5)
    # Hard limits normal 95.36/104.58 %, double 96.00/103.90 % (formula, computed).
    assert line_speed_limits_percent(16) == pytest.approx((95.36, 104.58), abs=0.005)
    assert line_speed_limits_percent(8) == pytest.approx((96.00, 103.90), abs=0.005)
    # Half a bit over 9.5 = +-5.26 % in all, +-4.60 % with 16x sampling (published column, computed).
    assert mismatch_limit_percent() == pytest.approx(5.26, abs=0.005)
    assert mismatch_limit_percent(16) == pytest.approx(4.60, abs=0.01)
    # Ceramic resonator +-0.5 % typical (memory).
    assert PARTS["resonator_off"] == Plan.board_clock_off_percent == 0.5
    assert PARTS["quartz_off"] == Plan.line_clock_off_percent


def test_known_misreadings() -> None:
    """Datasheet 2545D's -3.5 % at 230,400 baud with 16 MHz, 115,200 with 8: past the limits, clocks included."""
    for board, baud in (("atmega328p_16mhz", 230_400), ("atmega328p_8mhz", 115_200)):
        verdicts = {line.key: line.verdict for line in worked_out(board, baud).lines}
        assert verdicts["fastest_line"] is verdicts["divisor_error"] is Verdict.WILL_NOT_DO
    for board, baud in (("atmega328p_16mhz", 57_600), ("atmega328p_16mhz", 250_000), ("atmega328p_8mhz", 38_400)):
        verdicts = {line.key: line.verdict for line in worked_out(board, baud).lines}
        assert verdicts["divisor_error"] is verdicts["clock_error"] is Verdict.GOOD


def test_levels() -> None:
    # VIH min 0.6 VCC, VIL max 0.3 VCC (8271H p. 300); absolute maximum VCC+0.5 V (same).
    assert (PARTS["vih_share"], PARTS["vil_share"]) == (0.6, 0.3)
    assert PARTS["over_supply"] == 0.5
    # Clamp current <= 1 mA (application note AVR182, memory).
    assert PARTS["clamp_current"] == 1.0
    # 3.3 V signal into a 5 V part: needs 3.0 V, 0.3 V of margin.
    (high,) = (line for line in worked_out().lines if line.key == "tap_high")
    assert (high.value, high.limit, high.margin) == (3.3, 3.0, pytest.approx(0.3))
    # 5 V into an unpowered or 3.3 V part through 1 kOhm: 1.2 mA or more through the clamp.
    assert circuit.clamp_current_ma(5.0, 3.3, 0.5, 1000.0) == pytest.approx(1.2)
    assert circuit.clamp_current_ma(5.0, 0.0, 0.5, 1000.0) > 1.2
    over = {line.key: line for line in worked_out("atmega328p_8mhz", receiver_v=5.0).lines}["tap_over"]
    assert over.verdict is Verdict.WILL_NOT_DO
    assert "1.20 mA" in over.note


def test_usb_chip_cannot_work() -> None:
    # That chip's idle-high output fights the tap through two 1 kOhm resistors (common practice, no source): half the
    # supply above the low, far above VIL.
    assert circuit.between_v(0.0, 1000.0, 5.0, 1000.0) == 2.5
    done = worked_out(usb_chip=True)
    low = {line.key: line for line in done.lines}["usb_chip_low"]
    assert low.value is not None
    assert low.value > 2.5 > 1.5 == low.limit
    assert low.verdict is done.verdict is Verdict.WILL_NOT_DO


def test_clock_and_supply() -> None:
    # Safe clock: 4 MHz@1.8 V, 10@2.7, 20@4.5, linear between (8271D p. 322).
    for volts, mhz in ((1.8, 4.0), (2.7, 10.0), (4.5, 20.0), (5.5, 20.0)):
        assert supply.safe_clock_mhz(volts) == pytest.approx(mhz)
    # 16 MHz needs 3.78 V; 3.3 V allows 13.3 MHz (computed).
    assert supply.least_supply_v(16.0) == pytest.approx(3.78)
    assert supply.safe_clock_mhz(3.3) == pytest.approx(13.33, abs=0.005)
    # BOD 4.1/4.3/4.5, 2.5/2.7/2.9, 1.7/1.8/2.0 V (8025I p. 320).
    assert PARTS.brown_out_v == ((4.1, 4.3, 4.5), (2.5, 2.7, 2.9), (1.7, 1.8, 2.0))


@pytest.mark.parametrize(("picofarad", "nanoseconds", "percent"), [(10, 22, 0.13), (20, 44, 0.25), (30, 66, 0.38)])
def test_edges(picofarad: float, nanoseconds: float, percent: float) -> None:
    # RC at 1 kOhm (t = 2.197 RC): 10/20/30 pF -> 22/44/66 ns: 0.13/0.25/0.38 % of a bit at 57,600 (computed).
    rise_ns = circuit.rise_time_ns(1000.0, picofarad)
    assert rise_ns == pytest.approx(nanoseconds, abs=0.5)
    assert rise_ns * 1e-9 * 57_600 * 100.0 == pytest.approx(percent, abs=0.005)


def test_analogue_inputs() -> None:
    # ATmega48PA/88PA/168PA/328P datasheet (8161D), table 28-7, read: 10 bits, 2 steps. Input leakage 1 uA (8271H,
    # p. 301, read). ATmega48/88/168 datasheet (2545K), p. 251, same converter, read: sources of about 10 kOhm or less.
    assert (PARTS["converter_steps"], PARTS["converter_off"], PARTS["source_most"]) == (2**10, 2.0, 10.0)
    assert PARTS["pin_leak"] == 0.001
    # Clamp current <= 1 mA (application note AVR182, memory): usual dividers keep a cell's 4.2 V, two cells' 8.4 V and
    # a vehicle's 15 V within it when the logger is off.
    for upper, volts in ((10e3, 4.2), (10e3, 8.4), (47e3, 15.0)):
        assert circuit.divider_clamp_ma(volts, 0.0, PARTS["over_supply"], upper, 10e3) < 1.0


def test_counter_and_pull_ups() -> None:
    # DS40002061A, p. 148, read: an external clock below f / 2.5. Pull-up of a pin 20 to 50 kOhm (8271H, p. 301, read).
    assert PARTS["counter_divider"] == 2.5
    assert PARTS["pull_up_least_ohm"] == 20_000.0
    assert with_sensors(Sensors(pulses=Switch(1.0)))["pulses_pin"].limit == pytest.approx(6_400.0)


def with_sensors(sensors: Sensors) -> dict[str, Line]:
    return {line.key: line for line in work_out(replace(worked_out().plan, sensors=sensors)).lines}


def test_bus() -> None:
    # UM10204 rev. 6, section 7.1, read: T = 0.8473 R C between 0.3 and 0.7 VDD; least resistor (VDD - 0.4 V) / 3 mA;
    # 1,000 ns in standard mode (a chip maker's table of the same, read); 400 pF then bear 2.95 kOhm (computed).
    assert circuit.bus_rise_ns(1_000.0, 1_000.0) == pytest.approx(1_000.0 * math.log(7 / 3), abs=0.05)
    assert circuit.bus_rise_ns(2_950.0, 400.0) == pytest.approx(1_000.0, abs=0.5)
    assert (PARTS["bus_rise"], PARTS["bus_sink"], PARTS["bus_low"]) == (1_000.0, 3.0, 0.4)
    # The BME280's thresholds, 20 and 80 % of its supply (BST-BME280-DS002-15, table 32, read), and 0.3 V above it at
    # the most (BST-BME280-DS001-10, table 5, read); the BMP280's are the same (memory).
    assert (PARTS["part_vil_share"], PARTS["part_vih_share"], PARTS["part_over_supply"]) == (0.2, 0.8, 0.3)
    # 3.3 V signal into a 5 V part: needs 3.0 V, 0.3 V of margin. Two-wire unit: 0.7 VCC (2545F, table 27-2, read).
    high = with_sensors(Sensors(pressure=Bus()))["bus_high"]
    assert (high.value, high.limit) == (3.3, 3.0)
    assert "3.50 V" in high.note


@pytest.mark.parametrize(("stall_ms", "at_57600"), [(250, 1_440), (500, 2_880), (900, 5_184)])
def test_bytes_in_a_stall(stall_ms: float, at_57600: int) -> None:
    # Bytes that arrive (8N1) during a stall: 57,600 baud: 1,440 in 250 ms, 2,880 in 500 ms, 5,184 in 900 ms; 115,200:
    # double. Busy up to 250 ms (SDSC, SDHC), 500 ms (SDXC): memory, two independent drivers' comments agree. Worst
    # write seen 900 ms: read, Linux drivers/mmc/core/core.c.
    assert arriving_bytes(Load(57_600), stall_ms) == at_57600
    assert arriving_bytes(Load(115_200), stall_ms) == 2 * at_57600


def test_stalls_are_those_asked_about() -> None:
    lines = {line.key: line.value for line in worked_out().lines}
    assert [lines[key] for key in ("stall_high_capacity", "stall_extended", "stall_seen")] == [250.0, 500.0, 900.0]


@pytest.mark.parametrize("board", CLOCKS)
def test_ring_against_what_was_measured(board: str) -> None:
    """tests/stalls measured these on the simulated board (limits.toml): we never promise more, nor much less."""
    facts = worked_out(board).plan.board
    costs = PARTS.boards[board]
    for baud, least_ms in LIMITS[board]["stall_ms"].items():
        # Where the divider is off the measurement was made with a line at the chip's own speed.
        chip = chosen_divisor(facts.clock_hz, int(baud))
        speed = round(chip.speed_bd) if abs(chip.error_percent(int(baud))) > 2.5 else int(baud)
        worked = longest_stall_ms(Load(speed), facts.ring_bytes, costs, facts.clock_hz)
        assert 0.97 * least_ms <= worked <= max(least_ms + 0.6, 1.003 * least_ms), (baud, worked, least_ms)
    assert costs.sustained_bd == LIMITS[board]["sustained_bd"]


def test_overhead_against_what_was_measured() -> None:
    # tests/costs: 5.79 % on a saturated line at every speed.
    line = Load(57_600)
    worked = round(card_bytes_per_s(line) / line.bytes_per_s - 1.0, 4)
    for board in CLOCKS:
        assert set(LIMITS[board]["overhead"].values()) == {worked}


def test_default_page_says_the_published_things() -> None:
    """Bare, for the usual speed (57,600 baud: common practice, no source): nothing fails."""
    for board in CLOCKS:
        assert work_out(worked_out(board).plan).verdict is not Verdict.WILL_NOT_DO
