"""The hours letter: what an administrator should know of last week's and this week's hours and money."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from django.utils.formats import get_format
from django.utils.translation import gettext as _

from fleet.models import Person, Site
from scheduling.drafts import Draft, draft
from scheduling.due_work import hours_in_words
from scheduling.hours_report import Rates, WeekHours, by_person, put_off_sum, week_hours
from scheduling.letter_choices import HOURS

MOST_MISSED = 12


def compose(site: Site, monday: date, today: date, to: Collection[int]) -> list[Draft]:
    """Return the hours letters of a week to these people; none where nothing is planned, done or put off."""
    people = list(Person.objects.filter(site=site, pk__in=to).order_by("name"))
    if not people:
        return []
    context = _context(site, monday)
    if not (context["this"].plan or context["last"].plan or context["last"].services):
        return []
    items = [_item(week, site) for week in (context["last"], context["this"])]
    for person in people:
        person.site = site
    return [draft(HOURS, person, monday, context, items=items) for person in people]


def _context(site: Site, monday: date) -> dict[str, Any]:
    rates = Rates(site)
    last, this = (week_hours(site, day, rates) for day in (monday - timedelta(days=7), monday))
    return {
        "last": last,
        "this": this,
        "people": [(one, _money(one.cost, site)) for one in by_person(this.planned_visits, rates)],
        "hours": hours_in_words(float(this.planned)),
        "costs": {
            "last_planned": _money(last.planned_cost, site),
            "last_done": _money(last.done_cost, site),
            "this_planned": _money(this.planned_cost, site),
        },
        "no_cost": this.planned_cost is None or last.done_cost is None,
        "missed": last.missed[:MOST_MISSED],
        "more_missed": max(len(last.missed) - MOST_MISSED, 0),
        "put_off": put_off_sum(this.plan),
    }


def _money(amount: Decimal | None, site: Site) -> str:
    """Return an amount with its currency, a word where it is not known."""
    if amount is None:
        return _("not known")
    point = str(get_format("DECIMAL_SEPARATOR"))
    number = f"{amount:,.2f}".translate({ord(","): "\N{NARROW NO-BREAK SPACE}", ord("."): point})
    return f"{number}\N{NO-BREAK SPACE}{site.currency}"


def _item(week: WeekHours, site: Site) -> dict[str, Any]:
    """Return a week's figures as the letter's row keeps them."""
    return {
        "week_of": week.monday.isoformat(),
        "hours_offered": week.offered,
        "hours_planned": float(week.planned),
        "hours_done": float(week.done),
        "visits": week.visits,
        "visits_kept": week.kept,
        "services": week.services,
        "currency": site.currency,
        "cost_planned": None if week.planned_cost is None else str(week.planned_cost),
        "cost_done": None if week.done_cost is None else str(week.done_cost),
        "hour_worth": week.hour_worth,
    }
