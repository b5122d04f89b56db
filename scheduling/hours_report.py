"""Hours of a week in figures: offered, planned, done and put off, with what they cost, to the cent."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal

from django.db.models import Count, Sum

from fleet.models import Person, Service, ServiceRule, Site
from scheduling.models import PlannedVisit, PutOff, SeasonPlan
from scheduling.planning import current_plan

HUNDREDTH = Decimal("0.01")
DEAREST = 5


@dataclass(frozen=True)
class WeekHours:
    """One week; hours in [h], money in the site's currency, None where some hour has no cost."""

    monday: date
    plan: SeasonPlan | None
    offered: float | None
    planned: Decimal
    visits: int
    planned_cost: Decimal | None
    done: Decimal
    services: int
    done_cost: Decimal | None
    without_minutes: int
    kept: int
    planned_visits: list[PlannedVisit]
    missed: list[PlannedVisit]
    hour_worth: float | None

    @property
    def unplanned(self) -> int:
        """Services recorded that no visit of the week had foreseen."""
        return self.services - self.kept


@dataclass(frozen=True)
class PersonHours:
    """One technician's hours of a week [h] and what they cost."""

    name: str
    visits: int
    hours: Decimal
    cost: Decimal | None


@dataclass(frozen=True)
class PutOffSum:
    """What a plan leaves undone."""

    services: int
    days_out: float
    dearest: list[PutOff]


class Rates:
    """What an hour of each person costs: the person's own cost, else the site's, else nothing known."""

    def __init__(self, site: Site) -> None:
        self.of_site = site.hour_cost
        people = list(Person.objects.filter(site=site).only("name", "hour_cost"))
        self.by_id = {person.pk: person.hour_cost for person in people}
        self.by_name = {person.name: person.hour_cost for person in people}

    def of_person(self, pk: int | None) -> Decimal | None:
        """Return the cost of an hour of a planned visit."""
        own = self.by_id.get(pk) if pk else None
        return own if own is not None else self.of_site

    def of_name(self, name: str) -> Decimal | None:
        """Return the cost of an hour of a record, which names its technician as it was written."""
        own = self.by_name.get(name)
        return own if own is not None else self.of_site


def hundredths(hours: float) -> Decimal:
    """Return hours rounded half up to a hundredth, from the shortest decimal that means the float."""
    return Decimal(repr(float(hours))).quantize(HUNDREDTH, ROUND_HALF_UP)


def cost_of(hours: Iterable[tuple[Decimal, Decimal | None]]) -> Decimal | None:
    """Return the cost of hours at their rates, each rounded to the cent; None where a rate is not known."""
    total = Decimal("0.00")
    for number, rate in hours:
        if rate is None:
            return None
        total += (number * rate).quantize(HUNDREDTH, ROUND_HALF_UP)
    return total


def _planned(visits: Iterable[PlannedVisit], rates: Rates) -> list[tuple[Decimal, Decimal | None]]:
    return [(hundredths(visit.hours), rates.of_person(visit.technician_id)) for visit in visits]


def _sum(hours: Iterable[tuple[Decimal, Decimal | None]]) -> Decimal:
    return sum((number for number, _ in hours), Decimal("0.00"))


def week_hours(site: Site, monday: date, rates: Rates) -> WeekHours:
    """Return the figures of one week."""
    plan = current_plan(site, monday)
    visits = list(
        PlannedVisit.objects.filter(plan=plan, week=monday).select_related("instrument__room", "technician")
        if plan
        else ()
    )
    services = list(
        Service.objects.with_answers()
        .of_site(site)
        .filter(date__gte=monday, date__lt=monday + timedelta(days=7))
        .select_related("instrument")
    )
    usual = _usual_hours(site)
    worked = [(_hours(service, usual), rates.of_name(service.technician)) for service in services]
    planned = _planned(visits, rates)
    done = {(service.instrument_id, service.kind) for service in services if service.answers}
    missed = [visit for visit in visits if (visit.instrument_id, visit.kind) not in done]
    number = (monday - plan.start).days // 7 if plan else 0
    return WeekHours(
        monday=monday,
        plan=plan,
        offered=plan.hours_offered[number] if plan else None,
        planned=_sum(planned),
        visits=len(visits),
        planned_cost=cost_of(planned),
        done=_sum(worked),
        services=len(services),
        done_cost=cost_of(worked),
        without_minutes=sum(service.minutes is None for service in services),
        kept=len(visits) - len(missed),
        planned_visits=visits,
        missed=missed,
        hour_worth=plan.hour_worth[number] if plan else None,
    )


def _hours(service: Service, usual: dict[tuple[str, str], float]) -> Decimal:
    """Return the hours of a record, the usual ones of its kind where it names no minutes."""
    if service.minutes is not None:
        return hundredths(service.minutes / 60)
    return hundredths(usual.get((service.kind, service.instrument.use_class), 0.0))


def _usual_hours(site: Site) -> dict[tuple[str, str], float]:
    rules = ServiceRule.objects.of_site(site).values_list("service_kind__kind", "use_class", "hours")
    return {(kind, use): hours for kind, use, hours in rules}


def by_person(visits: Sequence[PlannedVisit], rates: Rates) -> list[PersonHours]:
    """Return the hours of visits by technician, in the order of names; nobody's come last."""
    groups: dict[tuple[bool, str], list[PlannedVisit]] = defaultdict(list)
    for visit in visits:
        name = visit.technician.name if visit.technician else ""
        groups[not name, name].append(visit)
    return [
        PersonHours(name, len(own), _sum(_planned(own, rates)), cost_of(_planned(own, rates)))
        for (_, name), own in sorted(groups.items(), key=lambda one: one[0])
    ]


def put_off_sum(plan: SeasonPlan | None) -> PutOffSum | None:
    """Return what a plan leaves undone, None without a plan."""
    if plan is None:
        return None
    rows = PutOff.objects.filter(plan=plan)
    sums = rows.aggregate(services=Count("pk"), days=Sum("expected_days_out"))
    dearest = list(rows.select_related("instrument__room").order_by("-cost", "pk")[:DEAREST])
    return PutOffSum(sums["services"], sums["days"] or 0.0, dearest)
