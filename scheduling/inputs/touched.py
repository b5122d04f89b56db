"""Which instruments a changed fact reaches."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import Exists, OuterRef, Q

from fleet.models import ClimateDay, Instrument, Room, Site


def instruments_touched(site: Site, instruments: Iterable[int] = (), rooms: Iterable[int] = ()) -> list[int]:
    """Return these instruments and all that stood in these rooms, or in a room that borrows its air.

    A room without days of its own may borrow from any other, so it counts as soon as a room changed.
    """
    touched = Q(pk__in=list(instruments))
    changed = list(rooms)
    if changed:
        without = Room.objects.of_site(site).filter(~Exists(ClimateDay.objects.filter(room=OuterRef("pk"))))
        reached = [*changed, *without.values_list("pk", flat=True)]
        touched |= Q(room__in=reached) | Q(placements__room__in=reached)
    found = Instrument.objects.of_site(site).filter(touched)
    return sorted(set(found.values_list("pk", flat=True)))
