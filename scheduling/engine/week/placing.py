"""Putting one more visit beside those that are placed, which stay where they are."""

from collections.abc import Iterable, Iterator

from scheduling.engine.week.free import starts, without
from scheduling.engine.week.layout import Sitting, price, price_of_leaving_out
from scheduling.engine.week.problem import Span, WeekProblem
from scheduling.engine.week.rules import (
    BESIDE,
    DRYING,
    EAR_BREAK,
    EAR_DAY,
    EAR_RESTS,
    EAR_TIRES,
    HOURS,
    NAMES,
    NEEDS,
    ONE_THING,
    ORDER,
    QUIET,
    WALK,
    WALKING,
)


def one_by_one(problem: WeekProblem) -> tuple[Sitting, ...]:
    """Return whatever finds a place beside what was put in before, dearest to leave out first.

    Work that other work rests on is put in before it, whatever its own price. Tried twice, and the cheaper
    kept: with and without putting in first also what only has to be finished before.
    """
    tried = (_put_in(problem, _dearest_first(problem, also_earlier)) for also_earlier in (False, True))
    return min(tried, key=lambda sittings: price(problem, sittings))


def _put_in(problem: WeekProblem, order: Iterable[int]) -> tuple[Sitting, ...]:
    sittings: list[Sitting] = []
    for number in order:
        sittings += place(problem, sittings, number) or ()
    return tuple(sorted(sittings, key=lambda one: (one.visit, one.number)))


def _dearest_first(problem: WeekProblem, also_earlier: bool) -> list[int]:
    order: dict[int, None] = {}

    def put(number: int, above: frozenset[int]) -> None:
        visit = problem.visits[number]
        for other in (*visit.needs, *(visit.after if also_earlier else ())):
            if other not in above:
                put(other, above | {number})
        order.setdefault(number)

    numbers = range(len(problem.visits))
    for number in sorted(numbers, key=lambda one: (-price_of_leaving_out(problem, one), one)):
        put(number, frozenset())
    return list(order)


def place(
    problem: WeekProblem, placed: Iterable[Sitting], number: int, rules: frozenset[str] = NAMES
) -> tuple[Sitting, ...] | None:
    """Return sittings of a visit beside those placed, under the rules given, or None.

    The person whom the season plan names is asked first; each sitting begins as early as it may.
    """
    placed = list(placed)
    visit = problem.visits[number]
    if NEEDS in rules and not set(visit.needs) <= {one.visit for one in placed}:
        return None
    for person in sorted(visit.people, key=lambda one: (one != visit.planned, one)):
        found = _by(problem, placed, number, person, rules)
        if found:
            return found
    return None


def minutes_left(problem: WeekProblem, placed: Iterable[Sitting], person: int) -> int:
    """Return what is left of a person's hours [min]; never below 0."""
    mine = {one.visit for one in placed if one.person == person}
    worked = sum(problem.visits[visit].minutes for visit in mine)
    return max(problem.workers[person].minutes - worked, 0)


def _by(
    problem: WeekProblem, placed: list[Sitting], number: int, person: int, rules: frozenset[str]
) -> tuple[Sitting, ...] | None:
    if HOURS in rules and minutes_left(problem, placed, person) < problem.visits[number].minutes:
        return None
    earliest, latest = _order(problem, placed, number, rules)
    if BESIDE not in rules or not _sharing(problem, placed, number):
        return _between(problem, placed, number, person, rules, earliest, latest)
    later = [day for day in problem.days[:-1] if earliest < day < latest]
    for begin in (earliest, *later):
        found = _between(problem, placed, number, person, rules, begin, latest)
        if found and _shares(problem, [*placed, *found], number):
            return found
    return None


def _sharing(problem: WeekProblem, placed: Iterable[Sitting], number: int) -> list[tuple[int, int]]:
    """Return the pairs of a visit and another that is placed of which one is short beside the other."""
    there = {one.visit for one in placed} - {number}
    on = problem.visits[number].beside
    pairs = [(other, number) for other in sorted(there) if problem.visits[other].beside == number]
    return [*pairs, (number, on)] if on is not None and on in there else pairs


def _shares(problem: WeekProblem, placed: list[Sitting], number: int) -> bool:
    """Return whether those that share an open action with a visit have its person and a day of it."""
    for short, long in _sharing(problem, placed, number):
        first = min((one for one in placed if one.visit == short), key=lambda one: one.number)
        others = [one for one in placed if one.visit == long]
        if first.person != others[0].person:
            return False
        if problem.day_of(first.first) not in {problem.day_of(one.first) for one in others}:
            return False
    return True


def _between(
    problem: WeekProblem,
    placed: list[Sitting],
    number: int,
    person: int,
    rules: frozenset[str],
    earliest: int,
    latest: int,
) -> tuple[Sitting, ...] | None:
    """Return a person's sittings of a visit between two slots, each as early as it may."""
    visit = problem.visits[number]
    found: list[Sitting] = []
    for sitting, length in enumerate(visit.sittings):
        taken = list(_taken(problem, [*placed, *found], number, person, length, rules))
        begins = next(
            (
                max(span.first, earliest)
                for span in without(starts(problem, visit, person, sitting, rules), taken)
                if span.last > earliest
            ),
            None,
        )
        if begins is None or begins + length > latest:
            return None
        found.append(Sitting(number, sitting, person, begins, begins + length))
        earliest = begins + length + (visit.wait if DRYING in rules else 0)
    return tuple(found)


def _order(
    problem: WeekProblem, placed: list[Sitting], number: int, rules: frozenset[str]
) -> tuple[int, int]:
    """Return the slots between which the work on the instrument that is placed leaves a visit."""
    if ORDER not in rules:
        return problem.days[0], problem.days[-1]
    before = problem.visits[number].after
    return (
        max((one.last for one in placed if one.visit in before), default=problem.days[0]),
        min(
            (one.first for one in placed if number in problem.visits[one.visit].after),
            default=problem.days[-1],
        ),
    )


def _taken(
    problem: WeekProblem,
    placed: list[Sitting],
    number: int,
    person: int,
    length: int,
    rules: frozenset[str],
) -> Iterator[Span]:
    """Give the slots at which a sitting cannot begin because of what is placed."""
    for one in placed:
        apart = _apart(problem, one, number, person, rules)
        if apart is not None:
            yield Span(one.first - length - apart + 1, one.last + apart)
    if EAR_TIRES in rules and problem.visits[number].tires:
        for day in range(7):
            listened = sum(
                one.last - one.first
                for one in placed
                if one.person == person
                and problem.visits[one.visit].tires
                and problem.day_of(one.first) == day
            )
            if listened + length > EAR_DAY:
                yield problem.day_span(day)


def _apart(problem: WeekProblem, one: Sitting, number: int, person: int, rules: frozenset[str]) -> int | None:
    """Return the slots that have to lie between a placed sitting and a visit; None where they may overlap."""
    visit, other = problem.visits[number], problem.visits[one.visit]
    same_person = one.person == person
    apart = []
    if ONE_THING in rules and (same_person or other.instrument == visit.instrument):
        apart.append(0)
    if QUIET in rules and other.room == visit.room and (visit.listens or other.listens):
        apart.append(0)
    if WALKING in rules and same_person and problem.building_of(one.visit) != problem.building_of(number):
        apart.append(WALK)
    if EAR_RESTS in rules and same_person and visit.tires and other.tires:
        apart.append(EAR_BREAK)
    return max(apart, default=None)
