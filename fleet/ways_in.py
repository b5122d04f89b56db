"""Making and revoking the secrets with which loggers post readings, and counting how often they come."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime, timedelta
from typing import Any

from django.db.models import F, Q
from django.utils.translation import gettext as _

from fleet.models import Room, Site, WayIn
from fleet.names import name_of
from fleet.refusal import Refused

SECRET_BYTES = 32
LONGEST_NAME = 80
MOST_OPEN = 500  # ways in of one site that are not revoked
# A logger sends every few minutes; one that catches up after a silence sends more lines, not more requests.
MOST_REQUESTS = 60
MINUTE = timedelta(minutes=1)


def make_way_in(site: Site, name: str, room: Room | None, by: Any, now: datetime) -> tuple[WayIn, str]:
    """Store a new way in and return it with its secret, which nobody can read again.

    Raises
    ------
    Refused
        Where the name is empty or too long, the room is of another site, or there are too many already.
    """
    name = name_of(name)
    if not name or len(name) > LONGEST_NAME:
        raise Refused(
            _("a way in needs a name"),
            column="name",
            value=name,
            accepted=_("a name of at most %(longest_name)s characters, such as that of the logger")
            % {"longest_name": LONGEST_NAME},
        )
    if room is not None and room.site_id != site.pk:
        raise Refused(_("a room that is not of this site"), column="room", value=room.pk)
    if WayIn.objects.filter(site=site, revoked_at=None).count() >= MOST_OPEN:
        raise Refused(
            _("too many ways in"),
            accepted=_("at most %(most_open)s; revoke those no longer used") % {"most_open": MOST_OPEN},
        )
    secret = secrets.token_urlsafe(SECRET_BYTES)
    row = WayIn.objects.create(
        site=site, room=room, name=name, secret_hash=hash_of(secret), made_at=now, made_by=by
    )
    return row, secret


def revoke(way_in: WayIn, now: datetime) -> bool:
    """Close a way in for good; return whether it was open until now."""
    return WayIn.objects.filter(pk=way_in.pk, revoked_at=None).update(revoked_at=now) == 1


def open_way_in(secret: str) -> WayIn | None:
    """Return the way in that a secret opens, None where it opens nothing."""
    # A secret of 256 random bits needs no slow hash, and comparing hashes tells nothing by its time.
    rows = WayIn.objects.select_related("site", "room")
    return rows.filter(secret_hash=hash_of(secret), revoked_at=None).first()


def may_come_again(way_in: WayIn, now: datetime) -> bool:
    """Count a request and return whether it is within the limit; two at once are counted as two."""
    mine = WayIn.objects.filter(pk=way_in.pk)
    a_new_minute = Q(minute_began_at=None) | Q(minute_began_at__lte=now - MINUTE)
    if mine.filter(a_new_minute).update(minute_began_at=now, minute_requests=1, last_used_at=now):
        return True
    within = mine.filter(minute_requests__lt=MOST_REQUESTS)
    return bool(within.update(minute_requests=F("minute_requests") + 1, last_used_at=now))


def hash_of(secret: str) -> str:
    """Return what is kept of a secret."""
    return hashlib.sha256(secret.encode()).hexdigest()
