"""Letters about the doors: invitations, links for a new password, and what changed in an account.

They go out as all letters do, a row first, but belong to no person of a site: no page of a site shows them,
nobody stops them by a link, and their own secret link is put in when they are sent.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime, timedelta
from email.utils import formataddr, parseaddr
from functools import partial
from typing import Any
from uuid import uuid4

from django.conf import settings
from django.db import transaction
from django.template.loader import render_to_string

from fleet.doors.secret_links import PLACE
from fleet.models import Site
from fleet.signals import LetterNews
from scheduling import tasks
from scheduling.drafts import tidy
from scheduling.letter_shelf import STATES
from scheduling.mail import sender_of
from scheduling.models import Letter

HOUSE = "Instrument Almanac"
INVITATION, PASSWORD, ACCOUNT = "invitation", "password", "account"
KEPT_FOR = timedelta(days=90)


def put_in_outbox(
    kind: str, to: str, context: Mapping[str, Any], site: Site | None, seed: str, now: datetime
) -> Letter:
    """Store a letter about a door and wake its sending once it is stored for good."""
    name = site.name if site else HOUSE
    sender = formataddr((name, sender_of(site) if site else settings.DEFAULT_FROM_EMAIL))
    said = {"site": {"name": name}, "address": settings.SITE_ADDRESS, "link": PLACE, **context}
    year, week, _ = now.date().isocalendar()
    domain = parseaddr(sender)[1].rpartition("@")[2] or "localhost"
    letter = Letter.objects.create(
        kind=kind,
        iso_year=year,
        iso_week=week,
        occasion=context.get("occasion", ""),
        to=to,
        sender=sender,
        seed=seed,
        subject=" ".join(render_to_string(f"letters/{kind}/subject.txt", said).split()),
        text=tidy(render_to_string(f"letters/{kind}/body.txt", said)),
        html=render_to_string(f"letters/{kind}/body.html", said),
        message_id=f"<letter-{uuid4()}@{domain}>",
        made_at=now,
        next_try_at=now,
    )
    transaction.on_commit(partial(tasks.send_letter.delay, letter.pk), robust=True)
    return letter


def news_of(kind: str, occasions: Collection[str]) -> dict[str, LetterNews]:
    """Return what became of the letters of a kind, by what each was about."""
    rows = Letter.objects.filter(person=None, kind=kind, occasion__in=occasions).order_by("made_at")
    found = {}
    for letter in rows.only("occasion", "state", "trouble"):
        word, shape = STATES[Letter.State(letter.state)]
        found[letter.occasion] = LetterNews(str(word), shape, letter.trouble)
    return found


def forget_old(now: datetime) -> None:
    """Forget letters about doors of long ago; what they opened is long shut."""
    Letter.objects.filter(person=None, made_at__lt=now - KEPT_FOR).delete()
