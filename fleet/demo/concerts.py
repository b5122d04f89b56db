"""When the invented conservatory plays in public, in the years behind and the months ahead."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from fleet.demo.collection import Instrument
from fleet.demo.house import RoomPlan
from fleet.demo.spec import FleetSpec, Timeline
from fleet.demo.year import terms_between

DAYS_AHEAD = 120
# Fewest and most days from one concert to the next, by use of the room.
PACE = {"concert hall": (5, 11), "recital hall": (9, 17), "recital room": (14, 26)}
TITLES = {
    "concert hall": ("Orchestra evening", "Concerto night", "Two keyboards", "Choir and winds"),
    "recital hall": ("Song evening", "Trio evening", "Sonatas", "Graduation recital"),
    "recital room": ("Early music at six", "Continuo evening"),
}
PLAYED_SHARE = 0.85  # concerts that need a keyboard at all
RAISED_PITCH_HZ, RAISED_SHARE = 442.0, 0.15


@dataclass(frozen=True)
class Concert:
    """A concert in a room (its position), the instruments it needs, and another pitch if one is wanted."""

    day: date
    room: int
    title: str
    tags: tuple[str, ...]
    pitch_hz: float | None


def concert_days(rng: np.random.Generator, line: Timeline, pace: tuple[int, int]) -> Iterator[date]:
    """Give the days on which a room has a concert: never in a vacation."""
    last = line.today + timedelta(days=DAYS_AHEAD)
    parts = terms_between(line.first, last)
    day = line.first
    while (day := day + timedelta(days=int(rng.integers(pace[0], pace[1] + 1)))) <= last:
        if next(part for part in parts if part.first <= day <= part.last).teaching:
            yield day


def concert_season(
    spec: FleetSpec, line: Timeline, rooms: Sequence[RoomPlan], fleet: Sequence[Instrument]
) -> tuple[Concert, ...]:
    """Return all concerts from the first simulated day to four months ahead, by day."""
    concerts = []
    for number, room in enumerate(rooms):
        if room.use not in PACE:
            continue
        rng = spec.stream("concerts", number)
        choice = [one for one in fleet if one.room == number]
        for day in concert_days(rng, line, PACE[room.use]):
            tags = wanted(rng, [one for one in choice if one.in_service < day])
            raised = bool(tags) and room.use != "recital room" and rng.random() < RAISED_SHARE
            title = str(rng.choice(TITLES[room.use]))
            concerts.append(Concert(day, number, title, tags, RAISED_PITCH_HZ if raised else None))
    return tuple(sorted(concerts, key=lambda concert: (concert.day, concert.room)))


def wanted(rng: np.random.Generator, choice: Sequence[Instrument]) -> tuple[str, ...]:
    """Return the tags of the instruments of one concert: usually one, at times two, at times none."""
    if not choice or rng.random() > PLAYED_SHARE:
        return ()
    count = 2 if len(choice) > 1 and rng.random() < 0.15 else 1
    played = np.array([one.hours_per_week for one in choice])
    picked = rng.choice(len(choice), size=count, replace=False, p=played / played.sum())
    return tuple(choice[number].tag for number in sorted(picked))
