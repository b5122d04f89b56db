"""All that is known of a person, as one document of plain JSON."""

from __future__ import annotations

import base64
import re
from datetime import date, datetime, time
from typing import Any

from django.db import models as db

from fleet.models import Membership
from scheduling.personal.places import SECRET, models_of_sites, touching
from scheduling.personal.subject import Subject

LONGEST = 200_000  # of one value, as of a calendar that was brought


def tell(subject: Subject, now: datetime) -> dict[str, Any]:
    """Return the account, the memberships, the person's rows and every row that names them."""
    pattern = subject.pattern()
    named: dict[str, list[dict[str, Any]]] = {}
    for model in models_of_sites():
        rows = [told(row) for row in touching(model, subject, lambda value: finds(pattern, value))]
        if rows:
            named[str(model._meta.verbose_name_plural)] = rows
    return {
        "made_at": now.isoformat(),
        "looked_for": subject.names,
        "sites": [site.name for site in subject.sites],
        "account": _account(subject),
        "rows": named,
    }


def _account(subject: Subject) -> dict[str, Any] | None:
    user = subject.user
    if user is None:
        return None
    members = Membership.objects.filter(user=user, site__in=subject.sites).select_related("site")
    return {
        "username": user.get_username(),
        "name": user.get_full_name(),
        "email": user.email,
        "joined": user.date_joined.isoformat(),
        "last_login": user.last_login.isoformat() if user.last_login else None,
        "memberships": [{"site": one.site.name, "role": one.role} for one in members],
    }


def told(row: db.Model) -> dict[str, Any]:
    """Return a row as plain values, without what opens doors; names instead of numbers where one is known."""
    found: dict[str, Any] = {}
    for field in row._meta.concrete_fields:
        if field.name in SECRET:
            continue
        value = field.value_from_object(row)
        found[field.name] = _plain(value)
    return found


def _plain(value: Any) -> Any:
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, bytes | memoryview):
        return base64.b64encode(bytes(value)[:LONGEST]).decode()
    if value is None or isinstance(value, bool | int | float | str | list | dict):
        return value
    return str(value)


def finds(pattern: re.Pattern[str], value: Any) -> bool:
    """Return whether a value of any kind names the person."""
    if isinstance(value, str):
        return bool(pattern.search(value) or pattern.search(unfolded(value)))
    if isinstance(value, bytes | memoryview):
        return bool(pattern.search(unfolded(bytes(value).decode("utf-8", "replace"))))
    if isinstance(value, dict):
        return any(finds(pattern, one) for pair in value.items() for one in pair)
    if isinstance(value, list):
        return any(finds(pattern, one) for one in value)
    return False


def unfolded(text: str) -> str:
    """Return text without the line folds of RFC 5545, which may stand in the middle of a name."""
    return text.replace("\r\n ", "").replace("\n ", "") if "BEGIN:VCALENDAR" in text else text
