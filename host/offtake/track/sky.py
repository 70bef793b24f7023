"""The satellites of one epoch, put together from the messages that tell of them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from offtake.dialects.message import Message
from offtake.track.values import SYSTEMS, Satellite, Sky

# A real sky has some sixty satellites with up to four signals each; a hostile stream may tell of any number.
SATELLITES_KEPT = 512
TALKERS_KEPT = 32

# A user's own dialect may call anything by the names read here: what is no such number is passed over.
WHOLE_BELOW = 2**31
REAL_UP_TO = 2**53

_BY_TALKER = {
    "GP": "gps", "GL": "glonass", "GA": "galileo", "GB": "beidou", "BD": "beidou",
    "GQ": "qzss", "QZ": "qzss", "GI": "navic",
}  # fmt: skip
# System numbers of NMEA 0183 version 4.11; from memory.
_BY_SYSTEM_ID = {1: "gps", 2: "glonass", 3: "galileo", 4: "beidou", 5: "qzss", 6: "navic"}
# Number ranges of NMEA 0183 and of the extensions in wide use, for talkers that speak for all systems; from memory.
_BY_NUMBER = (
    (1, 32, "gps"), (33, 64, "sbas"), (65, 99, "glonass"), (120, 158, "sbas"), (193, 202, "qzss"),
    (201, 237, "beidou"), (301, 336, "galileo"), (401, 463, "beidou"),
)  # fmt: skip
# From these on none names a system.
SYSTEM_IDS_BELOW = max(_BY_SYSTEM_ID) + 1
NUMBERS_BELOW = max(last for _, last, _ in _BY_NUMBER) + 1


def said_system(talker: str, system_id: int | None) -> str | None:
    """Return the satellite system that a text sentence says it is about, ``None`` when it does not."""
    system = _BY_SYSTEM_ID.get(system_id) if system_id is not None else None
    return system or _BY_TALKER.get(talker)


def listed_system(talker: str, system_id: int | None) -> str | None:
    """Return the system whose satellites a list of those used is complete for, ``None`` when it does not say."""
    return _BY_SYSTEM_ID.get(system_id) if system_id is not None else _BY_TALKER.get(talker)


def system_of(talker: str, system_id: int | None, number: int) -> str | None:
    """Return the satellite system of a text sentence's satellite ``number``, ``None`` when nothing tells it.

    The sentence's own ``system_id`` counts first, then its talker, then the number. A number of the augmentation
    satellites' range that is said under GPS is one of those.
    """
    return system_of_number(said_system(talker, system_id), number)


def system_of_number(system: str | None, number: int) -> str | None:
    """Return the system of satellite ``number`` of a sentence that says it is about ``system``."""
    if system in (None, "gps"):
        for first, last, name in _BY_NUMBER:
            if first <= number <= last and (system is None or name in ("sbas", "qzss")):
                return name
    return system


def whole(value: Any) -> int | None:
    """``value`` if it can be a count or a number of something, else ``None``."""
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < WHOLE_BELOW:
        return None
    return value


def _real(value: Any) -> float | None:
    """``value`` if it is a quantity, else ``None``."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= REAL_UP_TO:
        return None
    return value


