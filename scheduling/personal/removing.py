"""Removing a person's name from everything while what was done to the instruments stays."""

from __future__ import annotations

import re
from collections import Counter
from datetime import datetime
from typing import Any

from axes.models import AccessAttempt, AccessFailureLog, AccessLog
from django.apps import apps
from django.db import models as db
from django.db import transaction
from django.utils.translation import gettext as _
from django_otp import devices_for_user

from fleet import history
from fleet.models import Absence, FactHistory, Membership, Person, Role, SignIn
from fleet.signals import tell_facts_changed
from scheduling.letter_choices import HABITS
from scheduling.models import Feed, Letter, LetterChoice
from scheduling.personal.places import (
    OF_NO_SITE,
    account_model,
    columns_of,
    links_of,
    models_of_sites,
    rows_of,
)
from scheduling.personal.subject import Subject, check_removable
from scheduling.personal.telling import finds, unfolded

PIECE = 500
REMOVED_AT = "removed.invalid"  # a domain that RFC 2606 gives to nobody
STILL_TO_GO = (Letter.State.DUE, Letter.State.SENDING, Letter.State.UNKNOWN, Letter.State.REFUSED)


def neutral_word() -> str:
    """Return what stands where a name stood."""
    return str(_("somebody"))


def remove(subject: Subject, now: datetime) -> dict[str, int]:
    """Take a person's name out of everything at the sites in question; return how many rows of what changed.

    It cannot be undone. Records, requests, plans and letters stay, as somebody's.

    Raises
    ------
    Refused
        Where a site would be left without an administrator.
    """
    check_removable(subject)
    pattern = subject.pattern()
    with transaction.atomic():
        for person in subject.people:
            _neutral_person(person, now)
        _let_go(subject)
        if subject.whole and subject.user is not None:
            _close_account(subject.user)
        changed = _sweep(subject, pattern)
        for site in subject.sites:
            history.note_of(
                site.pk, "fleet.person", 0, str(_("a person's data")), FactHistory.What.FORGOTTEN, now
            )
            tell_facts_changed(site.pk)
        # What was noted just now names them, too.
        _sweep(subject, pattern, only=FactHistory)
    return dict(changed)


def _neutral_person(person: Person, now: datetime) -> None:
    """Leave the row, on which plans and letters rest, as nobody's."""
    Absence.objects.filter(person=person).delete()
    Feed.objects.filter(person=person).delete()
    address = f"somebody-{person.pk}@{REMOVED_AT}"
    for kind in HABITS:
        LetterChoice.objects.update_or_create(
            person=person, kind=kind, defaults={"wanted": False, "changed_at": now, "changed_by": ""}
        )
    letters = Letter.objects.filter(person=person)
    letters.filter(state__in=STILL_TO_GO).update(
        state=Letter.State.REFUSED, lease="", lease_until=None, trouble=_("The person's data were removed.")
    )
    letters.update(to=address)
    Person.objects.filter(pk=person.pk).update(
        user=None,
        left_at=now,
        name=f"{neutral_word()} {person.pk}",
        email=address,
        role=Role.READER,
        hours_per_week=0,
        skills=[],
        hour_cost=None,
        working_days=[],
    )


def _let_go(subject: Subject) -> None:
    """Unlink the account from everything at the sites; what cannot be without it goes."""
    if subject.user is None:
        return
    Membership.objects.filter(user=subject.user, site__in=subject.sites).delete()
    for model in models_of_sites():
        for field in links_of(model, account_model()):
            mine = rows_of(model, subject).filter(**{field.name: subject.user})
            if field.null:
                mine.update(**{field.name: None})
            else:
                mine.delete()


def _close_account(user: Any) -> None:
    """Leave an account that nobody can use and that says nothing of anybody."""
    for model in (AccessAttempt, AccessFailureLog, AccessLog):
        model.objects.filter(username=user.get_username()).delete()
    end_sessions(user)
    for device in list(devices_for_user(user, confirmed=None)):
        device.delete()
    user.username, user.email = f"somebody-{user.pk}", ""
    user.first_name = user.last_name = ""
    user.is_active = user.is_staff = user.is_superuser = False
    user.last_login = None
    user.set_unusable_password()
    user.save()
    user.groups.clear()
    user.user_permissions.clear()


def end_sessions(user: Any) -> None:
    """Sign an account out everywhere."""
    SignIn.objects.filter(user=user).delete()


def _sweep(subject: Subject, pattern: re.Pattern[str], only: type[db.Model] | None = None) -> Counter[str]:
    changed: Counter[str] = Counter()
    models = models_of_sites()
    if subject.whole:
        models += [apps.get_model(label) for label in OF_NO_SITE]
    for model in [only] if only else models:
        rows = rows_of(model, subject) if hasattr(model, "site_path") else model._default_manager.all()
        number = _sweep_rows(model, rows, pattern)
        if number:
            changed[str(model._meta.verbose_name_plural)] += number
    return changed


def _sweep_rows(model: type[db.Model], rows: Any, pattern: re.Pattern[str]) -> int:
    """Replace names in the columns of rows, past the history, which would keep what goes."""
    columns = columns_of(model)
    if not columns:
        return 0
    number = 0
    names = [field.attname for field in columns]
    for pk, *values in list(rows.order_by("pk").values_list("pk", *names)):
        told = {
            field.attname: _longest(field, replaced(pattern, value))
            for field, value in zip(columns, values, strict=True)
            if finds(pattern, value)
        }
        if told:
            number += db.QuerySet(model).filter(pk=pk).update(**told)
    return number


def _longest(field: Any, value: Any) -> Any:
    """Return a value that still fits its column."""
    return value[: field.max_length] if field.max_length and isinstance(value, str) else value


def replaced(pattern: re.Pattern[str], value: Any) -> Any:
    """Return a value with the neutral word where the person was named."""
    if isinstance(value, str):
        return pattern.sub(neutral_word(), unfolded(value))
    if isinstance(value, bytes | memoryview):
        return replaced(pattern, bytes(value).decode("utf-8", "replace")).encode()
    if isinstance(value, dict):
        return {replaced(pattern, name): replaced(pattern, one) for name, one in value.items()}
    if isinstance(value, list):
        return [replaced(pattern, one) for one in value]
    return value
