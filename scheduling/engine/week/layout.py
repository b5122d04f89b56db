"""What a laid out week says: sittings, what found no place and why, the price of it all and its proof."""

from dataclasses import dataclass
from itertools import groupby, pairwise

from scheduling.engine.season.solution import Outcome
from scheduling.engine.week.problem import WeekProblem

# Prices in points. What is left out weighs more than anything a layout can save by leaving it out, a
# performance more than other work, and what a person has fixed more than that. Common practice, no source.
POINTS_A_DAY = 100
LEAST_PRICE = 200
MOST_PRICE = 50_000
CONCERT_PRICE = 1_000_000
EARLIER_CONCERT_PRICE = 60_000
HELD_PRICE = 10_000_000
OTHER_PERSON_PRICE = 60
BUILDING_PRICE = 30
ROOM_PRICE = 10
EXTRA_DAY_PRICE = 8
LATE_PRICE = 1
LATE_CONCERT_PRICE = 4
EARLY_TUNING_PRICE = 3


@dataclass(frozen=True)
class Sitting:
    """One sitting: visit and person by index, its place among the visit's sittings, slots from and until."""

    visit: int
    number: int
    person: int
    first: int
    last: int


@dataclass(frozen=True)
class LeftOut:
    """A visit without a place: the rules that keep it out, and in words how."""

    visit: int
    rules: tuple[str, ...]
    words: str


@dataclass(frozen=True)
class WeekLayout:
    """A week laid out, with its proof.

    ``cost`` and ``bound`` are points: no layout can cost less than the bound. ``seconds`` includes the
    building of the model and the finding of reasons.
    """

    outcome: Outcome
    cost: int
    bound: int
    gap: float
    seconds: float
    sittings: tuple[Sitting, ...]
    left_out: tuple[LeftOut, ...]


def price_of_leaving_out(problem: WeekProblem, visit: int) -> int:
    """Points that leaving a visit out costs."""
    one = problem.visits[visit]
    price = min(max(round(POINTS_A_DAY * one.worth), LEAST_PRICE), MOST_PRICE)
    if one.concert is not None:
        day = problem.day_of(one.concert.last - 1)
        price += CONCERT_PRICE + EARLIER_CONCERT_PRICE * (6 - day)
    return price + (HELD_PRICE if one.held else 0)


def price_of_day(problem: WeekProblem, visit: int, day: int) -> int:
    """Points that ending a visit on a day costs.

    Work for a performance of the week or the next comes before other work; its tuning comes near to it.
    """
    one = problem.visits[visit]
    if one.concert is not None:
        return EARLY_TUNING_PRICE * max(problem.day_of(one.concert.last - 1) - day, 0)
    return day * (LATE_PRICE if one.plays_on is None else LATE_CONCERT_PRICE)


def price(problem: WeekProblem, sittings: tuple[Sitting, ...]) -> int:
    """Points that a layout costs: what it leaves out, whom it changes, where it goes, and when it is done.

    A person enters a room, and a building, at the first sitting of a day and whenever the next sitting is
    elsewhere.
    """
    total = 0
    for number in range(len(problem.visits)):
        mine = [one for one in sittings if one.visit == number]
        total += _price_of_visit(problem, number, mine) if mine else price_of_leaving_out(problem, number)
    return total + price_of_ways(problem, sittings)


def _price_of_visit(problem: WeekProblem, number: int, mine: list[Sitting]) -> int:
    visit = problem.visits[number]
    days = {problem.day_of(one.first) for one in mine}
    other = visit.planned is not None and mine[0].person != visit.planned
    extra = 0 if visit.wait else len(days) - 1
    return (
        OTHER_PERSON_PRICE * other
        + EXTRA_DAY_PRICE * extra
        + price_of_day(problem, number, problem.day_of(max(one.first for one in mine)))
    )


def price_of_ways(problem: WeekProblem, sittings: tuple[Sitting, ...]) -> int:
    """Points for the rooms and buildings that people enter."""
    total = 0
    ordered = sorted(sittings, key=lambda one: (one.person, one.first))
    for _, group in groupby(ordered, key=lambda one: (one.person, problem.day_of(one.first))):
        rooms = [problem.visits[one.visit].room for one in group]
        buildings = [problem.buildings[room] for room in rooms]
        total += ROOM_PRICE * (1 + sum(a != b for a, b in pairwise(rooms)))
        total += BUILDING_PRICE * (1 + sum(a != b for a, b in pairwise(buildings)))
    return total
