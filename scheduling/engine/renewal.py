"""How often services are needed over years: simulated futures, each service done as it falls due."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.cases import Beliefs, Case, own_and_shared
from scheduling.engine.fabric import Group
from scheduling.engine.passage import Draws, crossed, draw
from scheduling.engine.simulation import Deviations, Weather, square_roots

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Counts = NDArray[np.int64]

RENEWED_PATHS = 200  # an interval's ends are then off by about 3 % in probability
AT_A_TIME = 16  # cases followed together, so that a day of all of them is one short stretch of memory


class Fleet(Protocol):
    """Cases of a fleet whose air, wood and beliefs have been worked out."""

    @property
    def cases(self) -> Sequence[Case]:
        """Everything that is forecast."""

    @property
    def beliefs(self) -> Sequence[Beliefs]:
        """What is believed of every case."""

    @property
    def today(self) -> int:
        """Day of the forecast, proleptic ordinal."""

    @property
    def horizon_days(self) -> int:
        """How far it looks [d]."""

    @property
    def by_air(self) -> Sequence[Sequence[Group]]:
        """The cases, sorted by the air they felt."""


def needed(
    fleet: Fleet, spreads: Mapping[int, int], stretch: NDArray[np.int64], seed: int, paths: int
) -> Iterator[tuple[int, Counts]]:
    """Give the place of every case, and how many services it needs in every stretch on every path.

    Parameters
    ----------
    fleet : Fleet
    spreads : mapping of int to int
        For a tuning's place, the case of its registers' spread, which is served with it.
    stretch, seed, paths
        As of `scheduling.engine.forecast.FleetModel.services_needed`.
    """
    draws = OwnDraws(seed, paths, fleet.horizon_days + 1)
    served_with = {spread: place for place, spread in spreads.items()}
    for number, groups in enumerate(fleet.by_air):
        weather = Weather(groups, fleet.cases, fleet.today, seed, paths)
        rng = np.random.default_rng([seed, number])
        courses: dict[int, list[Course]] = {}
        for group in groups:
            for i, course in follow(group, fleet.cases, fleet.beliefs, fleet.today, weather, draws):
                courses.setdefault(served_with.get(i, i), []).append(course)
            # A tuning waits for the course of its registers, which may belong to another group.
            whole = [place for place, own in courses.items() if len(own) > (place in spreads)]
            yield from _counted(courses, whole, stretch, rng)


def _counted(
    courses: dict[int, list[Course]],
    places: Sequence[int],
    stretch: NDArray[np.int64],
    rng: np.random.Generator,
) -> Iterator[tuple[int, Counts]]:
    """Count the services of some jobs, a few at a time, and let their courses go."""
    for start in range(0, len(places), AT_A_TIME):
        some = places[start : start + AT_A_TIME]
        yield from zip(
            some, count_services([courses.pop(place) for place in some], stretch, rng), strict=True
        )


@dataclass(frozen=True)
class Course:
    """The simulated deviation of one case, day by day, as if it were never serviced again.

    Attributes
    ----------
    first, later : array, shape (n, paths)
        Up to the next service, and after it, where settling has faded further [unit]; only differences of
        `later` count.
    crossing : array, shape (n - 1, paths)
        Standard exponential times the variance of the walk from each day to the next [unit^2].
    fresh_mean : float
    fresh_sd : array, shape (paths,)
        What a service leaves [unit].
    limit : float
        Tolerance [unit].
    """

    first: Singles
    later: Singles
    crossing: Singles
    fresh_mean: float
    fresh_sd: Singles
    limit: float


def count_services(
    jobs: Sequence[Sequence[Course]], stretch: NDArray[np.int64], rng: np.random.Generator
) -> Counts:
    """How many services every job needs in every stretch of days.

    Parameters
    ----------
    jobs : sequence of sequences of Course
        One job is out where any of its courses is, and a service resets all of them.
    stretch : int array, shape (n,)
        Which stretch each day belongs to, rising from 0.
    rng : numpy.random.Generator

    Returns
    -------
    int array, shape (n_jobs, n_stretches, paths)

    Notes
    -----
    A service is done on the first day out of tolerance, that of today for what is out already. Between two
    days the walk is a bridge, as in `scheduling.engine.passage`.
    """
    courses = [course for job in jobs for course in job]
    owner = np.repeat(np.arange(len(jobs)), [len(job) for job in jobs])
    later = np.stack([course.later for course in courses], axis=1)
    limit = np.array([course.limit for course in courses], np.float32)[:, None]
    fresh_mean = np.array([course.fresh_mean for course in courses], np.float32)[:, None]
    fresh_sd = np.stack([course.fresh_sd for course in courses])
    crossing = np.stack([course.crossing for course in courses], axis=1)
    first = np.stack([course.first for course in courses], axis=1)
    counts = np.zeros((len(jobs), int(stretch[-1]) + 1, later.shape[2]), np.int64)
    served = np.zeros((len(jobs), later.shape[2]), bool)
    offset = np.zeros(later.shape[1:], np.float32)
    before = first[0]
    for day in range(len(later)):
        now = np.where(served[owner], later[day] - offset, first[day])
        out = np.abs(now) > limit if day == 0 else crossed(before, now, limit, crossing[day - 1])
        hit = np.zeros_like(served)
        np.logical_or.at(hit, owner, out)
        if hit.any():
            counts[:, stretch[day]] += hit
            served |= hit
            of_course = hit[owner]
            left = fresh_mean + fresh_sd * rng.standard_normal(later.shape[1:], dtype=np.float32)
            offset = np.where(of_course, later[day] - left, offset)
            now = np.where(of_course, left, now)
        before = now
    return counts


def follow(
    group: Group,
    cases: Sequence[Case],
    beliefs: Sequence[Beliefs],
    today: int,
    weather: Weather,
    drawn: Callable[[Case], Draws],
) -> Iterator[tuple[int, Course]]:
    """Give the place in the fleet and the course of every case of a group."""
    futures = weather.futures(group.woods)
    roots = square_roots(np.array([beliefs[i].spread for i in group.members]))
    for i, root in zip(group.members, roots, strict=True):
        case, own = cases[i], drawn(cases[i])
        path = Deviations(group, case, beliefs[i], today, weather.first, futures, own, root)
        blocks = list(path.blocks())
        first = np.concatenate([blocks[0][0][:1], *(deviation[1:] for deviation, _, _ in blocks)])
        spread = np.concatenate([np.asarray(variance * crossing) for _, variance, crossing in blocks])
        faded = path.settled[:, None] * (path.settling * (case.prior.settle_fade - 1.0))
        yield (
            i,
            Course(
                first=first,
                later=first + faded.astype(np.float32),
                crossing=spread,
                fresh_mean=case.prior.start.mean,
                fresh_sd=(case.prior.start.sd * np.sqrt(path.noise)).astype(np.float32),
                limit=case.subject.tolerance,
            ),
        )


class OwnDraws:
    """Random numbers of each case of its own, with what it shares with its like and its site in common.

    Dates of single instruments may share their random numbers; a sum over instruments may not, or it would
    be as doubtful as if all of them erred together.

    Notes
    -----
    Doubt about coefficients is divided as it was before any record: how much of what is left after them is
    shared is not worked out. Prior, on the side of too wide a range.
    """

    def __init__(self, seed: int, paths: int, days: int) -> None:
        self._seed, self._paths, self._days = seed, paths, days

    def __call__(self, case: Case) -> Draws:
        """Draw for one case."""
        subject = case.subject
        own = draw(self._stream(subject.service, subject.instrument), self._paths, self._days)
        alike = self._shared(subject.service, subject.instrument_kind, subject.use_class)
        site = self._shared(subject.service)
        variance = own_and_shared(case.prior)
        total = variance.sum(axis=0)
        share = np.sqrt(variance / np.where(total > 0, total, 1.0))
        mixed = share[0] * own.coefficients + share[1] * alike + share[2] * site
        return replace(own, coefficients=mixed)

    def _shared(self, *names: str) -> Floats:
        return self._stream("shared", *names).standard_normal((self._paths, 5))

    def _stream(self, *names: str) -> np.random.Generator:
        return np.random.default_rng([self._seed, *(zlib.crc32(name.encode()) for name in names)])
