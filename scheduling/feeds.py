"""Secret addresses of calendars: made, renewed, revoked, and read."""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from fleet.models import Membership, Person, Role, Site
from fleet.refusal import Refused
from fleet.ways_in import SECRET_BYTES, hash_of
from scheduling.ics import calendar_text
from scheduling.models import CalendarEntry, Feed

# What is past, and what was called off, stays in a feed for so long.
KEPT = timedelta(weeks=8)


def may_have(membership: Membership, user: Any, person: Person | None) -> bool:
    """Return whether a member may make a feed: an administrator any, a technician the site's and his own."""
    if membership.role == Role.ADMINISTRATOR:
        return True
    if person is None:
        return membership.role == Role.TECHNICIAN
    return person.user_id is not None and person.user_id == user.pk


def renew(site: Site, person: Person | None, by: Any, now: datetime) -> tuple[Feed, str]:
    """Make the address of a person's work, or of all the site's; the one before opens nothing any more.

    Raises
    ------
    fleet.refusal.Refused
        Where the person is of another site.
    """
    if person is not None and person.site_id != site.pk:
        raise Refused(_("a person of another site"), value=person)
    secret = secrets.token_urlsafe(SECRET_BYTES)
    with transaction.atomic():
        Feed.objects.filter(site=site, person=person, revoked_at=None).update(revoked_at=now)
        feed = Feed.objects.create(
            site=site, person=person, secret_hash=hash_of(secret), made_at=now, made_by=by
        )
    return feed, secret


def revoke(feed: Feed, now: datetime) -> None:
    """Close an address for good."""
    Feed.objects.filter(pk=feed.pk, revoked_at=None).update(revoked_at=now)


def opened_by(secret: str) -> Feed | None:
    """Return the feed of a secret, None where it opens nothing or who made it has left the site."""
    feed = (
        Feed.objects.filter(secret_hash=hash_of(secret), revoked_at=None)
        .select_related("site", "person")
        .first()
    )
    if feed is None or not Membership.objects.filter(site=feed.site_id, user=feed.made_by_id).exists():
        return None
    return feed


def text_of(feed: Feed, now: datetime) -> str:
    """Return the calendar of a feed."""
    since = feed.site.local_date(now) - KEPT
    rows = CalendarEntry.objects.filter(site=feed.site, week__gte=since).order_by("week", "pk")
    if feed.person is not None:
        rows = rows.filter(person=feed.person)
    whose = feed.person.name if feed.person else feed.site.name
    return calendar_text(feed.site, f"Work: {whose}", rows)
