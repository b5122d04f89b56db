"""The invented academic year: terms, vacations, and how much is played on each day."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from fleet.demo.spec import Floats, Timeline

# First month and day, name, factor on the weight of a day out, factor on the hours played.
PARTS = (
    ((10, 1), "autumn term", 1.0, 1.0),
    ((12, 21), "midwinter vacation", 0.3, 0.15),
    ((1, 7), "winter term", 1.0, 1.0),
    ((1, 26), "winter examinations", 1.5, 1.25),
    ((2, 8), "winter vacation", 0.4, 0.3),
    ((3, 1), "spring term", 1.0, 1.0),
    ((6, 15), "summer examinations", 1.5, 1.25),
    ((7, 1), "summer vacation", 0.25, 0.2),
)
TEACHING_FACTOR = 0.9  # a part with less playing than this is a vacation


@dataclass(frozen=True)
class TermPart:
    """A stretch of an academic year, both days included."""

    name: str
    first: date
    last: date
    weight_factor: float
    playing_factor: float

    @property
    def teaching(self) -> bool:
        """Whether lessons are given."""
        return self.playing_factor >= TEACHING_FACTOR


def parts_of(year: int) -> Iterator[TermPart]:
    """Give the parts of the academic year that begins in October of a year, without a gap."""
    starts = [date(year if month >= 10 else year + 1, month, day) for (month, day), *_ in PARTS]
    ends = [*starts[1:], date(year + 1, 10, 1)]
    for (_, name, weight, playing), first, after in zip(PARTS, starts, ends, strict=True):
        label = f"{name} {year}/{(year + 1) % 100:02d}"
        yield TermPart(label, first, after - timedelta(days=1), weight, playing)


def terms_between(first: date, last: date) -> list[TermPart]:
    """Return the parts of academic years that touch a stretch of days, in order."""
    return [
        part
        for year in range(first.year - 1, last.year + 1)
        for part in parts_of(year)
        if part.last >= first and part.first <= last
    ]


def playing_by_day(line: Timeline) -> Floats:
    """Return the factor on the hours played for every day of a timeline."""
    factor = np.ones(line.n_days)
    for part in terms_between(line.first, line.end):
        factor[max(line.index(part.first), 0) : max(line.index(part.last) + 1, 0)] = part.playing_factor
    return factor
