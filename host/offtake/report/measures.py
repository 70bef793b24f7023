"""What a run's sensors measured, sorted into pictures. Names, units and choices may come out of a log."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from offtake.report import text
from offtake.report.draw_states import States, states_of
from offtake.report.draw_time import Plot, Quantity
from offtake.report.pen import scaled_unit
from offtake.report.series import Floats, RunSeries, Values
from offtake.report.thin import even_pace, sensor_pause_s

if TYPE_CHECKING:
    from offtake.journal.columns import Column
    from offtake.journal.measured import Series

PICTURES_MAX = 12
"""So many pictures of a run's sensors are drawn; what they leave out is in the table."""
ELEMENTS_MAX = 8
"""Elements of an array that are drawn, each as a line,"""
SHARED_MAX = 3
"""and single values of one message and unit that share a picture,"""
SHARE_MIN = 1 / 3
"""where each of them has at least this share of the height: a small change of one must not be pressed flat."""
NAME_MAX, _UNIT_MAX = 24, 10
ANALOGUE, EVENT = "analogue", "event"
# Codes from here on are for messages of one's own.
_OWN_CODES_FROM = 64
_KIT = (ANALOGUE, EVENT, "pulses", "pressure_constants", "pressure")
# Beyond, millivolts are told in volts.
_MILLIVOLTS_MAX = 2000
# The run's setting that rules when a message comes, in milliseconds.
_SETTINGS = {
    ANALOGUE: "analogue_ms", EVENT: "event_debounce_ms", "pulses": "pulse_ms", "pressure": "pressure_ms",
}  # fmt: skip
_PULSES, _COUNT, _PERIOD = "pulses", "count", "period_us"
_COUNTS = 2**32
# Figures outside are told with a power of ten.
_SMALL, _LARGE = 1e-3, 1e13
# As people write them.
_UNITS = {"degC": "°C", "deg": "°", "us": "µs"}
_RATE_DIGITS = 2
_ROLES = ("first", "second", "third")

Drawn = Plot | States


def message_words(measured: Series) -> str:
    """A message's name as people read it."""
    return _words(measured.name)


def column_words(measured: Series, column: Column) -> str:
    """A column's name as people read it, without the unit at its end where that leaves it its own."""
    return _column_words(tuple((one.name, one.unit) for one in measured.columns))[column.name]


@lru_cache(maxsize=64)
def _column_words(columns: tuple[tuple[str, str], ...]) -> dict[str, str]:
    """The words for each column name of a message, from its (name, unit) pairs."""
    short = {name: _short(name, unit.lower()) for name, unit in columns}
    often = Counter(short.values())
    return {name: words if often[words] == 1 else _words(name) for name, words in short.items()}


def _short(name: str, unit: str) -> str:
    return _words(name).removesuffix(f" {unit.removeprefix('deg') or unit}").removesuffix(f" {unit}")


def _words(name: str) -> str:
    return text.stranger(name.replace("_", " "), NAME_MAX) or "unnamed"


def is_own(measured: Series) -> bool:
    """Whether a message is none of the kit's."""
    return measured.code >= _OWN_CODES_FROM or measured.name not in _KIT


def told_once(measured: Series) -> bool:
    """Whether it is a set of constants rather than a series."""
    return measured.frames == 1 and len(measured.tick_us) == 1


def _unit_and_divisor(measured: Series, column: Column) -> tuple[str, float]:
    """The unit that a column is shown in, and what its values are divided by: pressures that this host worked out are
    in hectopascal, and a message's millivolts in volts where any of them is large."""
    if column.derived and column.unit == "Pa":
        return "hPa", 100.0
    if column.unit == "mV" and any(_large(one) for one in measured.columns if one.unit == "mV" and one.numeric):
        return "V", 1000.0
    return text.stranger(_UNITS.get(column.unit, column.unit), _UNIT_MAX), 1.0


def _large(column: Column) -> bool:
    values = column.values[column.present]
    return bool((np.abs(values) > _MILLIVOLTS_MAX).any())


def unit_of(measured: Series, column: Column) -> str:
    """The unit that a column is shown in."""
    return _unit_and_divisor(measured, column)[0]


def voltage(millivolts: int | None) -> str:
    """A voltage that was set, in plain digits."""
    if not millivolts:
        return text.NONE
    large = millivolts > _MILLIVOLTS_MAX
    return f"{millivolts / 1000:.5g} V" if large else f"{text.whole(millivolts)} mV"


def full_scale(series: RunSeries, number: int) -> int | None:
    """The full scale, in millivolts, that the run's settings give analogue input ``number``; ``None`` where they do
    not tell, 0 where it is off."""
    full: int | None = getattr(series.run.info.start, f"analogue_{number}_full_mv", None)
    return full


