"""New passwords: by a link that goes to the account's address, or by whoever knows the old one."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from axes.utils import reset as unlock
from django.contrib.auth import get_user_model
from django.contrib.auth.password_validation import validate_password
from django.db import transaction

from fleet.doors import secret_links, sign_ins
from fleet.models import PasswordReset
from fleet.refusal import Refused
from fleet.signals import want_letter
from fleet.throttle import TooMany
from fleet.ways_in import hash_of

LASTS = timedelta(hours=1)
# So many requests from one network, and letters to one account, within the span; priors.
MOST_ASKED, MOST_LETTERS, SPAN = 10, 3, timedelta(hours=1)
KEPT_FOR = timedelta(days=30)


def ask(email: str, sender: str, now: datetime) -> None:
    """Send a link to every account of an address; whether there is one is told to nobody.

    Raises
    ------
    TooMany
        Where one network asks too often, for whatever addresses.
    """
    with transaction.atomic():
        recent = PasswordReset.objects.filter(made_at__gt=now - SPAN)
        asked = list(recent.filter(sender=sender).order_by("made_at").values_list("made_at", flat=True))
        if len(asked) >= MOST_ASKED:
            raise TooMany(asked[-MOST_ASKED] + SPAN - now)
        PasswordReset.objects.create(sender=sender, made_at=now, expires_at=now)
        for user in get_user_model().objects.filter(email__iexact=email.strip(), is_active=True)[:5]:
            if recent.filter(user=user).count() < MOST_LETTERS and user.has_usable_password():
                _send_link(user, now)


def _send_link(user: Any, now: datetime) -> None:
    seed = secret_links.new_seed(secret_links.RESET)
    PasswordReset.objects.create(
        user=user,
        # The request itself is counted by a row of its own.
        sender="",
        secret_hash=secret_links.kept(seed),
        made_at=now,
        expires_at=now + LASTS,
    )
    want_letter("password", user.email, {"user": user}, seed=seed)


def opened_by(secret: str, now: datetime) -> PasswordReset | None:
    """Return what a link's secret opens, None where it opens nothing (any more)."""
    rows = PasswordReset.objects.filter(secret_hash=hash_of(secret), used_at=None, expires_at__gt=now)
    return rows.filter(user__is_active=True).select_related("user").first()


def reset(asked: PasswordReset, password: str, now: datetime) -> None:
    """Set a new password by a link, end every session, and close all links of this account.

    Raises
    ------
    django.core.exceptions.ValidationError
        Where the password is too weak; the link stays open.
    Refused
        Where the link was used meanwhile.
    """
    user: Any = asked.user
    validate_password(password, user)
    with transaction.atomic():
        if PasswordReset.objects.filter(pk=asked.pk, used_at=None).update(used_at=now) != 1:
            raise Refused("this link was used already")
        PasswordReset.objects.filter(user=user, used_at=None).update(used_at=now)
        _set(user, password, None)
    unlock(username=user.get_username())


def change(user: Any, password: str, own_key: str | None) -> None:
    """Set a new password for somebody who is signed in, and end the user's other sessions.

    Raises
    ------
    django.core.exceptions.ValidationError
        Where the password is too weak.
    """
    validate_password(password, user)
    with transaction.atomic():
        _set(user, password, own_key)


def _set(user: Any, password: str, own_key: str | None) -> None:
    user.set_password(password)
    user.save(update_fields=["password"])
    sign_ins.end_others(user, own_key)
    if user.email:
        want_letter("account", user.email, {"user": user, "what": "password_changed"})


def forget_old(now: datetime) -> None:
    """Forget requests of long ago."""
    PasswordReset.objects.filter(made_at__lt=now - KEPT_FOR).delete()
