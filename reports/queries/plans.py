"""Which season plan a page shows, and which of its weeks."""

from __future__ import annotations

from datetime import date

from fleet.models import Site
from fleet.weeks import monday_before
from scheduling.models import SeasonPlan
from scheduling.planning import current_plan


def plan_for(site: Site, day: date) -> SeasonPlan | None:
    """Return the plan people work by in the week of a day, else the next to begin, approved ones first."""
    covering = current_plan(site, monday_before(day))
    if covering is not None:
        return covering
    coming = SeasonPlan.objects.of_site(site).filter(start__gt=day).order_by("start", "-made_at", "-pk")
    return coming.filter(state=SeasonPlan.State.APPROVED).first() or coming.first()


def week_number(plan: SeasonPlan, monday: date) -> int | None:
    """Return which of the plan's weeks a Monday begins, counted from 0, or None outside it."""
    number = (monday - plan.start).days // 7
    return number if 0 <= number < plan.weeks else None
