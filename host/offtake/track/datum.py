"""Which datum the receiver says its positions are on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from offtake.dialects.stream import TimedMessage

WGS84 = "W84"
_OFFSETS = ("latitude_offset_min", "longitude_offset_min", "altitude_offset_m")
_KEPT = 4


class DatumWatch:
    """Looks through messages as they pass for a datum other than WGS84."""

    def __init__(self) -> None:
        self._others: list[str] = []

    def watch(self, messages: Iterable[TimedMessage]) -> Iterator[TimedMessage]:
        """Yield ``messages`` as they are."""
        for timed in messages:
            if timed.message.state == "decoded" and "datum" in timed.message.values:
                self._see(timed)
            yield timed

    def _see(self, timed: TimedMessage) -> None:
        values = timed.message.values
        datum = values["datum"]
        shifted = any(isinstance(values.get(name), int | float) and values[name] != 0 for name in _OFFSETS)
        named = isinstance(datum, str) and datum != WGS84
        if (named or shifted) and str(datum) not in self._others and len(self._others) < _KEPT:
            self._others.append(str(datum))

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader of the positions must know of it, in words; empty when all is WGS84."""
        if not self._others:
            return ()
        names = ", ".join(self._others)
        said = f"The receiver says that its positions are on another datum than WGS84 ({names})"
        return (f"{said}; they are not converted.",)
