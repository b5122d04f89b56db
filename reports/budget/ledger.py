"""The entries of a budget: every planned visit, recorded service and service put off, in hours and money."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from typing import Any

from django.db.models import Count, Min, Q, QuerySet

from fleet.models import Person, Service, ServiceRule, Site, Term
from fleet.weeks import monday_before
from scheduling.models import PlannedVisit, PutOff, SeasonPlan
from scheduling.plans_ahead import plans_by_week

LONGEST = timedelta(weeks=5 * 53)
HUNDREDTH = Decimal("0.01")
# A week belongs to the month and the term of its Thursday, as it belongs to the ISO year of its Thursday.
THURSDAY = timedelta(days=3)
BUILDING, ROOM, TAG = "instrument__room__building", "instrument__room__name", "instrument__tag"
USE, KIND = "instrument__use_class", "kind"
EVERYTHING = ("pk", BUILDING, ROOM, TAG, USE, KIND)
# What a question asks of a service beside its week and person, which are always read.
ASKED = {"building": (BUILDING,), "use": (USE,), "service": (KIND,)}


class Stand(StrEnum):
    """Whether an entry is foreseen, has happened, or had to wait."""

    PLANNED = "planned"
    DONE = "done"
    PUT_OFF = "put_off"


@dataclass(frozen=True)
class Entry:
    """A service: hours to a hundredth, money to a cent, so that any sums of entries agree.

    `week` is its Monday, None for what was put off. `cost` is None where nobody has said what an hour costs.
    `assumed` says that no minutes were recorded and the usual hours of the kind stand in. `services` says
    how many alike are one entry; `hours` and `cost` are then those of all of them, each rounded by itself.
    """

    stand: Stand
    week: date | None
    month: date | None
    term: str
    building: str
    room: str
    instrument: str
    use_class: str
    service: str
    person: str
    hours: Decimal
    cost: Decimal | None
    assumed: bool = False
    services: int = 1


@dataclass(frozen=True)
class Ledger:
    """The entries of the whole weeks from a first Monday to a last Sunday, and the hours offered by week."""

    site: Site
    first: date
    last: date
    entries: tuple[Entry, ...]
    offered: dict[date, Decimal]

    @property
    def currency(self) -> str:
        """Code of the site's currency."""
        return self.site.currency


