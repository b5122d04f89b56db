"""ISO weeks as people and files write them: ``2027-W05``."""

from __future__ import annotations

import re
from datetime import date, timedelta

_WEEK = re.compile(r"(\d{4})-W(\d{2})")
# From the oldest instruments on, and far from either end of the calendar, beyond which there are no weeks.
YEARS = range(1400, 3000)


def monday_of(week: str) -> date:
    """Return the Monday of an ISO week.

    Raises
    ------
    ValueError
        Where the text is not a week or the year has no such week.
    """
    found = _WEEK.fullmatch(week.strip())
    if not found:
        raise ValueError(f"{week!r} is not a week: expected a form like 2027-W05")
    year, number = int(found[1]), int(found[2])
    if year not in YEARS:
        raise ValueError(f"{week!r} is out of range: expected a year from {YEARS[0]} to {YEARS[-1]}")
    try:
        return date.fromisocalendar(year, number, 1)
    except ValueError:
        raise ValueError(f"{week!r}: the year {year} has no week {number}") from None


def week_of(day: date) -> str:
    """Return the ISO week in which a day lies, such as ``2026-W53``."""
    year, number, _ = day.isocalendar()
    return f"{year:04d}-W{number:02d}"


def monday_before(day: date) -> date:
    """Return the Monday of the week in which a day lies."""
    return day - timedelta(days=day.weekday())


def mondays(start: date, weeks: int) -> list[date]:
    """Return the Mondays of so many weeks from a first Monday on."""
    return [start + timedelta(weeks=number) for number in range(weeks)]
