"""The air of a site's rooms as daily means, borrowed where a room has no readings of its own."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from operator import itemgetter

import numpy as np

from fleet.models import ClimateDay, Room, Site
from scheduling.engine.subjects import Days, Floats, RoomAir


@dataclass(frozen=True)
class _Measured:
    """Days with their mean temperature [°C] and relative humidity [fraction]."""

    days: Days
    temp_c: Floats
    rh: Floats


def room_airs(site: Site, until: date) -> tuple[RoomAir, ...]:
    """Return the daily air of every room of a site, up to and including a day.

    A room without a trusted reading takes the air of the room it borrows from, else the mean of the rooms of
    its building, else the mean of the site, and says so; where the site has no reading at all it stays empty.
    """
    rooms = list(Room.objects.of_site(site).order_by("name"))
    measured = _measured(site, until)
    return tuple(_air(room, rooms, measured) for room in rooms)


def _measured(site: Site, until: date) -> dict[int, _Measured]:
    rows = (
        ClimateDay.objects.of_site(site)
        .filter(date__lte=until, rh_mean__isnull=False, temp_c_mean__isnull=False)
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


def _borrowed(room: Room, rooms: list[Room], measured: dict[int, _Measured]) -> tuple[_Measured, str]:
    lender = _lender(room, {other.pk: other for other in rooms}, measured)
    if lender is not None:
        return measured[lender.pk], lender.name
    neighbours = [other.pk for other in rooms if room.building and other.building == room.building]
    for ids, words in ((neighbours, f"the other rooms of {room.building}"), (measured, "the other rooms")):
        lending = [measured[pk] for pk in ids if pk in measured]
        if lending:
            return _mean(lending), words
    return _Measured(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0)), ""


def _lender(room: Room, by_id: dict[int, Room], measured: dict[int, _Measured]) -> Room | None:
    """Follow who borrows from whom to the first room with readings; a circle ends the search."""
    passed = {room.pk}
    while room.borrows_from_id is not None and room.borrows_from_id not in passed:
        room = by_id[room.borrows_from_id]
        if room.pk in measured:
            return room
        passed.add(room.pk)
    return None


def _mean(several: Iterable[_Measured]) -> _Measured:
    """Mean over the rooms that have data on a day."""
    parts = list(several)
    days, place = np.unique(np.concatenate([part.days for part in parts]), return_inverse=True)
    rooms = np.bincount(place)
    temp_c = np.bincount(place, weights=np.concatenate([part.temp_c for part in parts])) / rooms
    rh = np.bincount(place, weights=np.concatenate([part.rh for part in parts])) / rooms
    return _Measured(days, temp_c, rh)
