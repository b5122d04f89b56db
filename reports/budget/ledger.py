"""The entries of a budget: every planned visit, recorded service and service put off, in hours and money."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum

from django.db.models import Q

from fleet.models import Instrument, Person, Service, ServiceRule, Site, Term
from fleet.weeks import monday_before
from scheduling.models import PlannedVisit, PutOff, SeasonPlan
from scheduling.plans_ahead import plans_by_week

LONGEST = timedelta(weeks=5 * 53)
HUNDREDTH = Decimal("0.01")
# A week belongs to the month and the term of its Thursday, as it belongs to the ISO year of its Thursday.
THURSDAY = timedelta(days=3)


class Stand(StrEnum):
    """Whether an entry is foreseen, has happened, or had to wait."""

    PLANNED = "planned"
    DONE = "done"
    PUT_OFF = "put_off"


@dataclass(frozen=True)
class Entry:
    """One service: hours to a hundredth, money to a cent, so that any sums of entries agree.

    `week` is its Monday, None for what was put off. `cost` is None where nobody has said what an hour costs.
    `assumed` says that no minutes were recorded and the usual hours of the kind stand in.
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


def read_ledger(site: Site, first: date, last: date, names: bool = True, waiting: bool = True) -> Ledger:
    """Read the entries of the whole weeks that hold the days from first to last.

    A week's planned visits are those of the plan in force: the newest approved one that covers it, else the
    newest draft. A service counts with the minutes recorded, else with the usual hours of its kind and use.
    An hour costs what the person's costs, else what the site's does. Without names nobody is named, so that
    what one person's hour costs cannot be read from it; without what is waiting nothing put off is read.

    Raises
    ------
    ValueError
        Where the last day lies before the first, or more than five years after it.
    """
    if not first <= last <= first + LONGEST:
        raise ValueError("the last day lies before the first, or more than five years after it")
    start, end = monday_before(first), monday_before(last) + timedelta(days=6)
    reading = _Reading(site)
    plans = plans_by_week(site, start, (end - start).days // 7 + 1)
    entries = [*reading.planned(plans), *reading.done(start, end)]
    if waiting:
        entries += reading.put_off(plans)
    if not names:
        entries = [replace(entry, person="") for entry in entries]
    return Ledger(site, start, end, tuple(entries), _offered(plans))


def planned_entries(plan: SeasonPlan) -> tuple[Entry, ...]:
    """Return the visits of one plan as entries, whether or not it is in force."""
    weeks = (plan.start + timedelta(weeks=n) for n in range(plan.weeks))
    return tuple(_Reading(plan.site).planned(dict.fromkeys(weeks, plan)))


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
    """What every entry needs to know of a site, read once."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.people: dict[str, Person] = {person.name: person for person in site.people.all()}
        self.terms: list[Term] = list(site.terms.all())
        rules = ServiceRule.objects.of_site(site).select_related("service_kind")
        self.usual: dict[tuple[str, str], float] = {
            (rule.service_kind.kind, rule.use_class): rule.hours for rule in rules
        }

    def planned(self, plans: dict[date, SeasonPlan]) -> Iterator[Entry]:
        """Give the visits of each week's plan in force."""
        wanted = Q(pk__in=[])
        for plan in set(plans.values()):
            wanted |= Q(plan=plan, week__in=[week for week, one in plans.items() if one == plan])
        visits = PlannedVisit.objects.filter(wanted).select_related("instrument__room", "technician")
        for visit in visits.order_by("week", "instrument__tag", "kind"):
            yield self._entry(
                Stand.PLANNED, visit.instrument, visit.kind, visit.week, visit.hours, visit.technician
            )

    def done(self, start: date, end: date) -> Iterator[Entry]:
        """Give the services recorded on the days from start to end."""
        services = (
            Service.objects.of_site(self.site)
            .filter(date__gte=start, date__lte=end)
            .select_related("instrument__room")
            .order_by("date", "instrument__tag", "kind", "order")
        )
        for one in services:
            hours = one.minutes / 60 if one.minutes is not None else self._usual(one.instrument, one.kind)
            yield self._entry(
                Stand.DONE,
                one.instrument,
                one.kind,
                monday_before(one.date),
                hours,
                self.people.get(one.technician),
                name=one.technician,
                assumed=one.minutes is None,
            )

    def put_off(self, plans: dict[date, SeasonPlan]) -> Iterator[Entry]:
        """Give what the plans in force put off, once where two of them do."""
        rows = (
            PutOff.objects.filter(plan__in=set(plans.values()))
            .select_related("instrument__room")
            .order_by("instrument__tag", "kind", "pk")
        )
        once = {(row.instrument_id, row.kind): row for row in rows}
        for row in once.values():
            yield self._entry(
                Stand.PUT_OFF, row.instrument, row.kind, None, self._usual(row.instrument, row.kind), None
            )

    def _usual(self, instrument: Instrument, kind: str) -> float:
        return self.usual.get((kind, instrument.use_class), 0.0)

    def _entry(
        self,
        stand: Stand,
        instrument: Instrument,
        kind: str,
        week: date | None,
        hours: float,
        person: Person | None,
        name: str = "",
        assumed: bool = False,
    ) -> Entry:
        exact = hundredths(hours)
        rate = self.site.hour_cost if person is None or person.hour_cost is None else person.hour_cost
        return Entry(
            stand=stand,
            week=week,
            month=None if week is None else month_of(week),
            term="" if week is None else _term(self.terms, week + THURSDAY),
            building=instrument.room.building,
            room=instrument.room.name,
            instrument=instrument.tag,
            use_class=instrument.use_class,
            service=kind,
            person=person.name if person else name,
            hours=exact,
            cost=None if rate is None else (exact * rate).quantize(HUNDREDTH, ROUND_HALF_UP),
            assumed=assumed,
        )


def _term(terms: Iterable[Term], day: date) -> str:
    return next((term.name for term in terms if term.first_day <= day <= term.last_day), "")
