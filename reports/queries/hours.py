"""Hours offered, planned, laid out and done, added up in the database; to a hundredth, as in the budget."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from django.db.models import Count, Q

from fleet.models import Service, ServiceRule, Site
from fleet.weeks import monday_before
from reports.budget.ledger import hundredths
from scheduling.models import Appointment, PlannedVisit, WeekPlan
from scheduling.plans_ahead import plans_by_week

NONE = Decimal(0)
ByDay = dict[tuple[date, str], Decimal]


def done_hours(site: Site, first: date, last: date) -> ByDay:
    """Return the hours of services recorded from one day to another, by day and kind; two queries.

    A service counts with its minutes, else with the usual hours of its kind and use.
    """
    rules = ServiceRule.objects.of_site(site)
    usual = {
        (kind, use): hours
        for kind, use, hours in rules.values_list("service_kind__kind", "use_class", "hours")
    }
    rows = (
        Service.objects.of_site(site)
        .filter(date__gte=first, date__lte=last)
        .order_by()
        .values_list("date", "kind", "minutes", "instrument__use_class")
        .annotate(Count("pk"))
    )
    found: ByDay = defaultdict(Decimal)
    for day, kind, minutes, use, number in rows:
        hours = usual.get((kind, use), 0.0) if minutes is None else minutes / 60
        found[day, kind] += number * hundredths(hours)
    return found


@dataclass(frozen=True)
class Planned:
    """Hours planned by Monday and kind, and those offered by Monday."""

    hours: ByDay
    offered: dict[date, Decimal]


def planned_hours(site: Site, first: date, weeks: int) -> Planned:
    """Return the hours of the plans in force in so many weeks from a Monday on; two queries."""
    plans = plans_by_week(site, first, weeks)
    wanted = Q(pk__in=[])
    for plan in set(plans.values()):
        wanted |= Q(plan=plan, week__in=[week for week, one in plans.items() if one == plan])
    rows = (
        PlannedVisit.objects.filter(wanted)
        .order_by()
        .values_list("week", "kind", "hours")
        .annotate(Count("pk"))
    )
    found: ByDay = defaultdict(Decimal)
    for week, kind, hours, number in rows:
        found[week, kind] += number * hundredths(hours)
    offered = {
        week: hundredths(plan.hours_offered[(week - plan.start).days // 7]) for week, plan in plans.items()
    }
    return Planned(found, offered)


def laid_out_hours(site: Site, first: date, last: date) -> dict[date, Decimal]:
    """Return the hours laid out from one day to another, by day on the site's wall; two queries."""
    weeks = WeekPlan.objects.of_site(site).filter(week__gte=monday_before(first), week__lte=last)
    newest = dict(weeks.order_by("week", "number").values_list("week", "pk"))
    rows = Appointment.objects.filter(week_plan__in=newest.values()).values_list("starts_at", "ends_at")
    found: dict[date, Decimal] = defaultdict(Decimal)
    for begins, ends in rows:
        found[site.local_date(begins)] += hundredths((ends - begins) / timedelta(hours=1))
    return found


def by_week(hours: Mapping[tuple[date, str], Decimal]) -> ByDay:
    """Add up days to weeks."""
    found: ByDay = defaultdict(Decimal)
    for (day, kind), number in hours.items():
        found[monday_before(day), kind] += number
    return found
