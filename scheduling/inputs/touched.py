"""Which instruments a changed fact reaches, and which changes reach an instrument."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import Exists, Q

from fleet.access import SiteQuerySet
from fleet.models import FactChange, Instrument, Room, Site
from scheduling.inputs.air import HAS_OWN_AIR

OF_THE_WHOLE_SITE = Q(instrument=None, room=None)


def instruments_touched(site: Site, instruments: Iterable[int] = (), rooms: Iterable[int] = ()) -> list[int]:
    """Return these instruments and all that stood in these rooms, or in a room that borrows its air.

    A room without a trusted day of its own may borrow from any other, so it counts as soon as a room changed.
    """
    touched = Q(pk__in=list(instruments))
    changed = list(rooms)
    if changed:
        without = Room.objects.of_site(site).filter(~HAS_OWN_AIR)
        reached = [*changed, *without.values_list("pk", flat=True)]
        touched |= Q(room__in=reached) | Q(placements__room__in=reached)
    found = Instrument.objects.of_site(site).filter(touched)
    return sorted(set(found.values_list("pk", flat=True)))


def changes_reaching(instrument: Instrument) -> SiteQuerySet[FactChange]:
    """Return the waiting changes whose facts an instrument is forecast from, the earliest first."""
    stood = Room.objects.filter(Q(instruments=instrument) | Q(placements__instrument=instrument))
    borrows = Exists(stood.filter(~HAS_OWN_AIR))
    reaching = Q(instrument=instrument) | Q(room__in=stood.values("pk")) | Q(borrows, room__isnull=False)
    return FactChange.objects.filter(reaching | OF_THE_WHOLE_SITE, site=instrument.site_id).order_by("at")