class SkyGather:
    """The satellites of an epoch while its messages come in. The first message that knows a value gives it."""

    def __init__(self) -> None:
        self._seen: dict[tuple[str | None, int, int | None], dict[str, Any]] = {}
        self._used: dict[str | None, set[int]] = {}
        self._in_view: dict[str, int] = {}
        # Satellites that a binary message told: it numbers each system by itself and says which are used.
        self._binary: set[tuple[str | None, int, int | None]] = set()

    @property
    def in_view(self) -> int | None:
        """Satellites in view as the messages count them: each talker of text sentences counts its own constellation."""
        by_text = sum(count for talker, count in self._in_view.items() if talker)
        return max(by_text, self._in_view.get("", 0)) if self._in_view else None

    def add(self, message: Message) -> None:
        """Take the satellites of ``message``: groups of one in view each, or a list of the numbers used."""
        count = whole(message.values.get("satellites_in_view"))
        if count is not None and (message.talker in self._in_view or len(self._in_view) < TALKERS_KEPT):
            self._in_view[message.talker] = max(count, self._in_view.get(message.talker, 0))
        satellites = message.values.get("satellites")
        if not isinstance(satellites, tuple):
            return
        system_id = whole(message.values.get("system_id"))
        if "sentences_total" not in message.values and all(isinstance(one, int) for one in satellites):
            self._add_used(message.talker, system_id, (one for one in satellites if isinstance(one, int)))
            return
        signal = whole(message.values.get("signal_id"))
        for group in satellites:
            if isinstance(group, Mapping):
                self._add_group(message.talker, system_id, signal, group)

    def _add_used(self, talker: str, system_id: int | None, numbers: Iterable[int]) -> None:
        said = listed_system(talker, system_id)
        if said is not None:
            self._used.setdefault(said, set())
        for number in map(whole, numbers):
            if number is None:
                continue
            used = self._used.setdefault(system_of(talker, system_id, number), set())
            if len(used) < SATELLITES_KEPT:
                used.add(number)

    def _add_group(self, talker: str, system_id: int | None, signal_id: int | None, group: Mapping[str, Any]) -> None:
        number = whole(group.get("satellite_id"))
        if number is None:
            return
        said = group.get("system")
        system = said if said in SYSTEMS else None if "system" in group else system_of(talker, system_id, number)
        own_signal = whole(group.get("signal_id"))
        key = (system, number, signal_id if own_signal is None else own_signal)
        if key not in self._seen and len(self._seen) >= SATELLITES_KEPT:
            return
        known = self._seen.setdefault(key, {})
        if "system" in group:
            self._binary.add(key)
        told: dict[str, Any] = {name: _real(group.get(name)) for name in ("elevation_deg", "azimuth_deg", "cn0_db_hz")}
        # Some receivers say 0 dB-Hz instead of nothing for a satellite that they do not track.
        told["cn0_db_hz"] = told["cn0_db_hz"] or None
        told["used"] = group["used"] if isinstance(group.get("used"), bool) else None
        for name, value in told.items():
            if known.get(name) is None and value is not None:
                known[name] = value

    def absorb(self, other: SkyGather) -> None:
        """Take in what ``other`` gathered later for the same epoch."""
        for key, values in other._seen.items():
            if key in self._seen or len(self._seen) < SATELLITES_KEPT:
                self._seen[key] = values | self._seen.get(key, {})
        self._binary |= other._binary & self._seen.keys()
        for system, numbers in other._used.items():
            self._used.setdefault(system, set()).update(numbers)
        for talker, count in other._in_view.items():
            self._in_view[talker] = max(count, self._in_view.get(talker, 0))

    def finish(self, run: int, tick_us: int, utc: dt.datetime | None = None) -> Sky | None:
        """Return the satellites in view, ``None`` when no message told of any.

        Satellites said to be used and not listed as in view are added, without directions. Where no list of those used
        came for a satellite's system, ``used`` stays unknown. Where binary and text messages told the same sky, the
        binary ones' stands: they number the satellites differently, and each would be there twice.
        """
        if not self._seen:
            return None
        satellites = []
        # Of GPS alone both families have the same numbers.
        lists = {name: used for name, used in self._used.items() if name == "gps" or not self._binary}
        for (system, number, signal_id), values in self._seen.items():
            if self._binary and (system, number, signal_id) not in self._binary:
                continue
            used = values.get("used")
            if used is None and system in lists:
                used = number in lists[system]
            satellites.append(
                Satellite(
                    system=system,
                    satellite_id=number,
                    elevation_deg=values.get("elevation_deg"),
                    azimuth_deg=values.get("azimuth_deg"),
                    cn0_db_hz=values.get("cn0_db_hz"),
                    used=used,
                    signal_id=signal_id,
                )
            )
        listed = {(system, number) for system, number, _ in self._seen}
        for system, numbers in lists.items():
            more = sorted(number for number in numbers if (system, number) not in listed)
            satellites += [Satellite(system, number, used=True) for number in more]
        return Sky(run, tick_us, utc, tuple(sorted(satellites, key=_order)))


def _order(one: Satellite) -> tuple[str, int, int]:
    # Unknown systems last, a satellite without a signal number before its signals.
    return one.system or "~", one.satellite_id, -1 if one.signal_id is None else one.signal_id
