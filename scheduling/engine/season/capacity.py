"""Whose hours a visit can come from: people grouped into pools, week by week."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.problem import SeasonProblem

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

SLACK_HOURS = 1e-9
"""Rounding allowed when hours are compared [h]."""


@dataclass(frozen=True)
class Kinds:
    """Visits that are alike for the hours: the same length, and the same people able to do them.

    ``of_job`` (n,) gives each job's kind, ``hours`` (c,) the length [h], ``able`` (c, P) who can.
    """

    of_job: Ints
    hours: Floats
    able: Bools


def visit_kinds(problem: SeasonProblem) -> Kinds:
    """Sort the jobs into kinds of visit."""
    keys: dict[tuple[float, tuple[int, ...]], int] = {}
    of_job = np.zeros(len(problem.jobs), dtype=np.int64)
    for index, job in enumerate(problem.jobs):
        key = (float(job.hours), tuple(sorted(set(problem.eligible(index)))))
        of_job[index] = keys.setdefault(key, len(keys))
    able = np.zeros((len(keys), len(problem.people)), dtype=bool)
    for (_, people), kind in keys.items():
        able[kind, list(people)] = True
    return Kinds(of_job, np.array([hours for hours, _ in keys]), able)


@dataclass(frozen=True)
class Pools:
    """The hours of a season as the relaxation sees them.

    A *team* is a set of people from whom a visit may take its hours in one week; a *pool* is a group of
    people of one week who belong to the same teams.

    Attributes
    ----------
    team_of : ndarray of int, shape (c, W)
        Team of each kind of visit in each week, -1 where nobody can make it.
    teams : int
        Number of teams.
    links : ndarray of int, shape (m, 2)
        Team and pool of every possible supply of hours.
    hours : ndarray, shape (pools,)
        Hours in each pool [h].
    member : ndarray of int, shape (P, W)
        Pool of each person in each week, -1 for nobody's.
    """

    team_of: Ints
    teams: int
    links: Ints
    hours: Floats
    member: Ints

    def same_as(self, other: "Pools") -> bool:
        """Whether both say the same about every visit and every hour."""
        pairs = ((self.team_of, other.team_of), (self.links, other.links), (self.hours, other.hours))
        return all(np.array_equal(mine, theirs) for mine, theirs in pairs)

    def team_price(self, pool_price: Floats) -> Floats:
        """Price of an hour for each team: that of its cheapest pool [weighted d per h]."""
        price = np.full(self.teams, np.inf)
        np.minimum.at(price, self.links[:, 0], pool_price[self.links[:, 1]])
        return price


def make_pools(problem: SeasonProblem, kinds: Kinds, whole: bool) -> Pools:
    """Group the hours of every week.

    Parameters
    ----------
    problem : SeasonProblem
    kinds : Kinds
    whole : bool
        Whether a visit must fit into one person's hours of the week and hours below the common measure of the
        visits are lost. True is the tighter relaxation of the whole-numbered plan; False is the plain one, of
        which the worth of an hour is taken.
    """
    hours = usable_hours(problem, kinds) if whole else problem.hours
    builder = _PoolBuilder(len(problem.people), problem.weeks, len(kinds.hours))
    for week in range(problem.weeks):
        able = kinds.able.copy()
        if whole:
            able &= hours[None, :, week] >= kinds.hours[:, None] - SLACK_HOURS
        builder.add_week(week, able, hours[:, week])
    return builder.build()


def usable_hours(problem: SeasonProblem, kinds: Kinds) -> Floats:
    """Hours rounded down to the common measure of all visits, where they have one."""
    measure = _common_measure(kinds.hours)
    if measure is None:
        return problem.hours
    return np.asarray(np.floor(problem.hours / measure + 1e-6) * measure, dtype=np.float64)


def _common_measure(hours: Floats) -> float | None:
    """Greatest common measure of the visit lengths to the minute, or None where that is not exact."""
    minutes = np.rint(hours * 60)
    if not len(hours) or np.any(np.abs(minutes - hours * 60) > 1e-6):
        return None
    return float(np.gcd.reduce(minutes.astype(np.int64))) / 60


class _PoolBuilder:
    def __init__(self, people: int, weeks: int, kinds: int) -> None:
        self.team_of = np.full((kinds, weeks), -1, dtype=np.int64)
        self.member = np.full((people, weeks), -1, dtype=np.int64)
        self.links: list[tuple[int, int]] = []
        self.hours: list[float] = []
        self.teams = 0

    def add_week(self, week: int, able: Bools, hours: Floats) -> None:
        busy = np.flatnonzero(able.any(axis=1))
        teams, team = np.unique(able[busy], axis=0, return_inverse=True)
        self.team_of[busy, week] = self.teams + team.reshape(-1)
        known = np.flatnonzero(teams.any(axis=0))
        groups, group = np.unique(teams[:, known].T, axis=0, return_inverse=True)
        group = group.reshape(-1)
        self.member[known, week] = len(self.hours) + group
        for t, g in np.argwhere(groups.T):
            self.links.append((self.teams + int(t), len(self.hours) + int(g)))
        self.hours.extend(np.bincount(group, weights=hours[known], minlength=len(groups)))
        self.teams += len(teams)

    def build(self) -> Pools:
        links = np.array(self.links, dtype=np.int64).reshape(-1, 2)
        return Pools(self.team_of, self.teams, links, np.array(self.hours, dtype=np.float64), self.member)
