"""Days of a room's air and of the wood in it, as its page shows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django.utils.functional import Promise
from django.utils.translation import gettext_lazy

from fleet.models import ClimateDay, Room
from reports.wood import RUN_UP_DAYS, AirDay, calendar, wood_moisture
from scheduling.engine.priors import KEY_BED_TAU, KEY_FRAME_TAU, SOUNDBOARD_TAU
from scheduling.engine.psychrometrics import dew_point
from scheduling.inputs.air import heated_indoors


@dataclass(frozen=True)
class Span:
    """How far a page looks back: its name in addresses, its words, and its days."""

    name: str
    words: str | Promise
    back: timedelta


SPANS = {
    span.name: span
    for span in (
        Span("week", gettext_lazy("a week"), timedelta(days=7)),
        Span("season", gettext_lazy("a season"), timedelta(days=122)),
        Span("year", gettext_lazy("a year"), timedelta(days=365)),
        Span("years", gettext_lazy("five years"), timedelta(days=1826)),
    )
}
YEAR = SPANS["year"]
LOOK_BACK = YEAR.back


@dataclass(frozen=True)
class RoomDay:
    """One day of a room in percent and degC, as people read it; None where nothing was measured."""

    day: date
    rh_mean: float | None
    rh_low: float | None
    rh_high: float | None
    temp_c: float | None
    dew_c: float | None
    soundboard: float | None
    key_frame: float | None
    key_bed: float | None


@dataclass(frozen=True)
class Shown:
    """The days a room's page shows: its own, or those of another whose air stands in for it.

    Attributes
    ----------
    lender : Room or None
        Whose air it is, where it is not the room's own.
    heated : bool
        Whether it is outdoor air heated to room temperature: in winter a lower bound.
    """

    days: list[RoomDay]
    lender: Room | None
    heated: bool


def shown_days(room: Room, today: date, back: timedelta = LOOK_BACK) -> Shown:
    """Return the days of a room, else of the first room it borrows from that has any."""
    days = room_days(room, today, back)
    passed = {room.pk}
    lender = room.borrows_from
    while not days and lender is not None and lender.pk not in passed:
        days = room_days(lender, today, back, heated=lender.outdoors)
        if days:
            return Shown(days, lender, lender.outdoors)
        passed.add(lender.pk)
        lender = lender.borrows_from
    return Shown(days, None if days else room.borrows_from, heated=False)


_Row = tuple[date, float, float, float, float]


def room_days(room: Room, today: date, back: timedelta = LOOK_BACK, *, heated: bool = False) -> list[RoomDay]:
    """Return a room's days: one query; wood only where there is air to reckon it from."""
    first = today - back
    rows: list[_Row] = list(
        ClimateDay.objects.filter(
            room=room,
            date__gt=first - timedelta(days=RUN_UP_DAYS),
            date__lte=today,
            rh_mean__isnull=False,
            temp_c_mean__isnull=False,
        )
        .order_by("date")
        .values_list("date", "temp_c_mean", "rh_mean", "rh_min", "rh_max")  # type: ignore[arg-type]
    )
    if heated:
        rows = _heated(rows)
    air = [AirDay(day, temp_c, rh) for day, temp_c, rh, _low, _high in rows]
    wood = [wood_moisture(air, tau) for tau in (SOUNDBOARD_TAU, KEY_FRAME_TAU, KEY_BED_TAU)]
    known = {row[0]: row for row in rows if row[0] > first}
    if not known:
        return []
    dews = dict(zip(known, _dew_points(list(known.values())), strict=True))
    return [_room_day(day, known.get(day), dews, wood) for day in calendar(min(known), max(known))]


def _heated(rows: Sequence[_Row]) -> list[_Row]:
    """Return days outdoors as they would be indoors, each humidity at the day's mean temperature."""
    if not rows:
        return []
    dates, temps, *humidities = zip(*rows, strict=True)
    inside = [heated_indoors(temps, rh) for rh in humidities]
    columns = [inside[0][0].tolist(), *(rh.tolist() for _temp, rh in inside)]
    return list(zip(dates, *columns, strict=True))


def _dew_points(rows: Sequence[_Row]) -> list[float]:
    _dates, temps, humidities, _lows, _highs = zip(*rows, strict=True)
    # Air without any water has no dew point; a sensor that says so has reached its end.
    damp = [max(rh, 0.005) for rh in humidities]
    found: list[float] = dew_point([max(temp, -30.0) for temp in temps], damp).tolist()
    return found


def _room_day(
    day: date, air: _Row | None, dews: dict[date, float], wood: Sequence[dict[date, float]]
) -> RoomDay:
    if air is None:
        return RoomDay(day, None, None, None, None, None, None, None, None)
    soundboard, key_frame, key_bed = (percent(component[day]) for component in wood)
    return RoomDay(
        day=day,
        rh_mean=percent(air[2]),
        rh_low=percent(air[3]),
        rh_high=percent(air[4]),
        temp_c=round(air[1], 2),
        dew_c=round(dews[day], 2),
        soundboard=soundboard,
        key_frame=key_frame,
        key_bed=key_bed,
    )


def percent(fraction: float | None) -> float | None:
    """Return a fraction in percent, to a hundredth."""
    return None if fraction is None else round(100 * fraction, 2)
