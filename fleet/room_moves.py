"""Where an instrument stood, stands and will stand, and what moving it writes into that record."""

from __future__ import annotations

from datetime import date, timedelta

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from fleet.models import Instrument, Placement, Room

DAY = timedelta(days=1)
# A move can be told before it is made; further ahead is a slip of the year.
FARTHEST_AHEAD = timedelta(days=366)


def standing_on(one: Instrument, day: date) -> Room:
    """Return the room in which an instrument stands on a day, by its placements, else by its own room."""
    covering = _covering(one, day)
    return one.room if covering is None else covering.room


def trouble_of_move(one: Instrument, day: date, today: date) -> str:
    """Say why an instrument cannot be moved on a day; empty where it can."""
    if day > today + FARTHEST_AHEAD:
        return _("That day is more than a year ahead.")
    if one.retired_on is not None:
        return _("It is retired.")
    if day <= one.in_service_since:
        return _("It entered service on %(day)s.") % {"day": _spoken(one.in_service_since)}
    later = [placement for placement in one.placements.all() if placement.first_day > day]
    if later:
        told = {"day": _spoken(later[0].first_day), "room": later[0].room.name}
        return _("A later move is on record: to %(room)s from %(day)s.") % told
    return ""


def moved(one: Instrument, room: Room, day: date) -> tuple[list[Placement], list[Placement]]:
    """Return the placements, changed and new, by which an instrument stands in a room from a day on.

    Nothing later is on record. Where it stood until the day before is written down too, be it that only its
    own room said so.
    """
    placements = list(one.placements.all())
    covering = _covering(one, day)
    if covering is not None and covering.first_day == day:
        covering.room, covering.last_day = room, None
        return [covering], []
    new = Placement(instrument=one, room=room, first_day=day)
    if covering is not None:
        covering.last_day = day - DAY
        return [covering], [new]
    since = one.in_service_since
    if placements:
        since = max(placement.last_day for placement in placements if placement.last_day) + DAY
    before = Placement(instrument=one, room=one.room, first_day=since, last_day=day - DAY)
    return [], [before, new] if since < day else [new]


def _covering(one: Instrument, day: date) -> Placement | None:
    """Return the placement that holds on a day; the one begun last where two overlap."""
    found = [
        placement
        for placement in one.placements.all()
        if placement.first_day <= day and (placement.last_day is None or placement.last_day >= day)
    ]
    return max(found, key=lambda placement: placement.first_day, default=None)


def _spoken(day: date) -> str:
    return date_format(day, _("j F Y"))
