"""Why a visit found no place: the rules without which it would have had one."""

from collections.abc import Callable
from itertools import combinations

from ortools.sat.python import cp_model

from scheduling.engine.said import Figure, joined, worded
from scheduling.engine.week.free import FIXED, alone
from scheduling.engine.week.layout import LeftOut, Sitting
from scheduling.engine.week.model import WeekModel
from scheduling.engine.week.placing import minutes_left, place
from scheduling.engine.week.problem import Visit, WeekProblem
from scheduling.engine.week.rules import (
    BESIDE,
    BOOKINGS,
    CONCERT,
    DRYING,
    EAR_RESTS,
    EAR_TIRES,
    HARDENER,
    HOURS,
    LUNCH,
    NAMES,
    NEEDS,
    ONE_THING,
    ORDER,
    QUIET,
    REASONS,
    SKILLS,
    WALKING,
)

# In this order a rule is asked whether it alone keeps a visit out: first those that speak of one case.
ASKED = (BESIDE, CONCERT, HARDENER, DRYING, EAR_RESTS, EAR_TIRES, ORDER, QUIET, WALKING, BOOKINGS, LUNCH)
WORK_A_QUESTION = 0.1
MOST_VISITS_MOVED = 40

Remaining = Callable[[], float]
Placed = tuple[Sitting, ...]


def reasons(problem: WeekProblem, placed: Placed, remaining: Remaining) -> tuple[LeftOut, ...]:
    """Return each visit without a place with the rules that keep it out beside what is placed.

    Parameters
    ----------
    problem : WeekProblem
    placed : tuple of Sitting
    remaining : callable
        Gives the seconds left for finding reasons; without any, reasons are found only with the visits that
        are placed staying where they are.

    Notes
    -----
    Asked in turn: is there somebody who can do it; could it be done were it the only visit of the week; is
    the work placed that it rests on; are there hours left for it; would it find a place beside the others
    without one of the rules, and if not, would all find one together if the others moved.
    """
    visits = {one.visit for one in placed}
    return tuple(
        LeftOut(number, *_reason(problem, placed, number, remaining))
        for number in range(len(problem.visits))
        if number not in visits
    )


def _reason(
    problem: WeekProblem, placed: Placed, number: int, remaining: Remaining
) -> tuple[tuple[str, ...], str]:
    visit = problem.visits[number]
    if not visit.people:
        return (SKILLS,), worded("nobody who works in this week does this kind of service")
    if not _any_alone(problem, visit, NAMES):
        return _closed(problem, visit)
    there = {one.visit for one in placed}
    missing = [problem.visits[other].label for other in visit.needs if other not in there]
    if missing:
        return (NEEDS,), worded("it rests on the %(visit)s, which found no place", visit=missing[0])
    if not any(minutes_left(problem, placed, person) >= visit.minutes for person in visit.people):
        return (HOURS,), _hours_in_words(problem, placed, visit)
    for fits in (_staying, _moving):
        if not fits(problem, placed, number, NAMES - set(ASKED), remaining):
            continue
        for rule in ASKED:
            if fits(problem, placed, number, NAMES - {rule}, remaining):
                return (rule,), worded(
                    "beside the other work of the week only this keeps it out: %(rule)s",
                    rule=_in_words(visit, rule),
                )
    return (ONE_THING,), worded(
        "%(names)s has no stretch left that is long enough beside other work", names=_names(problem, visit)
    )


def _closed(problem: WeekProblem, visit: Visit) -> tuple[tuple[str, ...], str]:
    """Return the rules that close the week to a visit: each that does so alone, or the fewest together."""
    alone_do = tuple(rule for rule in FIXED if _any_alone(problem, visit, NAMES - {rule}))
    if alone_do:
        return alone_do, _no_stretch(problem, visit, alone_do)
    for count in range(2, len(FIXED)):
        for some in combinations(FIXED, count):
            if _any_alone(problem, visit, NAMES - set(some)):
                return some, _no_stretch(problem, visit, some)
    return FIXED, worded(
        "%(names)s has no stretch that is long enough, whatever rule is left aside",
        names=_names(problem, visit),
    )


def _no_stretch(problem: WeekProblem, visit: Visit, rules: tuple[str, ...]) -> str:
    return worded(
        "%(names)s has no stretch that is long enough: %(rules)s",
        names=_names(problem, visit),
        rules=joined("; ", [_in_words(visit, rule) for rule in rules]),
    )


def _any_alone(problem: WeekProblem, visit: Visit, rules: frozenset[str]) -> bool:
    return any(alone(problem, visit, person, rules) for person in visit.people)


def _in_words(visit: Visit, rule: str) -> str:
    """Say why a rule is there, with its occasions."""
    occasions = list(dict.fromkeys(one.words for one in visit.closed if one.rule == rule))
    if rule == CONCERT and visit.occasion:
        occasions.insert(0, visit.occasion)
    if not occasions:
        return REASONS[rule]
    told = joined(", ", occasions[:3])
    if len(occasions) > 3:
        told = worded("%(occasions)s and %(number)s more", occasions=told, number=len(occasions) - 3)
    return worded("%(rule)s (%(occasions)s)", rule=REASONS[rule], occasions=told)


def _names(problem: WeekProblem, visit: Visit) -> str:
    return joined(" / ", [problem.workers[person].name for person in visit.people])


def _hours_in_words(problem: WeekProblem, placed: Placed, visit: Visit) -> str:
    left = [
        worded(
            "%(name)s has %(left)s of %(offered)s h left",
            name=problem.workers[person].name,
            left=Figure(minutes_left(problem, placed, person) / 60, ".3g"),
            offered=Figure(problem.workers[person].minutes / 60, ".3g"),
        )
        for person in visit.people
    ]
    hours = Figure(visit.minutes / 60, ".3g")
    return worded("it takes %(hours)s h, and %(people)s", hours=hours, people=joined(", ", left))


def _staying(
    problem: WeekProblem, placed: Placed, number: int, rules: frozenset[str], remaining: Remaining
) -> bool:
    """Return whether a visit has a place beside the others where they are."""
    return place(problem, placed, number, rules) is not None


def _moving(
    problem: WeekProblem, placed: Placed, number: int, rules: frozenset[str], remaining: Remaining
) -> bool:
    """Return whether a visit is known to fit beside the others, wherever they go."""
    visits = {one.visit for one in placed} | {number}
    if remaining() <= 0 or len(visits) > MOST_VISITS_MOVED:
        return False
    model = WeekModel(problem, rules)
    for visit in range(len(problem.visits)):
        model.cp.add(model.keep[visit] == (visit in visits))
    solved = cp_model.CpSolver()
    solved.parameters.num_workers = 1
    solved.parameters.random_seed = 1
    solved.parameters.max_deterministic_time = WORK_A_QUESTION
    solved.parameters.max_time_in_seconds = remaining()
    return solved.solve(model.cp) in (cp_model.OPTIMAL, cp_model.FEASIBLE)
