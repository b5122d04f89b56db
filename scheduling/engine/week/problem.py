"""What laying out a week is made of: visits, people with their hours, and times that are closed."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from scheduling.engine.week.rules import EAR_STRETCH, NAMES


@dataclass(frozen=True, order=True)
class Span:
    """Slots from ``first`` up to and without ``last``."""

    first: int
    last: int


@dataclass(frozen=True)
class Closed:
    """A span in which a visit cannot be done, the rule that says so, and the occasion in words."""

    span: Span
    rule: str
    words: str


@dataclass(frozen=True)
class Worker:
    """Somebody who works in the week.

    Attributes
    ----------
    name : str
    shifts : tuple of Span
        From beginning to end of each working day, one span a day at most.
    lunches : tuple of Span
    away : tuple of Span
        Absences.
    minutes : int
        Most work in the week [min], the share in the site's reserve already taken off.
    """

    name: str
    shifts: tuple[Span, ...]
    lunches: tuple[Span, ...] = ()
    away: tuple[Span, ...] = ()
    minutes: int = 7 * 24 * 60


@dataclass(frozen=True)
class Visit:
    """One service of one instrument that the season plan has in the week.

    Attributes
    ----------
    label : str
        Name for messages.
    instrument, room : int
        Numbers; visits of one instrument share them.
    sittings : tuple of int
        Length of each sitting [slots], in order; a tuning has one.
    minutes : int
        Hours of the visit as they are counted [min].
    worth : float
        Expected weighted days out of tolerance [d] that leaving the visit out would cost; 0 or more.
    people : tuple of int
        Indices of the workers who may do it; for a held visit only its own.
    planned : int or None
        Index of the worker whom the season plan names.
    held : bool
        Whether a person has fixed the visit in this week.
    concert : Span or None
        Where the visit is a tuning for a performance: the 48 hours within which it has to lie.
    occasion : str
        That performance in words.
    plays_on : int or None
        Day (0 for Monday, 7 for the next) of the instrument's next performance, if one is near.
    closed : tuple of Closed
        Bookings of the room and what else closes it to this visit.
    listens : bool
        Whether it needs a quiet room.
    tires : bool
        Whether it is judging tone.
    wait : int
        Time between the end of a sitting and the next one [slots].
    after : tuple of int
        Indices of the visits that have to be finished before this one where both are placed.
    needs : tuple of int
        Indices of the visits without which this one is not done.
    beside : int or None
        Index of the visit for which the action is out, so that this one is short: where both are placed, one
        person makes both, and this one begins on a day of the other.
    """

    label: str
    instrument: int
    room: int
    sittings: tuple[int, ...]
    minutes: int
    worth: float
    people: tuple[int, ...]
    planned: int | None = None
    held: bool = False
    concert: Span | None = None
    occasion: str = ""
    plays_on: int | None = None
    closed: tuple[Closed, ...] = ()
    listens: bool = False
    tires: bool = False
    wait: int = 0
    after: tuple[int, ...] = ()
    needs: tuple[int, ...] = ()
    beside: int | None = None


@dataclass(frozen=True)
class WeekProblem:
    """All visits of a week and the people there are for them.

    Attributes
    ----------
    visits : tuple of Visit
    workers : tuple of Worker
    days : tuple of int
        First slot of each of the seven days and, as the eighth, the end of the week. Slots are counted in
        time that passes, so a day of a clock change has more or fewer of them.
    buildings : tuple of int
        Building of each room.
    begins : int
        First slot that has not passed.
    """

    visits: tuple[Visit, ...]
    workers: tuple[Worker, ...]
    days: tuple[int, ...]
    buildings: tuple[int, ...] = ()
    begins: int = 0

    @property
    def whole(self) -> Span:
        """The whole week."""
        return Span(self.days[0], self.days[-1])

    def day_of(self, slot: int) -> int:
        """Return the day, 0 for Monday, in which a slot lies."""
        return sum(first <= slot for first in self.days[1:-1])

    def day_span(self, day: int) -> Span:
        """Return the slots of a day."""
        return Span(self.days[day], self.days[day + 1])

    def building_of(self, visit: int) -> int:
        """Return the building of a visit."""
        return self.buildings[self.visits[visit].room]


def parts(slots: int, longest: int = EAR_STRETCH) -> tuple[int, ...]:
    """Return how work of so many slots is divided into as few even sittings as the longest allows.

    Raises
    ------
    ValueError
        Where there is no work, or a sitting of no length.
    """
    if slots < 1 or longest < 1:
        raise ValueError(f"work of {slots} slots in sittings of {longest}: expected at least 1 of each")
    count = -(-slots // longest)
    return tuple(slots // count + (number < slots % count) for number in range(count))


def check_problem(problem: WeekProblem) -> None:
    """Refuse a week that cannot be meant.

    Raises
    ------
    ValueError
        Naming the visit or worker and what is expected.
    """
    if len(problem.days) != 8 or any(last <= first for first, last in pairwise(problem.days)):
        raise ValueError(f"days begin at {problem.days}: expected eight slots in rising order")
    for complaint in _complaints(problem):
        raise ValueError(complaint)


def _complaints(problem: WeekProblem) -> Iterator[str]:
    visits = range(len(problem.visits))
    for worker in problem.workers:
        if worker.minutes < 0:
            yield f"{worker.name}: {worker.minutes} minutes in the week, expected 0 or more"
        for shift in worker.shifts:
            if not problem.days[0] <= shift.first < shift.last <= problem.days[-1]:
                yield f"{worker.name}: a shift from {shift.first} to {shift.last} lies outside the week"
            elif problem.day_of(shift.first) != problem.day_of(shift.last - 1):
                yield f"{worker.name}: a shift from {shift.first} to {shift.last} goes over midnight"
    for number, visit in enumerate(problem.visits):
        if not visit.sittings or min(visit.sittings) < 1 or visit.minutes < 1:
            yield f"{visit.label}: sittings of {visit.sittings} slots, expected at least one of at least 1"
        if not 0 <= visit.worth < float("inf"):
            yield f"{visit.label}: worth {visit.worth}, expected 0 or more"
        if visit.tires and max(visit.sittings) > EAR_STRETCH:
            yield f"{visit.label}: a sitting of {max(visit.sittings)} slots, the ear bears {EAR_STRETCH}"
        if not 0 <= visit.room < len(problem.buildings):
            yield f"{visit.label}: room {visit.room} has no building"
        if not all(0 <= person < len(problem.workers) for person in visit.people):
            yield f"{visit.label}: people {visit.people} do not all exist"
        if not all(other in visits and other != number for other in (*visit.after, *visit.needs)):
            yield f"{visit.label}: waits for visits {(*visit.after, *visit.needs)} that do not all exist"
        if visit.beside is not None and (visit.beside not in visits or visit.beside == number):
            yield f"{visit.label}: beside visit {visit.beside}, which does not exist"
        if any(closed.rule not in NAMES for closed in visit.closed):
            yield f"{visit.label}: closed by an unknown rule, accepted: {', '.join(sorted(NAMES))}"
