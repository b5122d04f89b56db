"""Who wants which letters, and when each week's letter is due on the clock beside that person."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.models import Person, Role, Site
from fleet.refusal import Refused
from fleet.weeks import monday_before
from scheduling.models import LetterChoice

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

DUE_WORK, HOURS, ALERT = "due_work", "hours", "alert"


@dataclass(frozen=True)
class Habit:
    """What a kind of letter is, and who gets it unless they chose otherwise."""

    name: str
    title: StrOrPromise
    words: StrOrPromise
    roles: tuple[str, ...]
    weekly: bool = True


HABITS = {
    habit.name: habit
    for habit in (
        Habit(
            DUE_WORK,
            _("Due work"),
            _("The week's visits by day and room, requests note by note, warnings, what moved and why."),
            (Role.TECHNICIAN,),
        ),
        Habit(
            HOURS,
            _("Hours"),
            _("Hours planned, done and put off, what they cost, and what one more would be worth."),
            (Role.ADMINISTRATOR,),
        ),
        Habit(
            ALERT,
            _("Alerts"),
            _("What cannot wait for the week's letter, such as the first dry week of a winter."),
            (Role.TECHNICIAN,),
            weekly=False,
        ),
    )
}
MONDAY_AT_SIX = (LetterChoice.Day.MONDAY, time(6))


@dataclass(frozen=True)
class Wish:
    """One person's choice for one kind: whether, on which day from the week's Monday, and at what time."""

    person: Person
    kind: str
    wanted: bool
    day: int
    at: time
    time_zone: str

    @property
    def zone(self) -> tzinfo:
        """The clock by which the day and the time are meant."""
        return ZoneInfo(self.time_zone) if self.time_zone else self.person.site.zone

    def weeks_due(self, now: datetime) -> list[date]:
        """Return the Mondays of the weeks whose letter is due: from its day and hour to the week's end."""
        this = monday_before(now.astimezone(self.zone).date())
        return [monday for monday in (this, this + timedelta(days=7)) if self._is_due(monday, now)]

    def _is_due(self, monday: date, now: datetime) -> bool:
        starts = datetime.combine(monday + timedelta(days=self.day), self.at, self.zone)
        ends = datetime.combine(monday + timedelta(days=7), time(), self.zone)
        # Instants, not wall times: one zone's own comparison would ignore a change of its clock.
        return starts.timestamp() <= now.timestamp() < ends.timestamp()


def wishes(site: Site, kind: str) -> list[Wish]:
    """Return what each person of a site, who can be written to and gets this kind, wants of it."""
    people = Person.objects.filter(site=site, role__in=HABITS[kind].roles).exclude(email="")
    choices = {row.person_id: row for row in LetterChoice.objects.filter(person__site=site, kind=kind)}
    return [_wish(person, kind, choices.get(person.pk)) for person in people.select_related("site")]


def wishes_of(people: Iterable[Person]) -> list[tuple[Person, list[Wish]]]:
    """Return people with what each wants of every kind that his or her role gets."""
    listed = list(people)
    rows = {(row.person_id, row.kind): row for row in LetterChoice.objects.filter(person__in=listed)}
    return [
        (
            person,
            [
                _wish(person, habit.name, rows.get((person.pk, habit.name)))
                for habit in HABITS.values()
                if person.role in habit.roles
            ],
        )
        for person in listed
    ]


def _wish(person: Person, kind: str, row: LetterChoice | None) -> Wish:
    if row is None:
        return Wish(person, kind, True, *MONDAY_AT_SIX, "")
    return Wish(person, kind, row.wanted, row.day, row.at, row.time_zone)


def who_wants(site: Site, kind: str) -> set[int]:
    """Return the people of a site who get letters of this kind."""
    return {wish.person.pk for wish in wishes(site, kind) if wish.wanted}


def due_by_week(site: Site, kind: str, now: datetime) -> dict[date, set[int]]:
    """Return the people whose letter is due, by the Monday of its week."""
    found: dict[date, set[int]] = {}
    for wish in wishes(site, kind):
        for monday in wish.weeks_due(now) if wish.wanted else ():
            found.setdefault(monday, set()).add(wish.person.pk)
    return found


def choose(person: Person, wanted: Collection[Wish], now: datetime, by: str) -> None:
    """Store what a person wants, all of it or nothing.

    Somebody who had left and is written to again is let in by the links of letters again.

    Raises
    ------
    fleet.refusal.Refused
        Where a kind is none of the person's, or a day, time or zone is not possible.
    """
    with transaction.atomic():
        for wish in wanted:
            if wish.kind not in HABITS or person.role not in HABITS[wish.kind].roles:
                raise Refused(
                    gettext("no letter of this person's"), value=wish.kind, accepted=", ".join(HABITS)
                )
            row = LetterChoice.objects.filter(person=person, kind=wish.kind).first() or LetterChoice(
                person=person, kind=wish.kind
            )
            row.wanted, row.day, row.at, row.time_zone = wish.wanted, wish.day, wish.at, wish.time_zone
            row.changed_at, row.changed_by = now, by
            try:
                row.full_clean()
            except ValidationError as error:
                raise Refused("; ".join(error.messages), column=wish.kind) from None
            row.save()
        if person.left_at and any(wish.wanted for wish in wanted):
            person.left_at = None
            person.save(update_fields=["left_at"])


def set_wanted(person: Person, kind: str, wanted: bool, now: datetime, by: str) -> None:
    """Stop or resume one kind of letter; its day and hour stay, and doing it again changes nothing."""
    with transaction.atomic():
        row, made = LetterChoice.objects.get_or_create(
            person=person, kind=kind, defaults={"wanted": wanted, "changed_at": now, "changed_by": by}
        )
        if not made:
            LetterChoice.objects.filter(pk=row.pk).exclude(wanted=wanted).update(
                wanted=wanted, changed_at=now, changed_by=by
            )
