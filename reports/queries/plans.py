"""Which season plan a page shows, and which of its weeks."""

from __future__ import annotations

from datetime import date

from fleet.models import Site
from fleet.weeks import monday_before
from scheduling.models import SeasonPlan
from scheduling.planning import current_plan, current_plan_number


def plan_for(site: Site, day: date) -> SeasonPlan | None:
    """Return the plan people work by in the week of a day, else the next to begin, approved ones first."""
    return current_plan(site, monday_before(day)) or _coming(site, day)


def plan_number_for(site: Site, day: date) -> int | None:
    """Return the number of that plan, for whoever needs nothing else of it."""
    number = current_plan_number(site, monday_before(day))
    if number is not None:
        return number
    coming = _coming(site, day)
    return coming.pk if coming else None


def _coming(site: Site, day: date) -> SeasonPlan | None:
    coming = SeasonPlan.objects.of_site(site).filter(start__gt=day).order_by("start", "-made_at", "-pk")
    return coming.filter(state=SeasonPlan.State.APPROVED).first() or coming.first()


def week_number(plan: SeasonPlan, monday: date) -> int | None:
    """Return which of the plan's weeks a Monday begins, counted from 0, or None outside it."""
    number = (monday - plan.start).days // 7
    return number if 0 <= number < plan.weeks else None
