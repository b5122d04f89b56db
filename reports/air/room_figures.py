"""The figures of a room: how damp, how warm, and how much of that reached the wood."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

from django.utils.translation import gettext as _

from reports.air.days import LOOK_BACK, RoomDay
from reports.air.readings import Record
from reports.figures import Figure, Series


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
    """How warm was it, and how much water was in the air?"""
    x = [day.day.isoformat() for day in days]
    series = [
        Series("mean", _("mean of the day"), x, [d.temp_c for d in days]),
        Series("second", _("dew point"), x, [d.dew_c for d in days]),
    ]
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


ROOM_FIGURES: dict[str, Callable[[Sequence[RoomDay], date], Figure]] = {
    "humidity": humidity_figure,
    "temperature": temperature_figure,
    "wood": wood_figure,
}


def reading_figure(name: str, record: Record, days: Sequence[RoomDay], today: date) -> Figure:
    """Draw a week by its readings instead of its days; the wood, which is slow, stays by the day."""
    by_day = ROOM_FIGURES[name](days, today)
    values = {"humidity": [100 * rh for rh in record.rh], "temperature": record.temp_c.tolist()}
    if name not in values or not len(record.local):
        return by_day
    x = record.stamps()
    y: list[float | None] = [round(value, 2) for value in values[name]]
    series = [Series("mean", _("reading by reading"), x, y)]
    if name == "temperature":
        dew: list[float | None] = [round(value, 2) for value in record.dew_points()]
        series.append(Series("second", _("dew point"), x, dew))
    return Figure(
        by_day.title, by_day.axis, by_day.unit, 1, x[0], max(x[-1], by_day.today), by_day.today, series
    )