def read_ledger(
    site: Site, first: date, last: date, names: bool = True, waiting: bool = True, by: str | None = None
) -> Ledger:
    """Read the entries of the whole weeks that hold the days from first to last.

    A week's planned visits are those of the plan in force: the newest approved one that covers it, else the
    newest draft. A service counts with the minutes recorded, else with the usual hours of its kind and use.
    An hour costs what the person's costs, else what the site's does. Without names nobody is named, so that
    what one person's hour costs cannot be read from it; without what is waiting nothing put off is read.
    Where only one question will be asked of the ledger, the database counts services alike in it together
    and the entries say nothing else: the sums are the same, the rows a fraction.

    Raises
    ------
    ValueError
        Where the last day lies before the first, or more than five years after it.
    """
    if not first <= last <= first + LONGEST:
        raise ValueError("the last day lies before the first, or more than five years after it")
    start, end = monday_before(first), monday_before(last) + timedelta(days=6)
    reading = _Reading(site, names, EVERYTHING if by is None else ASKED.get(by, ()))
    plans = plans_by_week(site, start, (end - start).days // 7 + 1)
    entries = [*reading.planned(plans), *reading.done(start, end)]
    if waiting:
        entries += reading.put_off(plans)
    return Ledger(site, start, end, tuple(entries), _offered(plans))


def planned_sums(plan: SeasonPlan) -> tuple[Entry, ...]:
    """Return the visits of one plan, whether or not it is in force, as entries that say week and sums."""
    weeks = (plan.start + timedelta(weeks=n) for n in range(plan.weeks))
    return tuple(_Reading(plan.site, False, ()).planned(dict.fromkeys(weeks, plan)))


def _offered(plans: dict[date, SeasonPlan]) -> dict[date, Decimal]:
    return {
        week: hundredths(plan.hours_offered[(week - plan.start).days // 7]) for week, plan in plans.items()
    }


def month_of(week: date) -> date:
    """Return the first day of the month to which a week belongs."""
    return (week + THURSDAY).replace(day=1)


def hundredths(hours: float) -> Decimal:
    """Return hours rounded half up to a hundredth, from the shortest decimal that means the float."""
    return Decimal(repr(float(hours))).quantize(HUNDREDTH, ROUND_HALF_UP)


class _Reading:
    """What every entry needs to know of a site, read once; `columns` are what entries say of services."""

    def __init__(self, site: Site, names: bool, columns: tuple[str, ...]) -> None:
        self.site = site
        self.names = names
        self.columns = columns
        people: list[Person] = list(site.people.all())
        self.people = {person.name: person for person in people}
        self.people_by_id = {person.pk: person for person in people}
        self.terms: list[Term] = list(site.terms.all())
        rules = ServiceRule.objects.of_site(site).values_list("service_kind__kind", "use_class", "hours")
        self.usual: dict[tuple[str, str], float] = {(kind, use): hours for kind, use, hours in rules}

    def planned(self, plans: dict[date, SeasonPlan]) -> Iterator[Entry]:
        """Give the visits of each week's plan in force."""
        wanted = Q(pk__in=[])
        for plan in set(plans.values()):
            wanted |= Q(plan=plan, week__in=[week for week, one in plans.items() if one == plan])
        for row in self._alike(PlannedVisit.objects.filter(wanted), "week", "technician", "hours"):
            person = self.people_by_id.get(row["technician"])
            yield self._entry(Stand.PLANNED, row, row["week"], row["hours"], person)

    def done(self, start: date, end: date) -> Iterator[Entry]:
        """Give the services recorded on the days from start to end."""
        services = Service.objects.of_site(self.site).filter(date__gte=start, date__lte=end)
        for row in self._alike(services, "date", "technician", "minutes", USE, KIND):
            minutes, name = row["minutes"], row["technician"]
            yield self._entry(
                Stand.DONE,
                row,
                monday_before(row["date"]),
                self._usual(row) if minutes is None else minutes / 60,
                self.people.get(name),
                name=name,
                assumed=minutes is None,
            )

    def put_off(self, plans: dict[date, SeasonPlan]) -> Iterator[Entry]:
        """Give what the plans in force put off, once where two of them do."""
        rows = PutOff.objects.filter(plan__in=set(plans.values()))
        once = rows.order_by().values("instrument", "kind").annotate(first=Min("pk")).values("first")
        for row in self._alike(PutOff.objects.filter(pk__in=once), USE, KIND):
            yield self._entry(Stand.PUT_OFF, row, None, self._usual(row), None)

    def _alike(self, rows: QuerySet[Any], *read: str) -> Iterable[Mapping[str, Any]]:
        """Count the rows that are alike in what is read and in what entries say, in a lasting order."""
        columns = tuple(dict.fromkeys((*read, *self.columns)))
        order = [name for name in ("week", "date", TAG, KIND, "pk") if name in columns]
        counted: Iterable[Mapping[str, Any]] = (
            rows.order_by(*order).values(*columns).annotate(services=Count("pk"))
        )
        return counted

    def _usual(self, row: Mapping[str, Any]) -> float:
        return self.usual.get((row[KIND], row[USE]), 0.0)

    def _entry(
        self,
        stand: Stand,
        row: Mapping[str, Any],
        week: date | None,
        hours: float,
        person: Person | None,
        name: str = "",
        assumed: bool = False,
    ) -> Entry:
        exact = hundredths(hours)
        rate = self.site.hour_cost if person is None or person.hour_cost is None else person.hour_cost
        cost = None if rate is None else (exact * rate).quantize(HUNDREDTH, ROUND_HALF_UP)
        services = row["services"]
        return Entry(
            stand=stand,
            week=week,
            month=None if week is None else month_of(week),
            term="" if week is None else _term(self.terms, week + THURSDAY),
            building=row.get(BUILDING, ""),
            room=row.get(ROOM, ""),
            instrument=row.get(TAG, ""),
            use_class=row.get(USE, ""),
            service=row.get(KIND, ""),
            person="" if not self.names else person.name if person else name,
            hours=exact * services,
            cost=None if cost is None else cost * services,
            assumed=assumed,
            services=services,
        )


def _term(terms: Iterable[Term], day: date) -> str:
    return next((term.name for term in terms if term.first_day <= day <= term.last_day), "")
