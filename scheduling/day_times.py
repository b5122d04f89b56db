"""When in the week each planned visit stands, as far as the week has been laid out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import Subquery

from fleet.access import SiteQuerySet
from fleet.models import Site
from scheduling.models import Appointment, PlannedVisit, WeekPlan
from scheduling.week_overtaken import taken_otherwise


@dataclass(frozen=True)
class Sitting:
    """A stretch of work on one visit; aware instants."""

    starts_at: datetime
    ends_at: datetime


def planned_times(
    site: Site, monday: date, visits: Sequence[PlannedVisit]
) -> dict[int, list[Sitting]] | None:
    """Return the sittings of each visit by its number, None where nobody has laid out the week.

    The newest layout that follows the visits' own season plan counts.
    """
    times = take_from_layout(site, monday, visits)
    return times if times or _layouts(site, monday, visits).exists() else None


def layout_is_overtaken(site: Site, monday: date, visits: Sequence[PlannedVisit]) -> bool:
    """Return whether bookings or absences have changed since the layout that the times are from."""
    newest = _layouts(site, monday, visits).select_related("site").order_by("-number").first()
    return newest is not None and taken_otherwise(newest)


def take_from_layout(site: Site, monday: date, visits: Sequence[PlannedVisit]) -> dict[int, list[Sitting]]:
    """Return the sittings of each visit, and let it name, without storing it, whom the layout gives it to."""
    newest = _layouts(site, monday, visits).order_by("-number").values("pk")[:1]
    by_number = {visit.pk: visit for visit in visits}
    rows = Appointment.objects.filter(week_plan=Subquery(newest), visit__in=by_number)
    found: dict[int, list[Sitting]] = defaultdict(list)
    for row in rows.select_related("technician").order_by("starts_at"):
        found[row.visit_id].append(Sitting(row.starts_at, row.ends_at))
        if row.technician is not None:
            by_number[row.visit_id].technician = row.technician
    return dict(found)


def _layouts(site: Site, monday: date, visits: Sequence[PlannedVisit]) -> SiteQuerySet[WeekPlan]:
    plans = {visit.plan_id for visit in visits}
    return WeekPlan.objects.of_site(site).filter(week=monday, plan__in=plans)
