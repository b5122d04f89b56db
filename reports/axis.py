"""A time axis shared by the bars of a page, and the due windows drawn on it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from django.utils.formats import date_format

from scheduling.models import Forecast


@dataclass(frozen=True)
class Mark:
    """A labelled place on an axis, in percent of its length."""

    at: float
    label: str


@dataclass(frozen=True)
class TimeAxis:
    """The days from a first to a last one, laid out from 0 to 100 percent."""

    first: date
    last: date

    def place(self, day: date) -> float:
        """Return where a day lies, held within the axis [percent]."""
        share = (day - self.first).days / (self.last - self.first).days
        return round(100 * min(max(share, 0.0), 1.0), 2)

    def months(self) -> list[Mark]:
        """Return the first days of the months that begin within the axis."""
        return [Mark(self.place(day), date_format(day, "M")) for day in self._month_starts()]

    def _month_starts(self) -> Iterator[date]:
        day = self.first.replace(day=1)
        while day <= self.last:
            if day >= self.first:
                yield day
            day = (day + timedelta(days=32)).replace(day=1)


@dataclass(frozen=True)
class DueBar:
    """A due window on an axis: from early to late with a notch at the middle [percent].

    Attributes
    ----------
    notch : float or None
        None where the middle lies beyond the axis.
    open_end : bool
        The late date lies beyond the axis or the horizon.
    out : bool
        Already out more likely than not: the middle is today.
    """

    left: float
    width: float
    notch: float | None
    open_end: bool
    out: bool


def due_bar(forecast: Forecast, axis: TimeAxis) -> DueBar | None:
    """Return the bar of a forecast, or None where its early date lies beyond the axis."""
    early, middle, late = forecast.due_early, forecast.due_middle, forecast.due_late
    if early is None or early > axis.last:
        return None
    open_end = late is None or late > axis.last
    left = axis.place(early)
    right = 100.0 if open_end or late is None else axis.place(late)
    notch = axis.place(middle) if middle and middle <= axis.last else None
    out = middle is not None and middle <= axis.first
    return DueBar(left, round(max(right - left, 0.8), 2), None if out else notch, open_end, out)
