"""From a password that is right to a session: at once, or once a second factor has been shown as well."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.contrib.auth import get_user_model, login
from django.http import HttpRequest
from django.utils.crypto import constant_time_compare

from fleet.doors import sign_ins

WAITING = "waiting for a second factor"
# Long enough to find the telephone, and short enough for a screen left alone.
WAITS = timedelta(minutes=10)
BACKEND = "django.contrib.auth.backends.ModelBackend"


def sign_in(request: HttpRequest, user: Any, now: datetime) -> None:
    """Begin a session of a user who has shown all that the login asks for."""
    login(request, user, backend=BACKEND)
    request.session.pop(WAITING, None)
    sign_ins.note_device(request, now)


def let_wait(request: HttpRequest, user: Any, after: str, now: datetime) -> None:
    """Remember whose password was right until the second factor is shown; nobody is signed in."""
    request.session.flush()
    request.session[WAITING] = {
        "user": user.pk,
        "proof": user.get_session_auth_hash(),
        "after": after,
        "since": now.isoformat(),
    }


def who_waits(request: HttpRequest, now: datetime) -> tuple[Any, str] | None:
    """Return whose second factor is waited for and where to go afterwards; None where nobody waits."""
    said = request.session.get(WAITING)
    if not said or not timedelta(0) <= now - datetime.fromisoformat(said["since"]) <= WAITS:
        return None
    user = get_user_model().objects.filter(pk=said["user"], is_active=True).first()
    # A password changed meanwhile was perhaps changed because somebody else knew it.
    if user is None or not constant_time_compare(user.get_session_auth_hash(), said["proof"]):
        return None
    return user, said["after"]
