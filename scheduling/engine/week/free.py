"""Where a visit may lie by itself: free stretches of a person, and slots at which a sitting may begin."""

from collections.abc import Iterable, Iterator

from scheduling.engine.week.problem import Span, Visit, WeekProblem, Worker
from scheduling.engine.week.rules import (
    ABSENCE,
    BEGUN,
    BOOKINGS,
    CONCERT,
    DRYING,
    HARDENER,
    LUNCH,
    NAMES,
    WORKING_HOURS,
)

FIXED = (BEGUN, DRYING, CONCERT, HARDENER, BOOKINGS, ABSENCE, LUNCH, WORKING_HOURS)
"""Rules that can keep a visit out whatever else is planned."""


def starts(
    problem: WeekProblem, visit: Visit, person: int, sitting: int, rules: frozenset[str] = NAMES
) -> list[Span]:
    """Return the slots, as spans without their last, at which a sitting may begin under the rules given."""
    length = visit.sittings[sitting]
    return [
        Span(free.first, free.last - length + 1)
        for free in stretches(problem, visit, problem.workers[person], rules)
        if free.last - free.first >= length
    ]


def stretches(
    problem: WeekProblem, visit: Visit, worker: Worker, rules: frozenset[str] = NAMES
) -> list[Span]:
    """Return the stretches in which a worker is free and the visit is allowed."""
    hours = worker.shifts if WORKING_HOURS in rules else [problem.day_span(day) for day in range(7)]
    return without(hours, _closed(problem, visit, worker, rules))


def _closed(problem: WeekProblem, visit: Visit, worker: Worker, rules: frozenset[str]) -> Iterator[Span]:
    if BEGUN in rules:
        yield Span(problem.days[0], problem.begins)
    if ABSENCE in rules:
        yield from worker.away
    if LUNCH in rules:
        yield from worker.lunches
    if CONCERT in rules and visit.concert is not None:
        yield Span(problem.days[0], visit.concert.first)
        yield Span(visit.concert.last, problem.days[-1])
    yield from (closed.span for closed in visit.closed if closed.rule in rules)


def without(spans: Iterable[Span], closed: Iterable[Span]) -> list[Span]:
    """Return what is left of spans when closed ones are taken out; spans do not touch days they did not."""
    left = sorted(spans)
    for gap in closed:
        if gap.first < gap.last:
            left = [
                part
                for span in left
                for part in (
                    Span(span.first, min(span.last, gap.first)),
                    Span(max(span.first, gap.last), span.last),
                )
                if part.first < part.last
            ]
    return left


def alone(problem: WeekProblem, visit: Visit, person: int, rules: frozenset[str] = NAMES) -> bool:
    """Return whether a person could make a visit if it were the only one of the week.

    Each sitting begins as early as it may; with one visit alone nothing is gained by beginning later.
    """
    earliest = problem.days[0]
    for number, length in enumerate(visit.sittings):
        begins = next(
            (
                max(span.first, earliest)
                for span in starts(problem, visit, person, number, rules)
                if span.last > earliest
            ),
            None,
        )
        if begins is None:
            return False
        earliest = begins + length + (visit.wait if DRYING in rules else 0)
    return True
