"""Links of letters that open the record form of one visit without a login, and nothing else."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date, timedelta

from django.core.signing import BadSignature, Signer
from django.urls import reverse

from fleet.models import Instrument, Person, Role
from fleet.weeks import monday_of, week_of

# A visit of one week is recorded by then or by somebody who is signed in; common practice, no source.
LASTS = timedelta(weeks=4)
WORKING = (Role.TECHNICIAN, Role.ADMINISTRATOR)
_SIGNER = Signer(sep="~", salt="fleet.record_links")


@dataclass(frozen=True)
class RecordLink:
    """What a link is good for: one person, one instrument, one kind of service, one week."""

    person: Person
    instrument: Instrument
    kind: str
    monday: date
    token: str

    def expired(self, today: date) -> bool:
        """Return whether the link is too old."""
        return today >= self.monday + LASTS


def record_path(person_id: int, instrument_id: int, kind: str, monday: date) -> str:
    """Return the path of the form for one visit; the same visit always has the same."""
    said = _SIGNER.sign(f"{person_id}.{instrument_id}.{kind}.{week_of(monday)}")
    return reverse("record_by_letter", args=[said])


def read_link(said: str) -> RecordLink | None:
    """Return what a link is good for, None where it was not made here or its people or things are gone.

    It ends with the membership of its person, and with the right to record.
    """
    try:
        person_id, instrument_id, kind, week = _SIGNER.unsign(said).split(".")
    except (BadSignature, ValueError):
        return None
    person = Person.objects.filter(pk=person_id, role__in=WORKING).first()
    if person is None or not person.is_let_in_by_letter(*WORKING):
        return None
    rows = Instrument.objects.select_related("site", "room")
    instrument = rows.filter(pk=instrument_id, site=person.site_id).first()
    if instrument is None:
        return None
    token = "letter " + hashlib.sha256(said.encode()).hexdigest()[:48]
    return RecordLink(person, instrument, kind, monday_of(week), token)