def values_at(series: RunSeries, measured: Series, column: Column) -> Values:
    """A numeric column's values in its :func:`unit_of`, on the run's axis, without those that are absent: an interval
    with fewer than two pulses has no period."""
    values = column.values.astype(np.float64) / _unit_and_divisor(measured, column)[1]
    told = column.present & np.isfinite(values)
    if measured.name == _PULSES and column.name == _PERIOD:
        told &= values > 0
    seconds = series.seconds_of(measured)
    return Values(seconds[told], values[told])


def in_use(series: RunSeries, measured: Series) -> tuple[Column, ...]:
    """The columns without an analogue input that the run's settings leave off, whose readings mean nothing."""
    if measured.name != ANALOGUE:
        return measured.columns
    off = [f"input_{number}_mv" for number in (1, 2) if full_scale(series, number) == 0]
    return tuple(column for column in measured.columns if column.name not in off)


def setting_of(series: RunSeries, measured: Series) -> int | None:
    """The run's setting, in milliseconds, that rules when a message comes, where it tells one."""
    return getattr(series.run.info.start, _SETTINGS.get(measured.name, ""), None) or None


def paced(series: RunSeries, measured: Series) -> bool:
    """Whether a message comes at an even pace, by the run's settings or by its times."""
    if measured.name == EVENT:
        return False
    return bool(setting_of(series, measured)) or even_pace(series.seconds_of(measured))


def unpictured(series: RunSeries, measured: Sequence[Series]) -> tuple[str, ...]:
    """Numbers that never changed and came at no even pace, or of which a frame or two told one: a picture would say
    nothing. Many of one message are only counted, and messages told once are not among them."""
    words: list[str] = []
    for one in measured:
        if told_once(one):
            continue
        columns = [column for column in in_use(series, one) if column.numeric and not superseded(one, column)]
        told = [column for column in columns if column.present.any()]
        still = [column for column in told if _says_nothing(series, one, column)]
        if len(still) > SHARED_MAX:
            words.append(f"{_capital(message_words(one))}: {len(still)} values")
        else:
            words += [_capital(_said(one, column, ": ")) for column in still]
    return tuple(words)


def _says_nothing(series: RunSeries, measured: Series, column: Column) -> bool:
    values = values_at(series, measured, column).values
    return len(values) < 2 or (bool((values == values[0]).all()) and not paced(series, measured))


def drawn_of(series: RunSeries, measured: Sequence[Series]) -> tuple[Drawn, ...]:
    """Everything that makes a picture, in the order of message codes and fields; more than :data:`PICTURES_MAX`
    perhaps."""
    return tuple(drawn for one in measured for drawn in (*rates_of(series, one), *_drawn_of_message(series, one)))


def _drawn_of_message(series: RunSeries, measured: Series) -> list[Drawn]:
    """Arrays apart; single values of one unit together."""
    groups: dict[tuple[str, str], list[Column]] = {}
    for column in in_use(series, measured):
        if column.kind in ("word", "flags"):
            groups[(column.name, "")] = [column]
        elif column.numeric and not superseded(measured, column) and not _says_nothing(series, measured, column):
            shared = column.field if is_element(column) else "" if column.unit else column.name
            groups.setdefault((shared, column.unit), []).append(column)
    drawn: list[Drawn] = []
    for columns in groups.values():
        if not columns[0].numeric:
            heading, said = _heading(measured, columns), _said(measured, columns[0])
            drawn += states_of(series, measured, columns[0], heading, said, sudden=not paced(series, measured))
        elif is_element(columns[0]):
            drawn.append(_plot(series, measured, columns))
        else:
            drawn += [_plot(series, measured, part) for part in _sharing(series, measured, columns)]
    return drawn


def _sharing(series: RunSeries, measured: Series, columns: Sequence[Column]) -> list[list[Column]]:
    """Those that go well together in one picture: none loses more of its height than :data:`SHARE_MIN` leaves it."""
    shared: list[tuple[list[Column], list[tuple[float, float]]]] = []
    for column in columns:
        values = values_at(series, measured, column).values
        ends = (float(values.min()), float(values.max()))
        for members, every in shared:
            if len(members) < SHARED_MAX and _go_together([*every, ends]):
                members.append(column)
                every.append(ends)
                break
        else:
            shared.append(([column], [ends]))
    return [members for members, _ in shared]


def _go_together(every: Sequence[tuple[float, float]]) -> bool:
    whole = max(most for _, most in every) - min(least for least, _ in every)
    spans = [most - least for least, most in every]
    # A value that never changes has no height to lose, but where none changes they must be the same.
    return whole == 0 if not any(spans) else all(SHARE_MIN * whole <= span for span in spans if span)


def is_element(column: Column) -> bool:
    """Whether it is an element of an array."""
    return column.numeric and column.name.startswith(f"{column.field}_")


def _heading(measured: Series, columns: Sequence[Column]) -> str:
    message = message_words(measured)
    if len(columns) > 1 and is_element(columns[0]):
        drawn = f"the first {ELEMENTS_MAX} of " if len(columns) > ELEMENTS_MAX else ""
        return f"{_capital(message)}: {_words(columns[0].field)}, {drawn}{len(columns)} elements"
    if len(columns) == 1:
        return _capital(_said(measured, columns[0], ": "))
    return f"{_capital(message)}: {', '.join(column_words(measured, column) for column in columns)}"


