"""The figures as data: each answers the question in its title, and a table can say the same numbers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta
from typing import Any

from django.utils.translation import gettext as _

from fleet.models import Service
from scheduling.models import Forecast

# 10 % and 90 % of a normal distribution lie this many standard deviations from its mean:
# scipy.stats.norm.ppf(0.9) to four places.
EIGHTY_PERCENT = 1.2816
LOOK_BACK = timedelta(days=365)
# Units whose deviation has one side only: a mark of unevenness cannot be negative.
ONE_SIDED_UNITS = {"mark"}


@dataclass(frozen=True)
class Series:
    """One series of a figure: its role says how it is drawn, its name what it is."""

    role: str
    name: str
    x: list[str]
    y: list[float | None]
    low: list[float | None] = field(default_factory=list)


@dataclass(frozen=True)
class Figure:
    """A figure as the browser is told it."""

    title: str
    axis: str
    unit: str
    digits: int
    first: str
    last: str
    today: str
    series: list[Series]
    from_zero: bool = False

    def as_json(self) -> dict[str, Any]:
        """Return the figure as plain lists and texts."""
        return asdict(self)


@dataclass(frozen=True)
class OutlookRow:
    """One Monday of a forecast: mean and 80 % band [unit], probability of being out [fraction]."""

    day: date
    mean: float
    low: float
    high: float
    out: float


def outlook_rows(forecast: Forecast) -> list[OutlookRow]:
    """Return a forecast week by week, the numbers its figure draws."""
    rows = []
    for day, out, mean, sd in forecast.weekly:
        half = EIGHTY_PERCENT * sd
        rows.append(OutlookRow(date.fromisoformat(day), mean, mean - half, mean + half, out))
    return rows


def digits_for(unit: str) -> int:
    """Return how many decimals a deviation in a unit deserves."""
    return 2 if unit == "mm" else 1


def deviation_figure(forecast: Forecast, records: Iterable[Service], today: date) -> Figure:
    """How far is it out, and when does it leave its tolerance?"""
    rows = outlook_rows(forecast)
    first = today - LOOK_BACK
    last = rows[-1].day if rows else today
    found = [one for one in records if one.found is not None and one.date >= first]
    x = [row.day.isoformat() for row in rows]
    series = [
        Series(
            "band",
            _("80 % of what may come"),
            x,
            [row.high for row in rows],
            [row.low for row in rows],
        ),
        Series("mean", _("expected, if nothing is done"), x, [row.mean for row in rows]),
        *_tolerance_lines(forecast, first, last),
        Series(
            "found",
            _("found by the technician"),
            [d.date.isoformat() for d in found],
            [d.found for d in found],
        ),
    ]
    return Figure(
        title=_("When does %(kind)s leave its tolerance?") % {"kind": forecast.kind},
        axis=_("deviation"),
        unit=forecast.unit,
        digits=digits_for(forecast.unit),
        first=first.isoformat(),
        last=last.isoformat(),
        today=today.isoformat(),
        series=series,
    )


def _tolerance_lines(forecast: Forecast, first: date, last: date) -> list[Series]:
    signs = (1,) if forecast.unit in ONE_SIDED_UNITS else (1, -1)
    ends = [first.isoformat(), last.isoformat()]
    return [
        Series("tolerance", _("tolerance") if sign > 0 else "", ends, [sign * forecast.tolerance] * 2)
        for sign in signs
    ]
