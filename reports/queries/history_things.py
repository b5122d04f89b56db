"""What stands on a thing and can be put away by itself, listed on the page of its history."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db.models import Model
from django.utils import timezone
from django.utils.formats import date_format

from fleet.models import Instrument, Person, Room

MOST = 100


@dataclass(frozen=True)
class Thing:
    """One thing: the word of its kind in an address, its number, and how it is listed."""

    subject: str
    pk: int
    words: str


def things_to_put_away(row: Model) -> list[Thing]:
    """Return placements of an instrument, bookings of a room from now on, absences of a person."""
    if isinstance(row, Instrument):
        stood = row.placements.select_related("room").order_by("-first_day")[:MOST]
        return [Thing("placement", one.pk, f"{one.room}, {_days(one)}") for one in stood]
    if isinstance(row, Room):
        coming = row.bookings.filter(ends_at__gte=timezone.now()).order_by("starts_at")[:MOST]
        return [Thing("booking", one.pk, f"{_instant(one.starts_at)} {one.title}".strip()) for one in coming]
    if isinstance(row, Person):
        return [Thing("absence", one.pk, _days(one)) for one in row.absences.order_by("-first_day")[:MOST]]
    return []


def _days(row: Any) -> str:
    last = date_format(row.last_day, "j F Y") if row.last_day else "…"
    return f"{date_format(row.first_day, 'j F Y')} – {last}"


def _instant(instant: Any) -> str:
    return date_format(timezone.localtime(instant), "j F Y, H:i")
