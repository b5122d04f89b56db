"""Alerts: short letters about what cannot wait for the week's, once per person and occasion."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db import transaction

from fleet.models import Person, Site
from fleet.weeks import monday_before
from scheduling import drafts, letter_rows
from scheduling.letter_choices import ALERT, who_wants
from scheduling.models import Letter


def put_alert_in_outbox(
    site: Site, occasion: str, subject: str, paragraphs: Sequence[str], now: datetime
) -> list[Letter]:
    """Store an alert for everybody who wants alerts and was not told of this occasion; return what is new.

    The occasion names what happened, such as ``first dry week 2026/27``; the same one is never told twice.
    """
    told = Letter.objects.filter(person__site=site, kind=ALERT, occasion=occasion)
    to = who_wants(site, ALERT) - set(told.values_list("person", flat=True))
    monday = monday_before(site.local_date(now))
    people = list(Person.objects.filter(pk__in=to).select_related("site").order_by("name"))
    with transaction.atomic():
        letter_rows.store(
            (
                drafts.draft(
                    ALERT,
                    person,
                    monday,
                    {"alert": subject, "paragraphs": paragraphs},
                    occasion=occasion,
                    items=[{"occasion": occasion, "paragraphs": list(paragraphs)}],
                )
                for person in people
            ),
            now,
        )
        return list(told.filter(person__in=to).order_by("person__name"))
