"""On which days the work is done, and what was offered and planned: a calendar of hours."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from django.http import QueryDict
from django.utils.translation import gettext as _

from fleet.models import Site
from fleet.weeks import monday_before, mondays, week_of
from reports.queries.hours import NONE, done_hours, laid_out_hours, planned_hours
from reports.queries.plans import plan_for
from reports.tables import Line, Sheet

BACK = timedelta(weeks=12)
WITHOUT_PLAN = timedelta(weeks=6)
LONGEST_WEEKS = 110
DAYS = 7
SHADES = 4


@dataclass(frozen=True)
class Day:
    """One day: hours done until today, laid out from then on [h]; None where nothing is known of it yet."""

    date: date
    hours: Decimal | None
    done: bool
    shade: int


@dataclass(frozen=True)
class Week:
    """One week's hours [h]; offered and planned are None where no plan covers it."""

    monday: date
    offered: Decimal | None
    planned: Decimal | None
    done: Decimal
    days: list[Day]
    now: bool


@dataclass(frozen=True)
class HoursLeaf:
    """Weeks from a first day to a last one, and what was asked where that could not be read."""

    first: date
    last: date
    weeks: list[Week]
    most: Decimal
    trouble: str = ""

    @property
    def total(self) -> Week:
        """All weeks together, weekday by weekday."""
        days = [
            Day(
                self.first,
                sum((week.days[place].hours or NONE for week in self.weeks), NONE),
                True,
                0,
            )
            for place in range(DAYS)
        ]
        offered = [week.offered for week in self.weeks if week.offered is not None]
        planned = [week.planned for week in self.weeks if week.planned is not None]
        return Week(
            self.first,
            sum(offered, NONE) if offered else None,
            sum(planned, NONE) if planned else None,
            sum((week.done for week in self.weeks), NONE),
            days,
            False,
        )

    @property
    def weekdays(self) -> list[date]:
        """Seven days whose names head the columns."""
        return [self.first + timedelta(days=place) for place in range(DAYS)]

    def figure(self) -> dict[str, Any] | None:
        """Return nothing: the table itself is shaded."""
        return None

    def sheet(self) -> Sheet:
        """Return week by week the hours of every day."""
        names = [f"{day:%a}".lower() + ", h" for day in self.weekdays]
        head: Line = ["week", "monday", "offered, h", "planned, h", "done, h", *names]
        lines: list[Line] = [
            [
                *(week_of(week.monday), week.monday, week.offered, week.planned, week.done),
                *(day.hours for day in week.days),
            ]
            for week in self.weeks
        ]
        return Sheet(_("calendar of hours"), [head, *lines])


def hours_leaf(site: Site, asked: QueryDict, today: date) -> HoursLeaf:
    """Add up the hours of the weeks asked for, or of those around the season in hand; seven queries."""
    first, last, trouble = _span(site, asked, today)
    number = (last - first).days // 7 + 1
    planned = planned_hours(site, first, number)
    done = _sum_by_day(done_hours(site, first, last))
    laid_out = laid_out_hours(site, max(first, today + timedelta(days=1)), last)
    known = {day: hours for day, hours in laid_out.items() if day > today} | {
        day: hours for day, hours in done.items() if day <= today
    }
    most = max(known.values(), default=NONE)
    weeks = [_week(monday, planned, done, known, most, today) for monday in mondays(first, number)]
    return HoursLeaf(first, last, weeks, most, trouble)


def _span(site: Site, asked: QueryDict, today: date) -> tuple[date, date, str]:
    plan = plan_for(site, today)
    first = monday_before(today) - BACK
    last = plan.start + timedelta(weeks=plan.weeks, days=-1) if plan else today + WITHOUT_PLAN
    if not (asked.get("from") or asked.get("to")):
        return first, monday_before(last) + timedelta(days=6), ""
    try:
        first = monday_before(date.fromisoformat(asked.get("from") or first.isoformat()))
        last = monday_before(date.fromisoformat(asked.get("to") or last.isoformat())) + timedelta(days=6)
    except (ValueError, OverflowError):
        return _usual(today, _("A day is written as 2026-11-25."))
    if not first <= last <= first + timedelta(weeks=LONGEST_WEEKS):
        return _usual(today, _("“To” has to lie after “From”, at most two years after it."))
    return first, last, ""


def _usual(today: date, trouble: str) -> tuple[date, date, str]:
    first = monday_before(today) - BACK
    return first, first + BACK + timedelta(days=6), trouble


def _sum_by_day(hours: dict[tuple[date, str], Decimal]) -> dict[date, Decimal]:
    found: dict[date, Decimal] = {}
    for (day, _kind), number in hours.items():
        found[day] = found.get(day, NONE) + number
    return found


def _week(
    monday: date,
    planned: Any,
    done: dict[date, Decimal],
    known: dict[date, Decimal],
    most: Decimal,
    today: date,
) -> Week:
    dates = [monday + timedelta(days=place) for place in range(DAYS)]
    days = [
        Day(day, known.get(day, NONE if day <= today else None), day <= today, _shade(known.get(day), most))
        for day in dates
    ]
    in_plan = monday in planned.offered
    kinds = [hours for (week, _kind), hours in planned.hours.items() if week == monday]
    return Week(
        monday,
        planned.offered.get(monday),
        sum(kinds, NONE) if in_plan else None,
        sum((done.get(day, NONE) for day in dates), NONE),
        days,
        monday == monday_before(today),
    )


def _shade(hours: Decimal | None, most: Decimal) -> int:
    """Return how dark a day is, 0 for none to 4 for the fullest."""
    if not hours or not most:
        return 0
    return min(SHADES, int(SHADES * hours / most) + 1)
