"""What moving a visit to another week would do: days out, hours, rules it breaks, said before it is done."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

from django.db.models import Sum

from fleet.models import Person
from fleet.weeks import monday_before, mondays
from scheduling.engine.said import On, Term, worded
from scheduling.line_costs import PlanLine, read_lines
from scheduling.models import PlannedVisit, SeasonPlan
from scheduling.shared_hours import Shares, saved

SLACK_HOURS = 1e-6
Nobody = None


@dataclass(frozen=True)
class Effect:
    """What one visit in another week means.

    ``cost_change`` is in weighted days, None where the plan's costs are no longer kept; ``over`` the hours
    that the person, or where people are not known everybody, would then lack in that week; ``broken`` the
    rules in words.
    """

    week: date
    cost_change: float | None
    technician_id: int | None
    over: float
    left: float
    broken: tuple[str, ...]


class PlanHours:
    """Hours offered and used in a plan by person and week [h]; week 1 is the first."""

    def __init__(self, plan: SeasonPlan, used: Iterable[tuple[int | None, date, float]] = ()) -> None:
        self.plan = plan
        self.offered: dict[int | None, list[float]] = {
            person: hours for person, hours in plan.hours_by_person
        } or {Nobody: plan.hours_offered}
        self.used: dict[tuple[int | None, int], float] = defaultdict(float)
        for technician, monday, hours in used:
            self.add(technician, week_in(plan, monday), hours)

    @classmethod
    def of_plan(cls, plan: SeasonPlan) -> PlanHours:
        """Read the hours of all visits of a plan, added up by the database."""
        used = plan.visits.order_by().values_list("technician", "week").annotate(Sum("hours"))
        return cls(plan, used)

    def _owner(self, technician: int | None) -> int | None:
        return technician if technician in self.offered else Nobody

    def add(self, technician: int | None, week: int, hours: float) -> None:
        """Use hours of a person, or of everybody where people are not known, in a week."""
        self.used[self._owner(technician), week] += hours

    def left(self, technician: int | None, week: int) -> float:
        """Hours a person has left in a week, below zero where more is planned than offered."""
        owner = self._owner(technician)
        hours = self.offered.get(owner)
        return (hours[week - 1] if hours else 0.0) - self.used[owner, week]

    def without(self, visit: PlannedVisit, same: Iterable[PlannedVisit], shares: Shares) -> PlanHours:
        """The same hours with a visit taken out."""
        rest = PlanHours(self.plan)
        rest.used = self.used.copy()
        less = added_hours(visit, visit.technician_id, visit.week, same, shares)
        rest.add(visit.technician_id, week_in(self.plan, visit.week), -less)
        return rest


def shares_of(instrument: int, lines: dict[tuple[int, str], PlanLine]) -> Shares:
    """Return what the services of an instrument save beside each other, as a plan knew it."""
    return {kind: line.shares for (of, kind), line in lines.items() if of == instrument}


def added_hours(
    visit: PlannedVisit, technician: int | None, monday: date, same: Iterable[PlannedVisit], shares: Shares
) -> float:
    """Return by how much a visit lengthens a person's week beside their others on the instrument [h]."""
    others = [
        other.kind
        for other in same
        if other.week == monday and other.technician_id == technician and not other.dated
    ]
    alone = visit.hours + visit.shared_hours
    if visit.dated:
        return alone
    return alone - saved([*others, visit.kind], shares) + saved(others, shares)


def week_in(plan: SeasonPlan, monday: date) -> int:
    """Return the number of a week in a plan, 1 for its first."""
    return (monday - plan.start).days // 7 + 1


def effects(visit: PlannedVisit, today: date) -> list[Effect]:
    """Return what a visit would mean in every other week to come of its plan; four queries.

    Weeks that have the same service of the instrument already are left out.
    """
    desk = EffectDesk(visit.plan, [visit.instrument_id])
    first = monday_before(today)
    return [
        desk.effect(visit, monday)
        for monday in mondays(visit.plan.start, visit.plan.weeks)
        if monday != visit.week and monday >= first and monday not in desk.taken(visit)
    ]


