"""Invented weeks of any size for the layout of a week: people, rooms, bookings and visits drawn at random."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np

from scheduling.engine.week import Closed, Span, Visit, WeekProblem, Worker, parts

DAY = 96  # quarter hours
KINDS = (("bedding", 3), ("regulation", 24), ("tuning", 6), ("voicing", 12))


def invented_week(seed: int, instruments: int = 6, people: int = 2, crowded: float = 1.0) -> WeekProblem:
    """Draw a week; ``crowded`` is about how much work there is for the hours."""
    rng = np.random.default_rng(seed)
    workers = tuple(_worker(rng, number) for number in range(people))
    rooms = max(1, instruments * 2 // 3)
    buildings = tuple(int(rng.integers(0, 3)) for _ in range(rooms))
    bookings = {room: _bookings(rng) for room in range(rooms)}
    visits: list[Visit] = []
    for instrument in range(instruments):
        visits += _visits(rng, instrument, int(rng.integers(rooms)), bookings, people, len(visits), crowded)
    begins = int(rng.integers(0, 3 * DAY)) if rng.random() < 0.2 else 0
    return WeekProblem(tuple(visits), workers, tuple(range(0, 8 * DAY, DAY)), buildings, begins)


def _worker(rng: np.random.Generator, number: int) -> Worker:
    days = sorted(rng.choice(6, size=int(rng.integers(0, 6)), replace=False).tolist())
    first, last = int(rng.integers(28, 40)), int(rng.integers(52, 76))
    away = tuple(Span(day * DAY, (day + 1) * DAY) for day in range(7) if rng.random() < 0.08)
    lunch = int(rng.integers(46, 54))
    return Worker(
        name=f"person {number}",
        shifts=tuple(Span(day * DAY + first, day * DAY + last) for day in days),
        lunches=tuple(Span(day * DAY + lunch, day * DAY + lunch + 3) for day in days),
        away=away,
        minutes=int(rng.integers(0, 30)) * 60,
    )


def _bookings(rng: np.random.Generator) -> list[Span]:
    found = []
    for _ in range(int(rng.integers(0, 7))):
        first = int(rng.integers(0, 7)) * DAY + int(rng.integers(30, 76))
        found.append(Span(first, first + int(rng.integers(2, 17))))
    return found


def _visits(
    rng: np.random.Generator,
    instrument: int,
    room: int,
    bookings: dict[int, list[Span]],
    people: int,
    already: int,
    crowded: float,
) -> list[Visit]:
    closed = tuple(Closed(span, "room booked", f"booking from {span.first}") for span in bookings[room])
    chosen = [kind for kind in KINDS if rng.random() < 0.4 * crowded]
    plays = int(rng.integers(0, 9)) if rng.random() < 0.3 else None
    place: dict[str, int] = {}
    found = []
    for kind, slots in chosen:
        number = place[kind] = already + len(found)
        concert = None
        extra: tuple[Closed, ...] = ()
        if plays is not None and plays < 7 and kind == "tuning":
            evening = plays * DAY + 76
            concert = Span(max(evening - 192, 0), evening)
        if plays is not None and kind == "voicing":
            first = max(plays - 2, 0) * DAY
            wet = Span(first, min(plays * DAY + 80, 7 * DAY))
            if wet.first < wet.last:
                extra = (Closed(wet, "no hardener before a performance", "a concert"),)
        able = tuple(person for person in range(people) if rng.random() < 0.75)
        planned = int(rng.choice(able)) if able and rng.random() < 0.8 else None
        held = planned is not None and rng.random() < 0.1
        found.append(
            Visit(
                label=f"{kind} of {instrument} ({number})",
                instrument=instrument,
                room=room,
                sittings=parts(slots) if kind in ("regulation", "voicing") else (slots,),
                minutes=15 * slots,
                worth=float(np.round(rng.gamma(1.0, 12.0), 2)),
                people=(planned,) if held and planned is not None else able,
                planned=planned,
                held=held,
                concert=concert,
                plays_on=plays,
                closed=closed + extra,
                listens=kind in ("tuning", "voicing"),
                tires=kind == "voicing",
                wait=48 if kind == "voicing" else 0,
                after=tuple(place[one] for one in place if one != kind),
                needs=_needs(kind, place),
            )
        )
    return [replace(one, beside=_beside(one.label, place)) for one in found]


def _needs(kind: str, place: dict[str, int]) -> tuple[int, ...]:
    on = {"regulation": "bedding", "voicing": "tuning"}.get(kind)
    return (place[on],) if on in place else ()


def _beside(label: str, place: dict[str, int]) -> int | None:
    """Bedding and voicing are short while the action is out for a regulation."""
    return place.get("regulation") if label.split()[0] in ("bedding", "voicing") else None


def by_instrument(problem: WeekProblem) -> dict[int, list[int]]:
    """Return the visits of each instrument."""
    found: dict[int, list[int]] = defaultdict(list)
    for number, visit in enumerate(problem.visits):
        found[visit.instrument].append(number)
    return found


def planned_week(seed: int, people: int = 3, hours: int = 20) -> WeekProblem:
    """Draw a week as a season plan leaves it: work for the hours of each person, most of it possible."""
    rng = np.random.default_rng(seed)
    days = tuple(range(0, 8 * DAY, DAY))
    workers = tuple(
        Worker(
            name=f"person {number}",
            shifts=tuple(Span(day * DAY + 32, day * DAY + 68) for day in range(5)),
            lunches=tuple(Span(day * DAY + 48, day * DAY + 52) for day in range(5)),
            minutes=60 * hours,
        )
        for number in range(people)
    )
    buildings: list[int] = []
    visits: list[Visit] = []
    left = [60 * hours] * people
    while max(left) >= 90 and len(buildings) < 60 * people:
        room = len(buildings)
        buildings.append(int(rng.integers(0, 3)))
        bookings = {room: _bookings(rng)}
        for visit in _visits(rng, room, room, bookings, people, len(visits), 0.7):
            person = visit.planned
            if person is None or left[person] < visit.minutes:
                break
            left[person] -= visit.minutes
            visits.append(visit)
        there = range(len(visits))
        visits = [replace(one, beside=one.beside if one.beside in there else None) for one in visits]
    return WeekProblem(tuple(visits), workers, days, tuple(buildings))
