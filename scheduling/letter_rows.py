"""Letters as rows of the outbox: stored once per person, kind and week, and found again."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from django.db import transaction

from fleet.models import Site
from fleet.weeks import monday_of
from scheduling.drafts import Draft
from scheduling.models import Letter


def store(drafts: Iterable[Draft], now: datetime) -> None:
    """Put letters into the outbox; one that has a row already stays as it is."""
    with transaction.atomic():
        Letter.objects.bulk_create((_row(draft, now) for draft in drafts), ignore_conflicts=True)


def _row(draft: Draft, now: datetime) -> Letter:
    year, number, _ = monday_of(draft.week).isocalendar()
    return Letter(
        person=draft.person,
        kind=draft.kind,
        iso_year=year,
        iso_week=number,
        occasion=draft.occasion,
        to=draft.person.email,
        subject=draft.subject,
        text=draft.text,
        html=draft.html,
        items=draft.items,
        outlook=draft.outlook,
        calendar=draft.calendar,
        message_id=draft.message_id,
        made_at=now,
        next_try_at=now,
    )


def stored(site: Site, monday: date, kind: str) -> list[Letter]:
    """Return the letters of a kind and week that have a row."""
    year, number, _ = monday.isocalendar()
    rows = Letter.objects.filter(person__site=site, kind=kind, iso_year=year, iso_week=number)
    return list(rows.select_related("person").order_by("person__name"))
