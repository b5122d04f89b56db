"""The figures as data: each answers the question in its title, and a table can say the same numbers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _

from fleet.models import ClimateDay, Room, Service
from reports.wood import RUN_UP_DAYS, AirDay, calendar, wood_moisture
from scheduling.engine.priors import KEY_BED_TAU, KEY_FRAME_TAU, SOUNDBOARD_TAU
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


@dataclass(frozen=True)
class RoomDay:
    """One day of a room in percent and degC, as people read it; None where nothing was measured."""

    day: date
    rh_mean: float | None
    rh_low: float | None
    rh_high: float | None
    temp_c: float | None
    soundboard: float | None
    key_frame: float | None
    key_bed: float | None


def room_days(room: Room, today: date, back: timedelta = LOOK_BACK) -> list[RoomDay]:
    """Return a room's year day by day: one query; wood only where there is air to reckon it from."""
    first = today - back
    days = list(
        ClimateDay.objects.filter(room=room, date__gt=first - timedelta(days=RUN_UP_DAYS), date__lte=today)
        .exclude(Q(rh_mean__isnull=True) | Q(temp_c_mean__isnull=True))
        .order_by("date")
    )
    air = [AirDay(day.date, day.temp_c_mean, day.rh_mean) for day in days]  # type: ignore[arg-type]
    wood = [wood_moisture(air, tau) for tau in (SOUNDBOARD_TAU, KEY_FRAME_TAU, KEY_BED_TAU)]
    known = {day.date: day for day in days if day.date > first}
    if not known:
        return []
    return [_room_day(day, known.get(day), wood) for day in calendar(min(known), max(known))]


def _room_day(day: date, air: ClimateDay | None, wood: Sequence[dict[date, float]]) -> RoomDay:
    if air is None:
        return RoomDay(day, None, None, None, None, None, None, None)
    return RoomDay(
        day,
        _percent(air.rh_mean),
        _percent(air.rh_min),
        _percent(air.rh_max),
        air.temp_c_mean,
        *(_percent(component[day]) for component in wood),
    )


def _percent(fraction: float | None) -> float | None:
    return None if fraction is None else round(100 * fraction, 2)


def humidity_figure(days: Sequence[RoomDay], today: date) -> Figure:
    """How damp was the air?"""
    x = [day.day.isoformat() for day in days]
    series = [
        Series(
            "band", _("lowest to highest of the day"), x, [d.rh_high for d in days], [d.rh_low for d in days]
        ),
        Series("mean", _("mean of the day"), x, [d.rh_mean for d in days]),
    ]
    return _room_figure(_("How damp was the air?"), _("relative humidity"), "%", 0, days, today, series)


def temperature_figure(days: Sequence[RoomDay], today: date) -> Figure:
    """How warm was it?"""
    x = [day.day.isoformat() for day in days]
    series = [Series("mean", _("mean of the day"), x, [d.temp_c for d in days])]
    return _room_figure(_("How warm was the room?"), _("temperature"), "°C", 1, days, today, series)


def wood_figure(days: Sequence[RoomDay], today: date) -> Figure:
    """What has the wood made of it?"""
    x = [day.day.isoformat() for day in days]
    series = [
        Series("mean", _("soundboard"), x, [d.soundboard for d in days]),
        Series("second", _("key frame"), x, [d.key_frame for d in days]),
        Series("third", _("key bed"), x, [d.key_bed for d in days]),
    ]
    title, axis = _("How much of that reached the wood?"), _("moisture of the wood")
    return _room_figure(title, axis, "%", 1, days, today, series)


def _room_figure(
    title: str,
    axis: str,
    unit: str,
    digits: int,
    days: Sequence[RoomDay],
    today: date,
    series: list[Series],
) -> Figure:
    first = days[0].day if days else today - LOOK_BACK
    return Figure(title, axis, unit, digits, first.isoformat(), today.isoformat(), today.isoformat(), series)


ROOM_FIGURES = {
    "humidity": humidity_figure,
    "temperature": temperature_figure,
    "wood": wood_figure,
}
