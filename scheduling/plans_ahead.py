"""The visits of the coming weeks, each week from the plan that people work by then."""

from __future__ import annotations

from datetime import date, timedelta

from fleet.models import Site
from fleet.weeks import mondays
from scheduling.models import PlannedVisit, SeasonPlan
from scheduling.planning import MOST_WEEKS

RANKED = (SeasonPlan.State.APPROVED, SeasonPlan.State.REPLACED, SeasonPlan.State.DRAFT)


def plans_by_week(site: Site, monday: date, weeks: int) -> dict[date, SeasonPlan]:
    """Return the plan of each week as :func:`scheduling.planning.current_plan` would, in one query.

    A week that went by under a plan since replaced keeps that plan, for whoever looks back.
    """
    last = monday + timedelta(weeks=weeks - 1)
    covering = SeasonPlan.objects.of_site(site).filter(
        start__lte=last, start__gt=monday - timedelta(weeks=MOST_WEEKS)
    )
    plans = list(covering.only("start", "weeks", "state", "approved_at", "made_at", "hours_offered"))
    plans.sort(key=lambda plan: (plan.approved_at or plan.made_at, plan.pk), reverse=True)
    ranked = [plan for state in RANKED for plan in plans if plan.state == state]
    found = {}
    for week in mondays(monday, weeks):
        for plan in ranked:
            if plan.start <= week < plan.start + timedelta(weeks=plan.weeks):
                found[week] = plan
                break
    return found


def visits_ahead(site: Site, monday: date, weeks: int) -> tuple[list[SeasonPlan], list[PlannedVisit]]:
    """Return the plans of the weeks, this week's first, and the visits that stand in them by week."""
    by_week = plans_by_week(site, monday, weeks)
    plans = list(dict.fromkeys(by_week.values()))
    rows = PlannedVisit.objects.filter(plan__in=plans, week__in=by_week).select_related(
        "instrument__room", "technician", "plan"
    )
    rows = rows.order_by("week", "instrument__tag", "kind")
    return plans, [visit for visit in rows if by_week[visit.week].pk == visit.plan_id]
