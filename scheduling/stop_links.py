"""Signed addresses in letters by which a reader stops them with one click (RFC 8058), without a login."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.core.signing import BadSignature, Signer
from django.urls import reverse

from fleet.models import Person, Role
from scheduling.letter_choices import HABITS, Habit, set_wanted, wishes_of

BY_LINK = "the letter's link"


@dataclass(frozen=True)
class Stop:
    """Whose letters of which kind a link stops."""

    person: Person
    habit: Habit

    @property
    def stopped(self) -> bool:
        """Whether they are stopped already."""
        ((_, wishes),) = wishes_of([self.person])
        return not all(wish.wanted for wish in wishes if wish.kind == self.habit.name)

    @property
    def may_resume(self) -> bool:
        """Whether the person still belongs to the site; somebody who has left stays without letters."""
        return self.person.is_let_in_by_letter(*Role.values)


def _signer() -> Signer:
    return Signer(salt="letters that stop")


def token(person: Person, kind: str) -> str:
    """Return what a link carries: the same for every letter of this kind to this person."""
    return _signer().sign_object([person.pk, kind])


def address(person: Person, kind: str) -> str:
    """Return the whole address of the link."""
    return settings.SITE_ADDRESS.rstrip("/") + reverse("stop_letters", args=[token(person, kind)])


def choices_address() -> str:
    """Return the whole address of the page on which letters are chosen."""
    return settings.SITE_ADDRESS.rstrip("/") + reverse("letter_choices")


def read(signed: str) -> Stop | None:
    """Return what a link stops, None where it is not one of ours or its person is gone."""
    try:
        told: Any = _signer().unsign_object(signed)
    except (BadSignature, ValueError):
        return None
    pk, kind = told
    person = Person.objects.filter(pk=pk).select_related("site").first()
    return Stop(person, HABITS[kind]) if person and kind in HABITS else None


def stop(one: Stop, now: datetime) -> None:
    """Send no more letters of this kind to this person; a second time changes nothing."""
    set_wanted(one.person, one.habit.name, False, now, BY_LINK)


def resume(one: Stop, now: datetime) -> None:
    """Send them again, where the link may do so."""
    if one.may_resume:
        set_wanted(one.person, one.habit.name, True, now, BY_LINK)
