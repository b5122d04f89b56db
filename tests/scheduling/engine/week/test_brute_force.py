"""Small weeks against every layout there is, judged and priced by the checker of the tests."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from scheduling.engine.week import Closed, Sitting, Span, Visit, WeekProblem, Worker, lay_out
from tests.week_checker import broken, points

DAYS = tuple(range(0, 8 * 96, 96))


def small_week(seed: int) -> WeekProblem:
    """Draw a week of two short days, two people, two rooms and three visits."""
    rng = np.random.default_rng(seed)
    workers = tuple(
        Worker(
            f"person {number}",
            tuple(Span(day * 96 + 32, day * 96 + 36 + int(rng.integers(2))) for day in (0, 1)),
            lunches=(Span(33, 34),) if rng.random() < 0.3 else (),
            minutes=15 * int(rng.integers(2, 8)),
        )
        for number in range(2)
    )
    visits = []
    for number in range(3):
        instrument, slots = int(rng.integers(2)), int(rng.integers(1, 4))
        earlier = tuple(n for n, one in enumerate(visits) if one.instrument == instrument)
        booked = Span(96 + 33, 96 + 35)
        split = slots == 3 and rng.random() < 0.5
        people = (0, 1) if rng.random() < 0.7 else (int(rng.integers(2)),)
        visits.append(
            Visit(
                label=f"visit {number}",
                instrument=instrument,
                room=instrument,
                sittings=(2, 1) if split else (slots,),
                minutes=15 * slots,
                worth=float(rng.integers(0, 4)),
                people=people,
                planned=people[0] if rng.random() < 0.8 else None,
                concert=Span(32, 96 + 34) if rng.random() < 0.3 else None,
                plays_on=1 if rng.random() < 0.3 else None,
                closed=(Closed(booked, "room booked", "a lesson"),) if rng.random() < 0.4 else (),
                listens=bool(rng.random() < 0.5),
                tires=bool(rng.random() < 0.5),
                wait=4 if split and rng.random() < 0.5 else 0,
                after=earlier if rng.random() < 0.6 else (),
                needs=earlier[:1] if rng.random() < 0.3 else (),
                beside=earlier[-1] if earlier and seed % 2 else None,
            )
        )
    return WeekProblem(tuple(visits), workers, DAYS, buildings=(0, int(rng.integers(2))))


def options(week: WeekProblem, number: int) -> list[tuple[Sitting, ...]]:
    """Every way of making a visit, were it the only one, and not making it."""
    visit = week.visits[number]
    alone = replace(week, visits=tuple(replace(one, needs=(), after=(), beside=None) for one in week.visits))
    slots = [slot for day in (0, 1) for slot in range(day * 96 + 32, day * 96 + 38)]
    found: list[tuple[Sitting, ...]] = [()]
    for person in visit.people:
        for begins in product(slots, repeat=len(visit.sittings)):
            some = tuple(
                Sitting(number, n, person, first, first + length)
                for n, (first, length) in enumerate(zip(begins, visit.sittings, strict=True))
            )
            if begins == tuple(sorted(begins)) and not broken(alone, some):
                found.append(some)
    return found


@pytest.mark.parametrize("seed", range(12))
def test_no_layout_at_all_is_better(seed):
    week = small_week(seed)
    ways = [options(week, number) for number in range(len(week.visits))]
    layouts = ((*a, *b, *c) for a, b, c in product(*ways))
    priced = sorted(
        ((points(week, some), n, some) for n, some in enumerate(layouts)), key=lambda row: row[:2]
    )
    best = next(price for price, _, some in priced if not broken(week, some))
    found = lay_out(week)
    assert broken(week, found.sittings) == []
    assert found.bound <= best <= found.cost
    assert found.cost == best or found.outcome != "optimal"
    # What is kept, by whom and on which days is the best there is; at most a way back within a day is missed.
    assert found.cost - best <= 40
