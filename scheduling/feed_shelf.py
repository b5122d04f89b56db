"""Calendars as their page shows them: whose there are, and which a member may make."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.http import Http404
from django.urls import reverse

from fleet.access import row_number
from fleet.models import Membership, Person, Role, Site
from scheduling.feeds import may_have
from scheduling.models import Feed


@dataclass(frozen=True)
class Calendar:
    """A person's calendar, or the whole site's where there is none, with its open feed if it has one."""

    person: Person | None
    feed: Feed | None


def shelf(membership: Membership, user: Any) -> list[Calendar]:
    """Return the calendars that a member may read and renew, the site's first."""
    open_feeds = Feed.objects.of_site(membership.site).filter(revoked_at=None).select_related("made_by")
    by_person = {feed.person_id: feed for feed in open_feeds}
    people = Person.objects.of_site(membership.site).filter(role=Role.TECHNICIAN).order_by("name")
    return [
        Calendar(person, by_person.get(person.pk if person else None))
        for person in (None, *people)
        if may_have(membership, user, person)
    ]


def person_asked(site: Site, asked: str) -> Person | None:
    """Return the person of a form, None for the whole site.

    Raises
    ------
    django.http.Http404
        Where it is nobody of the site.
    """
    if not asked:
        return None
    person = Person.objects.of_site(site).filter(pk=row_number(asked)).first()
    if person is None:
        raise Http404("nobody of this site")
    return person


def address_of(secret: str) -> str:
    """Return the whole address of a feed."""
    return settings.SITE_ADDRESS.rstrip("/") + reverse("work_calendar", args=[secret])
