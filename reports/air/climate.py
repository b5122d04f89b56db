"""How steady a room's climate is: seasonal band, class of control, and the calendar of its days."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from fleet.local_time import DAY, EPOCH
from fleet.models import ClimateDay, Room
from reports.air.days import percent
from reports.air.readings import Record, record_of
from reports.figures import Figure, Series
from scheduling.engine.climate_quality import (
    CLASSES,
    SHARE_WITHIN,
    ClassReached,
    ClimateClass,
    SeasonalBand,
    class_reached,
    seasonal_band,
)

# A year and half a window on both sides, so that the year between has whole windows: thirteen months.
RECORD_DAYS = 395
MONTHS = 13
# Where the calendar changes its tint [%]; the middle is where instruments are best off: common practice.
LEVELS = (20, 30, 35, 40, 50, 55, 60, 70)


@dataclass(frozen=True)
class MonthLine:
    """A month of the seasonal band, in percent; the mean of the month for each line of the figure."""

    month: date
    average: float
    low: float
    high: float
    outside: float


@dataclass(frozen=True)
class ClassLine:
    """A class of control, what it allows in words, and how much of the time it was kept."""

    name: str
    allows: str
    share: float
    reached: bool


@dataclass(frozen=True)
class Climate:
    """What the page of a room's climate says; None where there are no readings."""

    first: date
    last: date
    band: SeasonalBand
    reached: ClassReached
    classes: list[ClassLine]
    months: list[MonthLine]
    season_low: float
    season_high: float


def climate_of(room: Room, today: date) -> Climate | None:
    """Return how steady the climate of a room was over the last thirteen months of readings."""
    record = record_of(room, today - timedelta(days=RECORD_DAYS), today)
    if not len(record.local):
        return None
    band = seasonal_band(record.at, record.rh)
    reached = class_reached(record.at, record.temp_c, record.rh)
    days = record.local // DAY
    counted = band.average[band.whole] if band.whole.any() else band.average
    return Climate(
        first=_day(days[0]),
        last=_day(days[-1]),
        band=band,
        reached=reached,
        classes=_class_lines(reached),
        months=_months(record, band),
        season_low=float(counted.min()),
        season_high=float(counted.max()),
    )


def _day(number: np.int64) -> date:
    return EPOCH.date() + timedelta(days=int(number))


def _class_lines(reached: ClassReached) -> list[ClassLine]:
    return [
        ClassLine(one.name, allows(one), reached.shares[one.name], reached.shares[one.name] >= SHARE_WITHIN)
        for one in CLASSES
    ]


def allows(one: ClimateClass) -> str:
    """Return what a class of control allows, in words."""
    bounds = _("%(low).0f to %(high).0f %% at all times") % {
        "low": 100 * one.low_rh,
        "high": 100 * one.high_rh,
    }
    if one.low_rh == 0:
        bounds = _("below %(high).0f %% at all times") % {"high": 100 * one.high_rh}
    if one.short_rh is None:
        return bounds
    season = (
        _("and ± %(season).0f %% with the seasons") % {"season": 100 * one.season_rh}
        if one.season_rh
        else _("and no change with the seasons")
    )
    short = _("± %(short).0f %% and ± %(kelvin).0f K within a month") % {
        "short": 100 * one.short_rh,
        "kelvin": one.short_k,
    }
    return f"{short}, {season}, {bounds}"


def _months(record: Record, band: SeasonalBand) -> list[MonthLine]:
    """Return the band month by month, the newest last."""
    months = (record.local).astype("datetime64[us]").astype("datetime64[M]")
    outside = (band.fluctuation < band.lower) | (band.fluctuation > band.upper)
    lines = []
    for month in np.unique(months):
        rows = months == month
        average = float(band.average[rows].mean())
        lines.append(
            MonthLine(
                month=month.astype(date),
                average=100 * average,
                low=100 * (average + band.lower),
                high=100 * (average + band.upper),
                outside=float(outside[rows].mean()),
            )
        )
    return lines


def band_figure(room: Room, today: date) -> Figure:
    """Did the room stay within the band of its seasons?"""
    record = record_of(room, today - timedelta(days=RECORD_DAYS), today)
    x: list[str] = []
    lines: dict[str, list[float | None]] = {name: [] for name in ("low", "high", "average", "mean")}
    if len(record.local):
        band = seasonal_band(record.at, record.rh)
        days, place = np.unique(record.local // DAY, return_inverse=True)
        count = np.bincount(place)
        average = np.bincount(place, band.average) / count
        mean = np.bincount(place, record.rh) / count
        x = [_day(day).isoformat() for day in days]
        for name, values in (
            ("low", average + band.lower),
            ("high", average + band.upper),
            ("average", average),
            ("mean", mean),
        ):
            lines[name] = [percent(float(value)) for value in values]
    series = [
        Series("band", _("band of the seasons"), x, lines["high"], lines["low"]),
        Series("second", _("average of 30 days"), x, lines["average"]),
        Series("mean", _("mean of the day"), x, lines["mean"]),
    ]
    first = x[0] if x else (today - timedelta(days=RECORD_DAYS)).isoformat()
    title = _("Did it stay within the band of its seasons?")
    day = today.isoformat()
    return Figure(title, _("relative humidity"), "%", 0, first, day, day, series)


@dataclass(frozen=True)
class CalendarDay:
    """A cell of the calendar: the mean humidity in percent, and the tint from driest to dampest."""

    rh: float | None
    tint: int


@dataclass(frozen=True)
class CalendarMonth:
    """A row of the calendar: a month with its days and its mean."""

    name: str
    days: list[CalendarDay | None]
    mean: float | None


def calendar_of(room: Room, today: date) -> list[CalendarMonth]:
    """Return thirteen months of days with their mean humidity, the newest month first: one query."""
    first = _months_back(today, MONTHS - 1)
    known = {
        day: 100 * rh
        for day, rh in ClimateDay.objects.filter(
            room=room, date__gte=first, date__lte=today, rh_mean__isnull=False
        ).values_list("date", "rh_mean")
        if rh is not None
    }
    if not known:
        return []
    starts = [_months_back(today, back) for back in range(MONTHS)]
    return [_calendar_month(start, known) for start in starts]


def _months_back(today: date, back: int) -> date:
    months = today.year * 12 + today.month - 1 - back
    return date(months // 12, months % 12 + 1, 1)


def _calendar_month(start: date, known: dict[date, float]) -> CalendarMonth:
    days: list[CalendarDay | None] = []
    for number in range(1, 32):
        try:
            day = start.replace(day=number)
        except ValueError:
            days.append(None)
            continue
        rh = known.get(day)
        days.append(CalendarDay(rh, 0 if rh is None else tint_of(rh)))
    values = [day.rh for day in days if day is not None and day.rh is not None]
    return CalendarMonth(date_format(start, _("M Y")), days, sum(values) / len(values) if values else None)


def tint_of(rh: float) -> int:
    """Return the tint of a humidity in percent, 1 for the driest."""
    return 1 + sum(rh >= level for level in LEVELS)
