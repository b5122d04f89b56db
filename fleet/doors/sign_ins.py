"""A user's sessions: the device each began on, and ending them."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any

from django.db.models import QuerySet
from django.http import HttpRequest

from fleet.doors.session_store import DEVICE
from fleet.models import SignIn
from fleet.ways_in import hash_of

# In this order: most browsers name others that they wish to be taken for.
BROWSERS = (
    ("Edge", r"Edg(e|A|iOS)?/"),
    ("Opera", r"OPR/|Opera"),
    ("Samsung Internet", r"SamsungBrowser/"),
    ("Firefox", r"Firefox/|FxiOS/"),
    ("Chrome", r"Chrome/|CriOS/"),
    ("Chromium", r"Chromium/"),
    ("Safari", r"Safari/"),
)
SYSTEMS = (
    ("an iPhone", r"iPhone"),
    ("an iPad", r"iPad"),
    ("Android", r"Android"),
    ("ChromeOS", r"CrOS"),
    ("Windows", r"Windows"),
    ("a Mac", r"Macintosh|Mac OS X"),
    ("Linux", r"Linux"),
)


def device_words(agent: str) -> str:
    """Say in words what a browser calls itself, such as ``Firefox on Linux``."""
    browser = next((name for name, sign in BROWSERS if re.search(sign, agent)), "Another program")
    system = next((name for name, sign in SYSTEMS if re.search(sign, agent)), "")
    return f"{browser} on {system}" if system else browser


def note_device(request: HttpRequest, now: datetime) -> None:
    """Write into the session that begins what it began on, and when."""
    request.session[DEVICE] = device_words(request.headers.get("User-Agent", ""))
    request.session["began_at"] = now.isoformat()


def sessions_of(user: Any, now: datetime) -> QuerySet[SignIn]:
    """Return the sessions in which a user is signed in, the one used last first."""
    return SignIn.objects.filter(user=user, expire_date__gt=now).order_by("-seen_at", "session_key")


def end_others(user: Any, own_key: str | None) -> int:
    """End every session of a user but one; return how many."""
    return SignIn.objects.filter(user=user).exclude(pk=own_key or "").delete()[0]


def end_one(user: Any, mark: str, own_key: str | None) -> bool:
    """End the session of a user that a mark names; return whether there was one."""
    for row in SignIn.objects.filter(user=user).exclude(pk=own_key or ""):
        if mark_of(row) == mark:
            row.delete()
            return True
    return False


def mark_of(row: SignIn) -> str:
    """Return what names a session on its user's page: its key would open it."""
    return hash_of(row.session_key)[:24]


def forget_old(now: datetime) -> None:
    """Forget sessions that have run out."""
    SignIn.objects.filter(expire_date__lt=now).delete()
