"""When in the week each planned visit stands, as far as the week has been laid out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from fleet.models import Site
from scheduling.models import Appointment, PlannedVisit, WeekPlan


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
    week = _newest(site, monday, visits)
    if week is None:
        return None
    found: dict[int, list[Sitting]] = defaultdict(list)
    rows = Appointment.objects.filter(week_plan=week, visit__in=[visit.pk for visit in visits])
    for visit, starts, ends in rows.order_by("starts_at").values_list("visit_id", "starts_at", "ends_at"):
        found[visit].append(Sitting(starts, ends))
    return dict(found)


def give_to_those_who_do_them(site: Site, monday: date, visits: Sequence[PlannedVisit]) -> None:
    """Let each visit name, without storing it, whom the layout of its week gives it to."""
    week = _newest(site, monday, visits)
    if week is None:
        return
    rows = Appointment.objects.filter(week_plan=week).exclude(technician=None).select_related("technician")
    who = {row.visit_id: row.technician for row in rows}
    for visit in visits:
        visit.technician = who.get(visit.pk, visit.technician)


def _newest(site: Site, monday: date, visits: Sequence[PlannedVisit]) -> WeekPlan | None:
    plans = {visit.plan_id for visit in visits}
    rows = WeekPlan.objects.of_site(site).filter(week=monday, plan__in=plans)
    return rows.order_by("-number").first()
