"""Tracks of a vehicle by chance, with everything that can be missing, repeated, late or wrong. Seeded."""

from __future__ import annotations

import datetime as dt
import math
import random
from dataclasses import replace
from typing import Any

import numpy as np
from offtake.track.bulk.batch import EpochBatch
from offtake.track.fixes import NO_TIME, FixColumns
from offtake.track.marks import MarkColumns
from offtake.track.skies import SkyColumns
from offtake.track.timemark import TimeMark
from offtake.track.values import SYSTEMS, Fix, Satellite, Sky

MIDNIGHT = dt.datetime(2024, 5, 17, tzinfo=dt.UTC)
PLACES = ((48.0, -31.0), (-33.0, 179.9999), (0.0, 0.0), (84.5, -20.0), (-60.0, -179.999))
DAY_US = 86_400_000_000


class Drive:
    """A vehicle, its receiver and the logger, epoch by epoch. A ``calm`` one has a true clock and no wild position."""

    def __init__(self, seed: int, *, calm: bool = False) -> None:
        self.random = random.Random(seed)
        draw = self.random
        self.calm = calm
        self.interval_us = draw.choice((1_000_000, 1_000_000, 200_000, 100_000))
        self.sent_us = draw.choice((0, 1_000_000, 30_000_000))
        self.day_us = draw.randrange(86_400) * 1_000_000
        self.latitude, self.longitude = draw.choice(PLACES)
        self.speed, self.course, self.height = 0.0, draw.uniform(0, 360), draw.uniform(0, 500)
        self.decimals, self.accurate, self.tells_speed = (
            draw.choice((6, 7, 9) if calm else (4, 6, 7, 9)),
            draw.random() < 0.5,
            calm or draw.random() < 0.7,
        )
        self.frozen = 0

    def fix(self, number: int) -> Fix:
        """The next epoch."""
        draw = self.random
        self._move()
        said: dict[str, Any] = {
            "fix_quality": draw.choice((None, "autonomous", "autonomous", "rtk_fixed", "none")),
            "fix_type": draw.choice((None, "3d", "2d")),
            "satellites_used": draw.choice((None, 0, 4, 9)),
            "hdop": draw.choice((None, 0.8, 1.2, 1.6)),
            "after_loss": draw.random() < 0.01,
            "source_offsets": tuple(range(number * 3, number * 3 + draw.randrange(4))),
        }
        if draw.random() < 0.97 or number < 2:
            said |= self._position()
        utc = MIDNIGHT + dt.timedelta(microseconds=self.day_us)
        return Fix(1, self.tick_us, utc, self.day_us % DAY_US, **said)

    def _move(self) -> None:
        draw = self.random
        if draw.random() < 0.01:
            self.speed = draw.choice((0.0, 0.0, 0.5, 3.0, 12.0, 25.0))
        self.course = (self.course + draw.gauss(0, 3)) % 360
        steps = 1 if draw.random() > 0.01 else draw.choice((2, 5, 30, 400))
        self.sent_us += self.interval_us * steps
        self.tick_us = self.sent_us + draw.randrange(0, 3000)
        self.day_us += self.interval_us * steps
        if not self.calm and draw.random() < 0.003:
            self.day_us += draw.choice((-5, -1, 1, 3600)) * 1_000_000
        if draw.random() < 0.005:
            self.frozen = draw.choice((3, 10))
        if self.frozen:
            self.frozen -= 1
            return
        way = self.speed * self.interval_us / 1e6 / 111_000
        self.latitude += way * math.cos(math.radians(self.course))
        self.longitude += way * math.sin(math.radians(self.course)) / max(0.1, math.cos(math.radians(self.latitude)))

    def _position(self) -> dict[str, Any]:
        draw = self.random
        wild = draw.uniform(-0.01, 0.01) if draw.random() < 0.005 and not self.calm else 0.0
        said: dict[str, Any] = {
            "latitude_deg": round(self.latitude + draw.gauss(0, 1e-6), self.decimals),
            "longitude_deg": round((self.longitude + wild + 180) % 360 - 180, self.decimals),
            "altitude_m": round(self.height + draw.gauss(0, 2), 1) if draw.random() < 0.9 else None,
            "height_m": round(self.height + 40, 1) if draw.random() < 0.5 else None,
        }
        if self.tells_speed:
            said |= {
                "speed_m_s": abs(self.speed + draw.gauss(0, 0.1)),
                "course_deg": self.course if self.speed else None,
            }
        if self.accurate:
            said |= {
                "horizontal_accuracy_m": draw.uniform(0.5, 5),
                "vertical_accuracy_m": draw.choice((0.0, 2.0, None)),
            }
        return said


def make_fixes(seed: int, count: int, *, calm: bool = False) -> tuple[Fix, ...]:
    """The epochs of a drive."""
    drive = Drive(seed, calm=calm)
    return tuple(drive.fix(number) for number in range(count))


def make_skies(fixes: tuple[Fix, ...], seed: int) -> tuple[list[int], tuple[Sky, ...]]:
    """Satellites told with some of the epochs, and the rows of these."""
    draw = random.Random(seed)
    rows = [row for row in range(len(fixes)) if draw.random() < 0.3]
    skies = []
    for row in rows:
        told = [
            Satellite(
                draw.choice((None, *SYSTEMS)), number, draw.choice((None, 45.5)), draw.choice((None, 359.0)),
                draw.choice((None, 30.0, 44.5)), draw.choice((None, False, True)), draw.choice((None, 0, 6)),
            )
            for number in range(draw.randrange(5))
        ]  # fmt: skip
        skies.append(Sky(1, fixes[row].tick_us, fixes[row].utc, tuple(told)))
    return rows, tuple(skies)


def make_batches(fixes: tuple[Fix, ...], seed: int, *, dated: int = 1) -> list[EpochBatch]:
    """The epochs as a decoder gives them, in batches of any size; every ``dated``-th mark tells the date."""
    draw = random.Random(seed)
    marks = [
        TimeMark(fix.tick_us, fix.time_of_day_us, fix.utc.date() if number % dated == 0 and fix.utc else None,
                 trusted=fix.has_position, after_loss=fix.after_loss)
        for number, fix in enumerate(fixes)
    ]  # fmt: skip
    rows, skies = make_skies(fixes, seed)
    every = EpochBatch(
        FixColumns.from_fixes([replace(fix, utc=None) for fix in fixes], 1),
        MarkColumns.from_marks(marks),
        SkyColumns.from_skies([replace(sky, utc=None) for sky in skies], 1, np.array(rows, dtype=np.int64)),
    )
    assert (every.fixes.utc_us == NO_TIME).all()
    batches, at = [], 0
    while at < len(fixes):
        stop = min(len(fixes), at + draw.randrange(1, 200))
        low, high = np.searchsorted(every.skies.fix, (at, stop))
        batches.append(EpochBatch(every.fixes[at:stop], every.marks[at:stop], every.skies[low:high].moved(-at)))
        at = stop
    return batches
