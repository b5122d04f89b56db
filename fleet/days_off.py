"""Days on which nobody of a site works: its country's holidays less those worked, and days of its own.

The holidays are those of the `holidays` library; where the house keeps other days, it says so day by day.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

import holidays
from holidays import registry

from fleet.models import DayOff, Site
from fleet.refusal import Refused

LANGUAGE = "en_US"
# The library's calendars reach from here to there; beyond them no holiday is known.
YEARS = range(1990, 2100)


@dataclass(frozen=True)
class Day:
    """A day that is or would be off, and how that comes about."""

    day: date
    name: str
    free: bool
    by_calendar: bool
    own: DayOff | None = None


@lru_cache
def countries() -> dict[str, str]:
    """Return the countries whose holidays are known, ISO 3166-1 code to name, by name."""
    known = holidays.list_supported_countries(include_aliases=False)
    names = {entry[1]: _words(entry[0]) for entry in registry.COUNTRIES.values()}
    return {
        code: names[code]
        for code in sorted(known, key=lambda code: names.get(code, code))
        if code in names and len(code) == 2
    }


def subdivisions(country: str) -> list[str]:
    """Return the parts of a country with holidays of their own, ISO 3166-2 without the country."""
    return list(holidays.list_supported_countries(include_aliases=False).get(country, []))


def check_calendar(country: str, subdivision: str) -> None:
    """Refuse a country or part of it whose holidays are not known.

    Raises
    ------
    Refused
        Which says what is known.
    """
    if not country and subdivision:
        raise Refused("a part without its country", column="holiday_subdivision", value=subdivision)
    if country and country not in countries():
        raise Refused(
            "no holidays are known of it",
            column="holiday_country",
            value=country,
            accepted="an ISO 3166-1 code of two letters, such as AT",
        )
    if subdivision and subdivision not in subdivisions(country):
        parts = ", ".join(subdivisions(country)) or "none"
        raise Refused(
            "no such part of the country",
            column="holiday_subdivision",
            value=subdivision,
            accepted=f"one of {parts}",
        )


def days(site: Site, first: date, last: date) -> list[Day]:
    """Return public holidays and days of the site's own from one day to another, by day."""
    own = {row.day: row for row in DayOff.objects.of_site(site).filter(day__gte=first, day__lte=last)}
    known = _calendar(site, first, last)
    return [
        Day(
            day=day,
            name=(own[day].name if day in own and own[day].name else "") or known.get(day, "day off"),
            free=own[day].free if day in own else True,
            by_calendar=day in known,
            own=own.get(day),
        )
        for day in sorted({*own, *known})
    ]


def free_days(site: Site, first: date, last: date) -> dict[date, str]:
    """Return the days on which nobody works, from one day to another, with their names."""
    return {one.day: one.name for one in days(site, first, last) if one.free}


def _calendar(site: Site, first: date, last: date) -> dict[date, str]:
    found: dict[date, str] = {}
    for year in range(first.year, last.year + 1):
        if site.holiday_country in countries() and year in YEARS:
            found |= _holidays(site.holiday_country, site.holiday_subdivision, year)
    return {day: name for day, name in found.items() if first <= day <= last}


@lru_cache(maxsize=512)
def _holidays(country: str, subdivision: str, year: int) -> Mapping[date, str]:
    # A part that a later release of the library calls otherwise is as the whole country.
    part = subdivision if subdivision in subdivisions(country) else None
    options: dict[str, Any] = {"subdiv": part, "years": year}
    if LANGUAGE in holidays.list_localized_countries().get(country, []):
        options["language"] = LANGUAGE
    found = holidays.country_holidays(country, **options)
    return {day: name for day, name in found.items() if day.year == year}


def _words(name: str) -> str:
    """Write the name of a class as words."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
