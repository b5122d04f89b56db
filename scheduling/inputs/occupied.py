"""When rooms, instruments and people of a week are taken, in short: a laid out week rests on it."""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from datetime import date, timedelta

from django.db.models import Q

from fleet.models import Absence, Booking, Site
from scheduling.inputs.week import LOOK_AHEAD
from scheduling.week_clock import WeekClock


def occupied_digest(site: Site, monday: date, rooms: Collection[int], instruments: Collection[int]) -> str:
    """Return a hash over a week's absences and the bookings of rooms and instruments that bear on it."""
    clock = WeekClock(monday, site.zone)
    ends = clock.at(clock.days[-1]) + LOOK_AHEAD
    booked = Booking.objects.of_site(site).filter(ends_at__gt=clock.begins, starts_at__lt=ends)
    booked = booked.filter(Q(room__in=rooms) | Q(instruments__in=instruments)).order_by().distinct()
    named = Booking.instruments.through.objects.filter(booking__in=booked.values("pk"))
    rows = [
        sorted(booked.values_list("pk", "room_id", "starts_at", "ends_at", "performance")),
        sorted(named.values_list("booking_id", "instrument_id")),
        sorted(
            Absence.objects.of_site(site)
            .filter(first_day__lt=monday + timedelta(days=7), last_day__gte=monday)
            .values_list("person_id", "first_day", "last_day")
        ),
    ]
    return hashlib.sha256(repr(rows).encode()).hexdigest()