def _said(measured: Series, column: Column, between: str = " ") -> str:
    """Message and column; once where they have one name."""
    message, words = message_words(measured), column_words(measured, column)
    return words if words == message else f"{message}{between}{words}"


def superseded(measured: Series, column: Column) -> bool:
    """Whether it is a reading that this host turned into something else: a raw one into a value with a unit, the time
    between two pulses into their rate."""
    if measured.name == _PULSES and column.name == _PERIOD:
        return True
    return not column.unit and not column.derived and any(other.derived for other in measured.columns)


def _plot(series: RunSeries, measured: Series, columns: Sequence[Column]) -> Plot:
    quantities = tuple(
        Quantity(
            _ROLES[place % len(_ROLES)], column_words(measured, column), values_at(series, measured, column), place
        )
        for place, column in enumerate(columns[:ELEMENTS_MAX])
    )
    message = message_words(measured)
    said = message if len(columns) > 1 else _said(measured, columns[0])
    if len(columns) > SHARED_MAX:
        said = f"{message} {_words(columns[0].field)}"
    return _fitted(
        _heading(measured, columns), unit_of(measured, columns[0]), quantities, said,
        dots=not paced(series, measured),
    )  # fmt: skip


def _fitted(
    heading: str, unit: str, quantities: tuple[Quantity, ...], said: str, *, digits: int | None = None,
    dots: bool = False,
) -> Plot:  # fmt: skip
    power = power_of(np.concatenate([one.values.values for one in quantities]))
    if power:
        unit = scaled_unit(unit, power, 0.0)
        quantities = tuple(replace(one, values=_divided(one.values, 10.0**power)) for one in quantities)
    if digits is None:
        digits = max(digits_of(one.values.values) for one in quantities)
    return Plot("sensor", heading, unit, quantities, "", digits, said=said, fitted=True, dots=dots)


def power_of(values: Floats) -> int:
    """The power of ten that values are told in where plain digits would be too many: 0 for all of usual size."""
    greatest = float(np.abs(values).max(initial=0.0))
    return 0 if greatest == 0.0 or _SMALL <= greatest < _LARGE else 3 * int(np.floor(np.log10(greatest) / 3))


def _divided(values: Values, factor: float) -> Values:
    return Values(values.seconds, values.values / factor)


def rates_of(series: RunSeries, measured: Series) -> list[Plot]:
    """How fast pulses came: by their count from frame to frame, and by the time between two of them."""
    by_count, period = pulse_rate(series, measured), _column(measured, _PERIOD)
    if by_count is None or period is None:
        return []
    quantities = tuple(
        Quantity(_ROLES[place], label, values, place)
        for place, (label, values) in enumerate((
            ("by the count", by_count),
            ("by the period", rate_by_period(series, values_at(series, measured, period))),
        )) if len(values) > 1
    )  # fmt: skip
    if not quantities:
        return []
    message = message_words(measured)
    return [_fitted(f"{_capital(message)}: rate", "Hz", quantities, f"{message} rate", digits=_RATE_DIGITS)]


def pulse_rate(series: RunSeries, measured: Series) -> Values | None:
    """How fast pulses came by their count, in Hz; ``None`` of other messages, or where it is no count."""
    count = _column(measured, _COUNT) if measured.name == _PULSES else None
    if count is None or count.kind != "integer":
        return None
    return rate_by_count(values_at(series, measured, count))


def _column(measured: Series, name: str) -> Column | None:
    return next((one for one in measured.columns if one.name == name and one.numeric), None)


def rate_by_count(counts: Values) -> Values:
    """Pulses a second between one frame and the next, at the later one; nothing over a pause. The 32-bit count may come
    round; going backwards otherwise is no count."""
    if len(counts) < 2:
        return Values(np.empty(0), np.empty(0))
    passed, counted = np.diff(counts.seconds), np.diff(counts.values) % _COUNTS
    sound = (passed > 0) & (passed <= sensor_pause_s(counts.seconds)) & (counted < _COUNTS / 2)
    return Values(counts.seconds[1:][sound], counted[sound] / passed[sound])


def rate_by_period(series: RunSeries, periods_us: Values) -> Values:
    """Pulses a second from the time between two neighbouring ones, which are more than 0."""
    return Values(periods_us.seconds, 1e6 / (periods_us.values * series.clock.second_of_tick()))


def digits_of(values: Floats) -> int:
    """Decimals to show: those that ``values`` have, as far as they are within six digits of the greatest."""
    greatest = float(np.abs(values).max(initial=0.0))
    most = min(9, max(0, 5 - int(np.floor(np.log10(greatest))))) if greatest > 0 else 0
    for digits in range(most):
        scaled = values * 10.0**digits
        if np.allclose(scaled, np.rint(scaled), rtol=1e-9, atol=1e-6):
            return digits
    return most


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]