class EffectDesk:
    """A plan with what it knew of some instruments, read once; what is put down counts for what follows."""

    def __init__(self, plan: SeasonPlan, instruments: Sequence[int]) -> None:
        self.plan = plan
        self.lines = read_lines(plan, instruments)
        self.hours = PlanHours.of_plan(plan)
        self.of: dict[int, list[PlannedVisit]] = defaultdict(list)
        for visit in plan.visits.filter(instrument__in=instruments).order_by("week"):
            self.of[visit.instrument_id].append(visit)

    @cached_property
    def people(self) -> list[Person]:
        """Everybody of the site, asked for only where the plan's own knowledge is no longer kept."""
        return list(Person.objects.of_site(self.plan.site))

    def others(self, visit: PlannedVisit) -> list[PlannedVisit]:
        """The other visits of the same instrument."""
        return [one for one in self.of[visit.instrument_id] if visit.pk is None or one.pk != visit.pk]

    def taken(self, visit: PlannedVisit) -> set[date]:
        """The weeks in which the same service of the instrument is planned already."""
        return {one.week for one in self.others(visit) if one.kind == visit.kind}

    def effect(self, visit: PlannedVisit, monday: date) -> Effect:
        """What a visit would mean in a week; one that has no row yet is new."""
        others, shares = self.others(visit), shares_of(visit.instrument_id, self.lines)
        hours = self.hours if visit.pk is None else self.hours.without(visit, others, shares)
        return _effect(visit, monday, self.lines, others, hours, self._able(visit))

    def put_down(self, visit: PlannedVisit, effect: Effect) -> None:
        """Let the hours of a visit count in the week and with the person of an effect."""
        others, shares = self.others(visit), shares_of(visit.instrument_id, self.lines)
        if visit.pk is not None:
            self.hours = self.hours.without(visit, others, shares)
        more = added_hours(visit, effect.technician_id, effect.week, others, shares)
        self.hours.add(effect.technician_id, week_in(self.plan, effect.week), more)

    def _able(self, visit: PlannedVisit) -> list[int | None]:
        """Return who could make the visit, whoever makes it now first."""
        line = self.lines.get((visit.instrument_id, visit.kind))
        others = list(line.people) if line else []
        if line is None:
            others = [one.pk for one in self.people if one.can_do(visit.kind) and one.hours_per_week]
        if visit.pk is None and others:
            return others
        return [visit.technician_id, *(person for person in others if person != visit.technician_id)]


def _effect(
    visit: PlannedVisit,
    monday: date,
    lines: dict[tuple[int, str], PlanLine],
    same: list[PlannedVisit],
    hours: PlanHours,
    people: list[int | None],
) -> Effect:
    plan, week = visit.plan, week_in(visit.plan, monday)
    shares = shares_of(visit.instrument_id, lines)
    left_of = {
        person: hours.left(person, week) - added_hours(visit, person, monday, same, shares)
        for person in people
    }
    able = [person for person in people if left_of[person] >= -SLACK_HOURS]
    technician = able[0] if able else people[0]
    left = left_of[technician]
    line = lines.get((visit.instrument_id, visit.kind))
    change = None
    if line is not None:
        others = [week_in(plan, v.week) for v in same if v.kind == visit.kind and not v.dated]
        now = others if visit.pk is None else [*others, week_in(plan, visit.week)]
        then = [*others, week]
        change = line.cost_of(then) - line.cost_of(now)
    return Effect(
        week=monday,
        cost_change=change,
        technician_id=technician,
        over=max(-left, 0.0) if left < -SLACK_HOURS else 0.0,
        left=max(left, 0.0),
        broken=tuple(_broken(visit, week, lines, same)),
    )


def _broken(
    visit: PlannedVisit, week: int, lines: dict[tuple[int, str], PlanLine], same: list[PlannedVisit]
) -> Iterable[str]:
    """Say which rules the instrument's visits would break that they keep now."""
    plan = visit.plan
    line = lines.get((visit.instrument_id, visit.kind))
    if line is not None and week in line.closed:
        yield worded("the week is closed to it: %(why)s", why=line.closed[week])
    if line is not None:
        planned = [week_in(plan, v.week) for v in same if v.kind == visit.kind and not v.dated]
        yield from _too_near(line, week, planned)
    now: dict[str, list[int]] = defaultdict(list)
    for other in same:
        now[other.kind].append(week_in(plan, other.week))
    then = {kind: list(weeks) for kind, weeks in now.items()}
    if visit.pk is not None:
        now[visit.kind].append(week_in(plan, visit.week))
    then.setdefault(visit.kind, []).append(week)
    before = {words for words, _ in _order_broken(visit.instrument_id, lines, now, plan)}
    for words, told in _order_broken(visit.instrument_id, lines, then, plan):
        if words not in before:
            yield told


def _too_near(line: PlanLine, week: int, others: Iterable[int]) -> Iterable[str]:
    apart = min((abs(week - other) for other in others), default=line.spacing_weeks)
    if apart < line.spacing_weeks:
        yield worded(
            "two of its visits would be %(apart)s and not %(weeks)s weeks apart",
            apart=apart,
            weeks=line.spacing_weeks,
        )


def _order_broken(
    instrument: int, lines: dict[tuple[int, str], PlanLine], weeks: dict[str, list[int]], plan: SeasonPlan
) -> Iterable[tuple[tuple[str, int], str]]:
    for kind, planned in weeks.items():
        line = lines.get((instrument, kind))
        for wait in line.waits if line else ():
            for week in planned:
                if not wait.allows(week, weeks.get(wait.on, [])):
                    monday = plan.start + timedelta(weeks=week - 1)
                    yield (
                        (wait.name, week),
                        worded(
                            "%(service)s in the week of %(week)s breaks “%(rule)s”: %(reason)s",
                            service=Term(kind),
                            week=On(monday, "day"),
                            rule=wait.name,
                            reason=wait.reason,
                        ),
                    )
