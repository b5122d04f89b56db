"""The air of a site's rooms as daily means, borrowed where a room has no readings of its own."""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby
from operator import itemgetter

import numpy as np
from django.db.models import Exists, OuterRef, Q, Subquery
from numpy.typing import ArrayLike

from fleet.models import ClimateDay, Room, Site
from scheduling.engine.moisture import LOWEST_C
from scheduling.engine.psychrometrics import heated_outdoor_humidity
from scheduling.engine.subjects import Days, Floats, RoomAir

# Rooms in which people play are kept near this in the heating season, and are as warm as it is outside in
# summer; a prior: common practice, no source.
HEATED_TO_C = 21.0

TRUSTED = Q(rh_mean__isnull=False, temp_c_mean__isnull=False)  # days with a reading that is not doubtful
_OWN_DAYS = ClimateDay.objects.filter(TRUSTED, room=OuterRef("pk"))
HAS_OWN_AIR = Exists(_OWN_DAYS)  # of rooms
# Its newest such day. In order, so that the server looks each room up in its index, not through the table.
OWN_AIR_UNTIL = Subquery(_OWN_DAYS.order_by("-date").values("date")[:1])


@dataclass(frozen=True)
class _Measured:
    """Days with their mean temperature [°C] and relative humidity [fraction]."""

    days: Days
    temp_c: Floats
    rh: Floats
    outdoors: bool = False


def room_airs(site: Site, until: date) -> tuple[RoomAir, ...]:
    """Return the daily air of every room of a site, up to and including a day.

    A room without a trusted reading takes the air of the room it borrows from, else the mean of the rooms of
    its building, else the mean of the site, else outdoor air heated to room temperature, and says so; where
    the site has no reading at all it stays empty. A place outdoors lends its air only heated, and is no part
    of a mean over rooms.
    """
    rooms = list(Room.objects.of_site(site).order_by("name"))
    measured = _measured(site, until)
    for room in rooms:
        if room.outdoors and room.pk in measured:
            measured[room.pk] = replace(measured[room.pk], outdoors=True)
    return tuple(_air(room, rooms, measured) for room in rooms)


def _measured(site: Site, until: date) -> dict[int, _Measured]:
    rows = (
        ClimateDay.objects.of_site(site)
        .filter(TRUSTED, date__lte=until)
        .order_by("room_id", "date")
        .values_list("room_id", "date", "temp_c_mean", "rh_mean")
    )
    found = {}
    for room_id, days in groupby(rows.iterator(20_000), key=itemgetter(0)):
        _, dates, temps, humidities = zip(*days, strict=True)
        ordinals = np.fromiter((day.toordinal() for day in dates), dtype=np.int64, count=len(dates))
        found[room_id] = _Measured(ordinals, np.array(temps), np.array(humidities))
    return found


def _air(room: Room, rooms: list[Room], measured: dict[int, _Measured]) -> RoomAir:
    own, lender = measured.get(room.pk), ""
    if own is None:
        own, lender = _borrowed(room, rooms, measured)
    return RoomAir(room.name, room.building, own.days, own.temp_c, own.rh, lender)


def air_sources(site: Site) -> dict[int, str]:
    """Return, by room without a trusted reading of its own, whose air stands in; empty where nobody's can."""
    rooms = list(Room.objects.of_site(site).order_by("name").annotate(own=OWN_AIR_UNTIL))
    measured = {room.pk for room in rooms if room.own is not None}
    return {room.pk: _lending(room, rooms, measured)[1] for room in rooms if room.pk not in measured}


def _borrowed(room: Room, rooms: list[Room], measured: dict[int, _Measured]) -> tuple[_Measured, str]:
    lending, words = _lending(room, rooms, measured)
    parts = [_indoors(measured[other.pk]) for other in lending]
    if not parts:
        return _Measured(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0)), ""
    return parts[0] if len(parts) == 1 else _mean(parts), words


def _lending(room: Room, rooms: Sequence[Room], measured: Container[int]) -> tuple[list[Room], str]:
    """Return the rooms whose air stands in for that of a room, and the same in words."""
    lender = _lender(room, {other.pk: other for other in rooms}, measured)
    if lender is not None:
        return [lender], _in_words(lender)
    able = [other for other in rooms if other.pk in measured]
    inside = [other for other in able if not other.outdoors]
    neighbours = [other for other in inside if room.building and other.building == room.building]
    if neighbours:
        return neighbours, f"the other rooms of {room.building}"
    if inside:
        return inside, "the other rooms"
    return able[:1], _in_words(able[0]) if able else ""


def _lender(room: Room, by_id: dict[int, Room], measured: Container[int]) -> Room | None:
    """Follow who borrows from whom to the first room with readings; a circle ends the search."""
    passed = {room.pk}
    while room.borrows_from_id is not None and room.borrows_from_id not in passed:
        room = by_id[room.borrows_from_id]
        if room.pk in measured:
            return room
        passed.add(room.pk)
    return None


def _in_words(lender: Room) -> str:
    if not lender.outdoors:
        return lender.name
    return f"outdoor air ({lender.name}) heated to {HEATED_TO_C:g} °C, a lower bound in winter"


def _indoors(air: _Measured) -> _Measured:
    """Return the air a lender gives to a room, heated where it lies outdoors."""
    if not air.outdoors:
        return air
    return _Measured(air.days, *heated_indoors(air.temp_c, air.rh))


def heated_indoors(temp_c: ArrayLike, rh: ArrayLike) -> tuple[Floats, Floats]:
    """Return temperature [°C] and humidity [fraction] of outdoor air brought into a heated room."""
    outside = np.asarray(temp_c, float)
    inside = np.maximum(outside, HEATED_TO_C)
    # The humidity of the coldest days is next to nothing, whatever the exact degree.
    return inside, heated_outdoor_humidity(np.maximum(outside, LOWEST_C), rh, inside)


def _mean(several: Iterable[_Measured]) -> _Measured:
    """Mean over the rooms that have data on a day."""
    parts = list(several)
    days, place = np.unique(np.concatenate([part.days for part in parts]), return_inverse=True)
    rooms = np.bincount(place)
    temp_c = np.bincount(place, weights=np.concatenate([part.temp_c for part in parts])) / rooms
    rh = np.bincount(place, weights=np.concatenate([part.rh for part in parts])) / rooms
    return _Measured(days, temp_c, rh)
