"""Reads a laid out week against the rules as the trade states them; shares no code with the planner.

Only the attributes of the week and of its sittings are used. Times are quarter hours, and every figure below
is written out again from the rules: common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import combinations, pairwise
from typing import Any

QUARTERS_OF_TWO_HOURS, QUARTERS_OF_FOUR_HOURS, REST, WAY = 8, 16, 2, 1


def broken(week: Any, sittings: Any) -> list[str]:
    """Return every rule that a layout breaks, in words; none is what is wanted."""
    found: list[str] = []
    by_visit = defaultdict(list)
    for one in sorted(sittings, key=lambda one: one.first):
        by_visit[one.visit].append(one)
    for number, mine in by_visit.items():
        found += _visit(week, number, mine)
    for one, other in combinations(sittings, 2):
        found += _pair(week, one, other)
    for person in range(len(week.workers)):
        found += _person(week, person, [one for one in sittings if one.person == person])
    for number in by_visit:
        visit = week.visits[number]
        found += [f"{visit.label} without what it needs" for other in visit.needs if other not in by_visit]
        if visit.beside in by_visit:
            mine, theirs = by_visit[number], by_visit[visit.beside]
            days = {_day(week, one.first) for one in theirs}
            if mine[0].person != theirs[0].person or _day(week, mine[0].first) not in days:
                found.append(f"{visit.label} is short, yet the action is not out")
        for other in visit.after:
            if other in by_visit and by_visit[other][-1].last > by_visit[number][0].first:
                found.append(f"{visit.label} begins before {week.visits[other].label} is done")
    return found


def _visit(week: Any, number: int, mine: Any) -> list[str]:
    visit, found = week.visits[number], []
    if tuple(one.last - one.first for one in mine) != visit.sittings:
        found.append(f"{visit.label}: not its sittings")
    if [one.number for one in mine] != list(range(len(mine))):
        found.append(f"{visit.label}: sittings out of order")
    if len({one.person for one in mine}) != 1 or mine[0].person not in visit.people:
        found.append(f"{visit.label}: people")
    if visit.held and visit.planned is not None and mine[0].person != visit.planned:
        found.append(f"{visit.label}: held, yet another person")
    for one in mine:
        worker = week.workers[one.person]
        quarters = set(range(one.first, one.last))
        if not any(set(range(shift.first, shift.last)) >= quarters for shift in worker.shifts):
            found.append(f"{visit.label}: outside the hours of {worker.name}")
        for span in (*worker.lunches, *worker.away, *(closed.span for closed in visit.closed)):
            if quarters & set(range(span.first, span.last)):
                found.append(f"{visit.label}: at a closed time")
        if visit.concert and not (visit.concert.first <= one.first and one.last <= visit.concert.last):
            found.append(f"{visit.label}: not within 48 hours before the performance")
        if one.first < week.begins:
            found.append(f"{visit.label}: in the past")
    for earlier, later in pairwise(mine):
        if later.first - earlier.last < visit.wait:
            found.append(f"{visit.label}: not dry")
    return found


def _pair(week: Any, one: Any, other: Any) -> list[str]:
    a, b = week.visits[one.visit], week.visits[other.visit]
    apart = max(one.first, other.first) - min(one.last, other.last)
    found = []
    if apart < 0 and one.person == other.person:
        found.append(f"{a.label} and {b.label}: two things at a time")
    if apart < 0 and a.instrument == b.instrument:
        found.append(f"{a.label} and {b.label}: two people on an instrument")
    if apart < 0 and a.room == b.room and (a.listens or b.listens):
        found.append(f"{a.label} and {b.label}: no quiet in the room")
    if apart < WAY and one.person == other.person and week.buildings[a.room] != week.buildings[b.room]:
        found.append(f"{a.label} and {b.label}: no time for the way")
    return found


def _person(week: Any, person: int, mine: Any) -> list[str]:
    worker, found = week.workers[person], []
    if sum(week.visits[number].minutes for number in {one.visit for one in mine}) > worker.minutes:
        found.append(f"{worker.name}: more than the hours offered")
    listening = sorted((one.first, one.last) for one in mine if week.visits[one.visit].tires)
    for first, last in listening:
        if last - first > QUARTERS_OF_TWO_HOURS:
            found.append(f"{worker.name}: more than two hours of voicing at a stretch")
    for earlier, later in pairwise(listening):
        if later[0] - earlier[1] < REST:
            found.append(f"{worker.name}: no rest between two stretches of voicing")
    for first, last in pairwise(week.days):
        if sum(end - begin for begin, end in listening if first <= begin < last) > QUARTERS_OF_FOUR_HOURS:
            found.append(f"{worker.name}: more than four hours of voicing in a day")
    return found


def points(week: Any, sittings: Any) -> int:
    """Return the price of a layout, added up from its description in the planner's own docstrings."""
    total = 0
    placed = {one.visit for one in sittings}
    for number, visit in enumerate(week.visits):
        concert_day = _day(week, visit.concert.last - 1) if visit.concert else None
        if number not in placed:
            total += min(max(round(100 * visit.worth), 200), 50_000)
            total += 10_000_000 if visit.held else 0
            total += 1_000_000 + 60_000 * (6 - concert_day) if concert_day is not None else 0
            continue
        mine = [one for one in sittings if one.visit == number]
        days = sorted({_day(week, one.first) for one in mine})
        total += 60 if visit.planned is not None and mine[0].person != visit.planned else 0
        total += 0 if visit.wait else 8 * (len(days) - 1)
        if concert_day is not None:
            total += 3 * max(concert_day - days[-1], 0)
        else:
            total += days[-1] * (1 if visit.plays_on is None else 4)
    rounds = defaultdict(list)
    for one in sorted(sittings, key=lambda one: one.first):
        rounds[one.person, _day(week, one.first)].append(week.visits[one.visit].room)
    for rooms in rounds.values():
        houses = [week.buildings[room] for room in rooms]
        total += 10 + 10 * sum(a != b for a, b in pairwise(rooms))
        total += 30 + 30 * sum(a != b for a, b in pairwise(houses))
    return total


def _day(week: Any, slot: int) -> int:
    return max(day for day in range(7) if week.days[day] <= slot)
