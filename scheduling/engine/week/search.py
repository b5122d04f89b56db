"""Laying out a week: what is kept, by whom and when, then the ways, then why something is left out."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from time import monotonic

from ortools.sat.python import cp_model

from scheduling.engine.season.solution import Outcome, relative_gap
from scheduling.engine.week.layout import (
    BUILDING_PRICE,
    EXTRA_DAY_PRICE,
    OTHER_PERSON_PRICE,
    ROOM_PRICE,
    Sitting,
    WeekLayout,
    price,
    price_of_day,
    price_of_leaving_out,
)
from scheduling.engine.week.model import Place, WeekModel
from scheduling.engine.week.placing import one_by_one
from scheduling.engine.week.problem import WeekProblem, check_problem
from scheduling.engine.week.reasons import reasons
from scheduling.engine.week.rules import WALK

TIME_LIMIT = 9.5
"""Most that laying out a week takes [s]."""
CHOOSING_SHARE, ORDERING_SHARE = 0.6, 0.15
SEED = 1
WORKERS = 2
# Work of the solver in its own units, about a second each on a machine of today: unlike seconds they give the
# same layout every time.
WORK_A_SECOND = 0.5
# What one more change of room outweighs: all beginnings of a day's sittings together.
WAYS_FIRST = 10_000

Points = cp_model.LinearExpr | int


@dataclass(frozen=True)
class Found:
    """Sittings, the bound that was proven and whether the search ended by itself."""

    sittings: tuple[Sitting, ...]
    bound: int
    finished: bool


def lay_out(problem: WeekProblem, time_limit: float = TIME_LIMIT) -> WeekLayout:
    """Give the visits of a week days, times and people.

    Parameters
    ----------
    problem : WeekProblem
    time_limit : float
        Most seconds; with none nothing is placed, and everything says so.

    Returns
    -------
    WeekLayout
        Whatever the rules leave no place for is left out, with the rule that keeps it out.

    Raises
    ------
    ValueError
        Where the problem cannot be meant.

    Notes
    -----
    Minimised is, in points: what is left out (100 a weighted day of its worth; tunings before performances
    and held visits above all else, the earlier performance first), visits made by another person than the
    season plan names, rooms and buildings that people enter, days over which a visit is spread, and the days
    on which work ends, earlier where a performance is near.

    The first search counts a room that a person goes back to within a day once. That can only cost less, so
    its bound is a bound on the true price; the second search keeps people and days and finds the order with
    the fewest changes, then the earliest beginnings, which are no part of the price. The same problem gives
    the same layout unless the time limit cuts the search short.
    """
    check_problem(problem)
    begun = monotonic()

    def left(share: float = 1.0) -> float:
        return share * time_limit - (monotonic() - begun)

    found = _choose(problem, one_by_one(problem) if time_limit > 0 else (), left(CHOOSING_SHARE))
    sittings = _ordered(problem, found.sittings, left(CHOOSING_SHARE + ORDERING_SHARE))
    cost = price(problem, sittings)
    bound = min(found.bound, cost)
    outcome = Outcome.FEASIBLE if found.finished else Outcome.STOPPED
    return WeekLayout(
        outcome=Outcome.OPTIMAL if bound == cost and found.finished else outcome,
        cost=cost,
        bound=bound,
        gap=relative_gap(cost, bound),
        left_out=reasons(problem, sittings, left),
        sittings=sittings,
        seconds=monotonic() - begun,
    )


def solver(seconds: float) -> cp_model.CpSolver:
    """Return a solver that gives the same answer to the same question."""
    made = cp_model.CpSolver()
    made.parameters.max_time_in_seconds = max(seconds, 0.0)
    made.parameters.max_deterministic_time = max(seconds, 0.0) * WORK_A_SECOND
    made.parameters.random_seed = SEED
    made.parameters.num_workers = WORKERS
    made.parameters.interleave_search = True
    return made


def _choose(problem: WeekProblem, begun_with: tuple[Sitting, ...], seconds: float) -> Found:
    """Decide what is kept, by whom and on which days, counting each room of a day once."""
    nothing = Found(begun_with, 0, finished=False)
    if seconds <= 0:
        return nothing
    model = WeekModel(problem)
    model.cp.minimize(_leaving_out(model) + _whom(model) + _when(model) + _rooms(model))
    _begin_with(model, begun_with)
    solved = solver(seconds)
    status = solved.solve(model.cp)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return nothing
    bound = max(round(solved.best_objective_bound), 0)
    better = min((read_back(model, solved), begun_with), key=lambda sittings: price(problem, sittings))
    return Found(better, bound, status == cp_model.OPTIMAL)


def _begin_with(model: WeekModel, sittings: tuple[Sitting, ...]) -> None:
    """Tell the solver where to start looking."""
    there = {one.visit: one.person for one in sittings}
    for visit, keep in enumerate(model.keep):
        model.cp.add_hint(keep, visit in there)
    for (visit, person), literal in model.by.items():
        model.cp.add_hint(literal, there.get(visit) == person)
    for one in sittings:
        model.cp.add_hint(model.begins[one.visit, one.number], one.first)
        day = model.problem.day_of(one.first)
        for other in range(7):
            if (one.visit, one.number, other) in model.on:
                model.cp.add_hint(model.on[one.visit, one.number, other], other == day)


def _leaving_out(model: WeekModel) -> Points:
    visits = range(len(model.problem.visits))
    return sum(price_of_leaving_out(model.problem, v) * (1 - model.keep[v]) for v in visits)


def _whom(model: WeekModel) -> Points:
    planned = [visit.planned for visit in model.problem.visits]
    return sum(
        OTHER_PERSON_PRICE * literal
        for (visit, person), literal in model.by.items()
        if planned[visit] is not None and person != planned[visit]
    )


def _when(model: WeekModel) -> Points:
    """The day on which each visit ends, and the days over which it is spread."""
    total: Points = 0
    for number in model.placeable:
        visit = model.problem.visits[number]
        last = len(visit.sittings) - 1
        days = [day for day in range(7) if (number, last, day) in model.on]
        total += sum(price_of_day(model.problem, number, day) * model.on[number, last, day] for day in days)
        if last and not visit.wait:
            total += EXTRA_DAY_PRICE * (_days_used(model, number) - model.keep[number])
    return total


def _days_used(model: WeekModel, number: int) -> Points:
    used = []
    for day in range(7):
        literals = [
            model.on[number, sitting, day]
            for sitting in range(len(model.problem.visits[number].sittings))
            if (number, sitting, day) in model.on
        ]
        if literals:
            used.append(model.cp.new_bool_var(f"day {number} {day}"))
            for literal in literals:
                model.cp.add_implication(literal, used[-1])
    return sum(used)


def _rooms(model: WeekModel) -> Points:
    """Rooms and buildings of each person and day, each counted once however often it is entered."""
    total: Points = 0
    for place_of, points in (
        (lambda visit: model.problem.visits[visit].room, ROOM_PRICE),
        (model.problem.building_of, BUILDING_PRICE),
    ):
        entered: dict[tuple[int, int, int], cp_model.IntVar] = {}
        for visit, sitting, day in model.on:
            for person in model.people_of(visit):
                key = person, day, place_of(visit)
                if key not in entered:
                    entered[key] = model.cp.new_bool_var(f"enters {key}")
                model.cp.add_bool_or([~model.by[visit, person], ~model.on[visit, sitting, day], entered[key]])
        total += points * sum(entered.values())
    return total


def read_back(model: WeekModel, solved: cp_model.CpSolver) -> tuple[Sitting, ...]:
    """Return the sittings of a solved model in the order of visits."""
    found = []
    for visit, sitting in model.places():
        if solved.boolean_value(model.keep[visit]):
            person = next(p for p in model.people_of(visit) if solved.boolean_value(model.by[visit, p]))
            first = solved.value(model.begins[visit, sitting])
            length = model.problem.visits[visit].sittings[sitting]
            found.append(Sitting(visit, sitting, person, first, first + length))
    return tuple(found)


def _ordered(problem: WeekProblem, chosen: tuple[Sitting, ...], seconds: float) -> tuple[Sitting, ...]:
    """Keep people and days; change rooms and buildings as seldom as can be, then begin as early as can be."""
    if not chosen or seconds <= 0:
        return chosen
    given = {(one.visit, one.number): (one.person, problem.day_of(one.first)) for one in chosen}
    model = WeekModel(problem, given=given)
    for one in chosen:
        if one.number == 0:
            model.cp.add(model.keep[one.visit] == 1)
        model.cp.add_hint(model.begins[one.visit, one.number], one.first)
    early = sum(model.begins.values())
    model.cp.minimize(WAYS_FIRST * _ways(model, given) + early)
    solved = solver(seconds)
    if solved.solve(model.cp) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return chosen
    better = read_back(model, solved)
    return better if price(problem, better) <= price(problem, chosen) else chosen


def _ways(model: WeekModel, given: Mapping[Place, tuple[int, int]]) -> Points:
    """Points for the changes of each person and day, the sittings in a circle through home."""
    by_day: dict[tuple[int, int], list[Place]] = defaultdict(list)
    for place, where in given.items():
        by_day[where].append(place)
    return sum(_round(model, places) for places in by_day.values() if len(places) > 1)


def _round(model: WeekModel, places: list[Place]) -> Points:
    total: Points = 0
    arcs = []
    for number, place in enumerate(places, start=1):
        arcs += [(0, number, _literal(model)), (number, 0, _literal(model))]
        for other, next_place in enumerate(places, start=1):
            if other == number:
                continue
            goes = _literal(model)
            arcs.append((number, other, goes))
            points, way = _change(model.problem, place[0], next_place[0])
            model.cp.add(model.begins[next_place] >= model.end(place) + way).only_enforce_if(goes)
            if points:
                total += points * goes
    model.cp.add_circuit(arcs)
    return total


def _literal(model: WeekModel) -> cp_model.IntVar:
    return model.cp.new_bool_var("goes")


def _change(problem: WeekProblem, visit: int, following: int) -> tuple[int, int]:
    """Return the points and the way [slots] of going from one visit to the next."""
    if problem.visits[visit].room == problem.visits[following].room:
        return 0, 0
    if problem.building_of(visit) == problem.building_of(following):
        return ROOM_PRICE, 0
    return ROOM_PRICE + BUILDING_PRICE, WALK
