"""What stands elsewhere than the last letter said, and why."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from fleet.models import Instrument, Person, Service, Site
from fleet.weeks import monday_of, week_of
from scheduling.models import Forecast, Letter, PlannedVisit, PutOff
from scheduling.plans_ahead import visits_ahead
from scheduling.saying import day_style

LOOK_AHEAD = 8  # weeks that a letter remembers
LAST_LETTER_WEEKS = 5  # an older one is not what anybody has in mind
LEAST_SHIFT = timedelta(days=3)
MOST_MOVES = 12

Key = tuple[str, str]  # tag of the instrument, kind of service


@dataclass(frozen=True)
class Move:
    """One service that is not where the last letter had it."""

    instrument: str
    service: str
    what: str
    why: str


@dataclass
class Ahead:
    """Where the visits of the coming weeks stand now, by instrument and service."""

    site: Site
    monday: date
    visits: dict[Key, list[PlannedVisit]]
    forecasts: dict[Key, Forecast]
    put_off: dict[Key, PutOff]
    done: dict[Key, date]
    last: dict[int, Letter]

    def outlook(self, person: Person) -> list[list[Any]]:
        """Return what a person's letter remembers: tag, kind, ISO week and the day it was expected out."""
        end = self.monday + timedelta(weeks=LOOK_AHEAD)
        return sorted(
            [tag, kind, week_of(visit.week), _day(self._due(tag, kind))]
            for (tag, kind), visits in self.visits.items()
            for visit in visits
            if visit.technician_id == person.pk and self.monday <= visit.week < end
        )

    def moves(self, person: Person) -> list[Move]:
        """Return what stands elsewhere than in the person's last letter, this week's first."""
        last = self.last.get(person.pk)
        if last is None or not last.outlook:
            return []
        told: dict[Key, list[tuple[date, date | None]]] = defaultdict(list)
        for tag, kind, week, due in last.outlook:
            told[tag, kind].append((monday_of(week), date.fromisoformat(due) if due else None))
        end = date.fromisocalendar(last.iso_year, last.iso_week, 1) + timedelta(weeks=LOOK_AHEAD)
        known = [move for key, weeks in told.items() for move in self._moved(person, key, weeks, end)]
        new = [
            Move(tag, kind, _("new in this week"), visit.reason)
            for (tag, kind), visits in self.visits.items()
            if (tag, kind) not in told
            for visit in visits
            if visit.technician_id == person.pk and visit.week == self.monday
        ]
        return (known + new)[:MOST_MOVES]

    def _moved(
        self, person: Person, key: Key, told: list[tuple[date, date | None]], end: date
    ) -> Iterable[Move]:
        mine = [visit for visit in self.visits.get(key, ()) if visit.technician_id == person.pk]
        others = [visit for visit in self.visits.get(key, ()) if visit.technician_id != person.pk]
        there = {visit.week for visit in mine}
        gone = [
            (week, due)
            for week, due in sorted(told)
            if week not in there and not (key in self.done and self.done[key] >= week - timedelta(weeks=2))
        ]
        new = [visit for visit in mine if visit.week not in {week for week, _ in told} and visit.week < end]
        for place, (week, due) in enumerate(gone):
            where = new[place] if place < len(new) else None
            handed = next((visit for visit in others if visit.week == week), None)
            yield Move(*key, self._what(week, where, handed), self._why(key, due, where))

    def _what(self, week: date, where: PlannedVisit | None, handed: PlannedVisit | None) -> str:
        if handed and where is None:
            name = handed.technician.name if handed.technician else _("nobody yet")
            return _("goes to %(name)s") % {"name": name}
        places = {"week": _spoken(week), "to": _spoken(where.week) if where else ""}
        if week >= self.monday:
            if where is None:
                return _("no longer planned for the week of %(week)s") % places
            if where.week == self.monday:
                return _("moved from the week of %(week)s to this week") % places
            return _("moved from the week of %(week)s to the week of %(to)s") % places
        if where is None:
            return _("was planned for last week and has no record; it is no longer planned")
        if where.week == self.monday:
            return _("was planned for last week and has no record; now planned for this week")
        return _("was planned for last week and has no record; now planned for the week of %(to)s") % places

    def _why(self, key: Key, due_then: date | None, where: PlannedVisit | None) -> str:
        due = self._due(*key)
        if due and due_then and abs(due - due_then) >= LEAST_SHIFT:
            words = _("expected out by %(now)s instead of %(then)s") % {
                "now": _written(due),
                "then": _written(due_then),
            }
            drivers = self.forecasts[key].drivers
            return f"{words}: {drivers[0]['words']}" if drivers else words
        if where is not None:
            return str(where.reason)
        return str(self.put_off[key].reason) if key in self.put_off else _("the newer plan leaves it out")

    def _due(self, tag: str, kind: str) -> date | None:
        forecast = self.forecasts.get((tag, kind))
        return forecast.due_middle if forecast else None


def read_ahead(site: Site, monday: date, people: Sequence[Person]) -> Ahead:
    """Read what letters compare; the number of queries does not grow with the fleet."""
    visits: dict[Key, list[PlannedVisit]] = defaultdict(list)
    plans, rows = visits_ahead(site, monday, LOOK_AHEAD + LAST_LETTER_WEEKS)
    for visit in rows:
        visits[visit.instrument.tag, visit.kind].append(visit)
    last = last_letters(site, monday, people)
    tags = {tag for letter in last.values() for tag, *_ in letter.outlook} | {tag for tag, _ in visits}
    instruments = Instrument.objects.filter(site=site, tag__in=tags)
    forecasts = Forecast.objects.filter(instrument__in=instruments).select_related("instrument")
    services = Service.objects.answering().filter(
        instrument__in=instruments, date__gte=monday - timedelta(weeks=LAST_LETTER_WEEKS + 2)
    )
    put_off = PutOff.objects.filter(plan__in=plans[:1]).select_related("instrument")
    return Ahead(
        site=site,
        monday=monday,
        visits=dict(visits),
        forecasts={(one.instrument.tag, one.kind): one for one in forecasts.defer("weekly")},
        put_off={(one.instrument.tag, one.kind): one for one in put_off},
        done={
            (tag, kind): day
            for tag, kind, day in services.order_by("date").values_list("instrument__tag", "kind", "date")
        },
        last=last,
    )


def last_letters(site: Site, monday: date, people: Sequence[Person]) -> dict[int, Letter]:
    """Return each person's newest letter of due work of an earlier, not too distant week."""
    mondays = [monday - timedelta(weeks=number) for number in range(LAST_LETTER_WEEKS, 0, -1)]
    wanted = {day.isocalendar()[:2] for day in mondays}
    rows = Letter.objects.filter(
        person__in=people,
        kind="due_work",
        iso_year__in={year for year, _ in wanted},
        iso_week__in={week for _, week in wanted},
    )
    rows = rows.order_by("iso_year", "iso_week").only(
        "person_id", "iso_year", "iso_week", "outlook", "made_at"
    )
    asked = (row for row in rows if (row.iso_year, row.iso_week) in wanted)
    return {row.person_id: row for row in asked if row.person_id}


def _day(day: date | None) -> str | None:
    return day.isoformat() if day else None


def _written(day: date) -> str:
    return date_format(day, day_style("long"))


def _spoken(week: date) -> str:
    return date_format(week, day_style("day"))
