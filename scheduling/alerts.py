"""Alerts: short letters about what cannot wait for the week's, once per person and occasion."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime

from django.db import transaction

from fleet.models import Person, Site
from fleet.weeks import monday_before
from scheduling import drafts, letter_rows
from scheduling.letter_choices import ALERT, who_wants
from scheduling.models import Letter
from scheduling.saying import in_words_of

Told = Callable[[], tuple[str, Sequence[str]]]


def put_alert_in_outbox(site: Site, occasion: str, told_in_words: Told, now: datetime) -> list[Letter]:
    """Store an alert for everybody who wants alerts and was not told of this occasion; return what is new.

    ``told_in_words`` gives subject and paragraphs in the language in force, which is each reader's own.

    The occasion names what happened, such as ``first dry week 2026/27``; the same one is never told twice.
    """
    told = Letter.objects.filter(person__site=site, kind=ALERT, occasion=occasion)
    to = who_wants(site, ALERT) - set(told.values_list("person", flat=True))
    monday = monday_before(site.local_date(now))
    people = list(Person.objects.filter(pk__in=to).select_related("site").order_by("name"))
    with transaction.atomic():
        letter_rows.store((_drawn(person, monday, occasion, told_in_words) for person in people), now)
        return list(told.filter(person__in=to).order_by("person__name"))


def _drawn(person: Person, monday: date, occasion: str, told_in_words: Told) -> drafts.Draft:
    with in_words_of(person.language):
        subject, paragraphs = told_in_words()
        return drafts.draft(
            ALERT,
            person,
            monday,
            {"alert": subject, "paragraphs": paragraphs},
            occasion=occasion,
            items=[{"occasion": occasion, "paragraphs": list(paragraphs)}],
        )
