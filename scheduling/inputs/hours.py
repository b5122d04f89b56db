"""The hours people offer in each week: their own less absences and reserve, or a given total shared out."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from fleet.days_off import free_days
from fleet.models import Absence, Person, Role, ServiceRule, Site
from scheduling.engine.subjects import Floats


@dataclass(frozen=True)
class HoursOffered:
    """Hours by person and week; a single None among the people is somebody whose name nobody has stored."""

    people: tuple[Person | None, ...]
    hours: Floats

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the people, empty for the unnamed one."""
        return tuple(person.name if person else "" for person in self.people)

    def able(self, kind: str) -> tuple[int, ...]:
        """Indices of the people who do a kind of service."""
        return tuple(n for n, person in enumerate(self.people) if person is None or person.can_do(kind))


ROUNDING = 1e-9  # h
# A person, and the first and last day they are away.
Away = tuple[int, date, date]


def hours_offered(
    site: Site,
    mondays: Sequence[date],
    today: date,
    total: float | None = None,
    also_away: Sequence[Away] = (),
) -> HoursOffered | None:
    """Return the hours of a site's technicians in each week, or None where there is nobody to offer any.

    Without a total everybody offers their own hours less the working days they are away, and the site's
    reserve comes off as near to proportion as leaves everybody hours for whole visits. A total is for all
    people together: it is shared in proportion to the hours each has that week after absences, so it stays
    whole while anybody is there. Technicians without hours of their own share a total evenly where nobody has
    hours; with no technician at all it belongs to one unnamed person. A week that ended before today offers
    nothing. Who is also away is so beside the absences stored.
    """
    people = list(Person.objects.of_site(site).filter(role=Role.TECHNICIAN).order_by("name"))
    own = np.array([person.hours_per_week or 0.0 for person in people])
    if not own.any() and total is None:
        return None
    if not people:
        return HoursOffered((None,), np.full((1, len(mondays)), total) * _to_come(mondays, today))
    if not own.any():
        own = np.ones(len(people))
    present = own[:, None] * _presence(site, people, mondays, also_away)
    hours = _share(present, total) if total is not None else _less_reserve(site, people, present)
    kept = own > 0
    return HoursOffered(
        tuple(person for person, keep in zip(people, kept, strict=True) if keep),
        (hours * _to_come(mondays, today))[kept],
    )


def with_more(offered: HoursOffered, more: Floats, measures: Floats | None = None) -> HoursOffered:
    """Return the hours with more, or fewer below zero, in each week, shared in proportion; never below none.

    Where the measures of everybody's visits are given, in whole visits as near to proportion as can be. A
    week in which nobody is there stays empty, and one that does not change is as it was.
    """
    wanted = np.maximum(offered.hours.sum(axis=0) + more, 0.0)
    hours = _scaled(offered.hours, wanted)
    if measures is not None:
        hours = in_whole_visits(hours, np.where(hours > 0, np.inf, 0.0), measures)
    return HoursOffered(offered.people, np.where(more == 0, offered.hours, hours))


def _to_come(mondays: Sequence[date], today: date) -> Floats:
    return np.array([1.0 if monday + timedelta(days=7) > today else 0.0 for monday in mondays])


def _presence(
    site: Site, people: Sequence[Person], mondays: Sequence[date], also_away: Sequence[Away]
) -> Floats:
    """Share of each person's working days that they are there, by week; nobody is on the site's days off."""
    away = defaultdict(list)
    absences = Absence.objects.of_site(site).filter(
        last_day__gte=mondays[0], first_day__lt=mondays[-1] + timedelta(days=7)
    )
    for person_id, first, last in absences.values_list("person_id", "first_day", "last_day"):
        away[person_id].append((first, last))
    for person_id, first, last in also_away:
        away[person_id].append((first, last))
    off = free_days(site, mondays[0], mondays[-1] + timedelta(days=6))
    share = np.zeros((len(people), len(mondays)))
    for row, person in enumerate(people):
        for column, monday in enumerate(mondays):
            days = [monday + timedelta(days=number) for number in person.working_days]
            spans = away[person.pk]
            there = [day for day in days if day not in off and not any(a <= day <= b for a, b in spans)]
            share[row, column] = len(there) / len(days) if days else 0.0
    return share


def _share(present: Floats, total: float) -> Floats:
    return _scaled(present, np.full(present.shape[1], total))


def _less_reserve(site: Site, people: Sequence[Person], present: Floats) -> Floats:
    rest = _scaled(present, np.maximum(present.sum(axis=0) - site.reserve_hours, 0.0))
    measures = visit_measures(site, people) if site.reserve_hours and len(people) > 1 else None
    return rest if measures is None else in_whole_visits(rest, present, measures)


def visit_measures(site: Site, people: Sequence[Person | None]) -> Floats | None:
    """Return, for each person, the length [h] of which all visits they can make are multiples, shape (P,).

    None where the usual hours of some service are not whole minutes, since then there is no use in it.
    """
    rows = ServiceRule.objects.of_site(site).values_list("service_kind__kind", "hours").distinct()
    minutes = [(kind, round(60 * hours), 60 * hours) for kind, hours in rows]
    if not minutes or any(abs(whole - exact) > 1e-6 for _, whole, exact in minutes):
        return None
    every = math.gcd(*(whole for _, whole, _ in minutes))
    able = [
        math.gcd(*(whole for kind, whole, _ in minutes if person is None or person.can_do(kind))) or every
        for person in people
    ]
    return np.array(able) / 60


def in_whole_visits(hours: Floats, most: Floats, measures: Floats) -> Floats:
    """Share each week's hours anew so that as few as can be are too short a rest for any visit.

    Parameters
    ----------
    hours, most : array, shape (P, W)
        Hours of each person and week, and the most the person has [h].
    measures : array, shape (P,)
        Length of which every visit of each person is a multiple [h].

    Returns
    -------
    array, shape (P, W)
        With the same sum in every week. Everybody keeps the multiple below their share; what is left goes out
        multiple by multiple to the largest remainders, as seats do by Hamilton's method, and a rest shorter
        than that to whoever has room for it.
    """
    whole = np.floor(hours / measures[:, None] + ROUNDING) * measures[:, None]
    return np.column_stack(
        [_handed_out(*columns, measures) for columns in zip(hours.T, whole.T, most.T, strict=True)]
    )


def _handed_out(hours: Floats, whole: Floats, most: Floats, measures: Floats) -> Floats:
    """Hand out one week's rest; ``whole`` is what everybody has already."""
    shared = whole.copy()
    left = float(hours.sum() - whole.sum())
    order = [int(person) for person in np.argsort((whole - hours) / measures, kind="stable")]
    for person in order:
        if measures[person] <= min(left, most[person] - shared[person]) + ROUNDING:
            shared[person] += measures[person]
            left -= measures[person]
    for person in order:
        more = max(min(left, most[person] - shared[person]), 0.0)
        shared[person] += more
        left -= more
    return shared


def _scaled(present: Floats, wanted: Floats) -> Floats:
    """Scale each week to a sum; a week without anybody stays empty."""
    week: Floats = present.sum(axis=0)
    factor: Floats = np.divide(wanted, week, out=np.zeros_like(week), where=week > 0)
    return present * factor
