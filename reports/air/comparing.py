"""The rooms of a site side by side: how dry, how damp, how lively, and in which class of control."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
from django.db.models import Count, Q
from django.utils.translation import gettext as _
from numpy.typing import NDArray

from fleet.access import row_number
from fleet.day_columns import day_columns
from fleet.models import Room, Site
from reports.air.days import percent
from reports.figures import Figure, Series
from scheduling.engine.climate_quality import class_reached, seasonal_band
from scheduling.engine.lag import lagged
from scheduling.engine.moisture import equilibrium_moisture
from scheduling.engine.priors import SOUNDBOARD_TAU

BACK = timedelta(days=395)
ONE_DAY = timedelta(days=1)
LEAST_DAYS = 60  # of a record that says anything of seasons
MOST_DRAWN = 3  # lines that can be told apart without colour
WEEK = 7


@dataclass(frozen=True)
class YearFigures:
    """What the days of a room come to; humidity and moisture as fractions, temperature in degC."""

    days: int
    mean: float
    driest: float
    dampest: float
    daily_swing: float
    wood_swing: float
    temp_c: float
    outside: float
    climate_class: str | None

    @property
    def humidity(self) -> tuple[float, float, float, float]:
        """Mean, driest, dampest, and the swing of a usual day, as they stand beside each other."""
        return self.mean, self.driest, self.dampest, self.daily_swing


@dataclass(frozen=True)
class RoomYear:
    """A room's year in a line, from its days."""

    room: Room
    instruments: int
    figures: YearFigures


@dataclass(frozen=True)
class _Days:
    days: NDArray[np.int64]
    temp_c: NDArray[np.float64]
    rh: NDArray[np.float64]  # (n, 3) mean, lowest, highest


def room_years(site: Site, today: date) -> list[RoomYear]:
    """Return every room with at least two months of days: two queries whatever their number."""
    records = _records(site, today)
    return _years(site, records)


def _years(site: Site, records: dict[int, _Days]) -> list[RoomYear]:
    rooms = (
        Room.objects.of_site(site)
        .filter(pk__in=records)
        .order_by("building", "name")
        .annotate(standing=Count("instruments", filter=Q(instruments__retired_on__isnull=True)))
    )
    return [RoomYear(room, room.standing, _figures(records[room.pk])) for room in rooms]


def _records(site: Site, today: date, rooms: list[int] | None = None) -> dict[int, _Days]:
    names = ("temp_c_mean", "rh_mean", "rh_min", "rh_max")
    found = day_columns(site, today - BACK + ONE_DAY, today, *names, known="rh_mean", rooms=rooms)
    return {
        room: _Days(days, table[:, 0], table[:, 1:])
        for room, (days, table) in found.items()
        if len(days) >= LEAST_DAYS
    }


def _figures(record: _Days) -> YearFigures:
    return _reckoned(record.days.tobytes(), record.temp_c.tobytes(), record.rh.tobytes())


# Most days of most rooms are those of the last visit; kept by what they are, so that nothing old is shown.
@lru_cache(maxsize=512)
def _reckoned(days: bytes, temps: bytes, humidities: bytes) -> YearFigures:
    at, temp_c = np.frombuffer(days, np.int64).astype(float), np.frombuffer(temps)
    rh = np.frombuffer(humidities).reshape(-1, 3)
    mean = rh[:, 0].copy()
    wood = lagged(at, equilibrium_moisture(np.maximum(temp_c, -30.0), mean), SOUNDBOARD_TAU)
    return YearFigures(
        days=len(at),
        mean=float(mean.mean()),
        driest=float(rh[:, 1].min()),
        dampest=float(rh[:, 2].max()),
        daily_swing=float(np.median(rh[:, 2] - rh[:, 1])),
        wood_swing=float(np.ptp(wood)),
        temp_c=float(temp_c.mean()),
        outside=seasonal_band(at, mean).outside,
        climate_class=class_reached(at, temp_c, mean).reached,
    )


def chosen_rooms(years: Sequence[RoomYear], asked: Sequence[str]) -> list[RoomYear]:
    """Return the rooms that are drawn: those asked for, else those whose wood moves most."""
    wanted = [one for one in years if str(one.room.pk) in asked]
    lively = sorted(years, key=lambda one: -one.figures.wood_swing)
    return (wanted or lively)[:MOST_DRAWN]


def comparison_figure(site: Site, asked: Sequence[str], today: date) -> Figure:
    """Which room is the drier one, week by week?"""
    wanted = [row_number(pk) for pk in asked]
    records = _records(site, today, wanted) if wanted else {}
    records = records or _records(site, today)  # those whose wood moves most, where none of these is here
    years = _years(site, records)
    first = today - BACK
    series = []
    for role, one in zip(("mean", "second", "third"), chosen_rooms(years, asked), strict=False):
        x, y = _weekly(records[one.room.pk], first.toordinal())
        series.append(Series(role, one.room.name, x, y))
    title, day = _("Which room is the drier one?"), today.isoformat()
    return Figure(title, _("relative humidity"), "%", 0, first.isoformat(), day, day, series)


def _weekly(record: _Days, first: int) -> tuple[list[str], list[float | None]]:
    """Return the weeks' middles and their mean humidity in percent."""
    weeks, place = np.unique((record.days - first) // WEEK, return_inverse=True)
    means = np.bincount(place, record.rh[:, 0]) / np.bincount(place)
    x = [date.fromordinal(first + int(week) * WEEK + 3).isoformat() for week in weeks]
    return x, [percent(float(mean)) for mean in means]
