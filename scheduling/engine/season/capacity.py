"""Whose hours a visit can come from: people grouped into pools, week by week."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.problem import SeasonProblem
from scheduling.engine.season.sharing import Bundles, Savings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

SLACK_HOURS = 1e-9
"""Rounding allowed when hours are compared [h]."""
MEASURES_MORE = 20
"""Measures of room tried when shared hours are weighed against lost ones; more weigh less."""
MOST_FACTOR = 4.0
"""Where a shared hour would make room for more hours than this, no hours are taken as lost."""


@dataclass(frozen=True)
class Kinds:
    """Visits that are alike for the hours: the same length, and the same people able to do them.

    A bundle of visits that share hours counts as one visit of its own kind.

    ``of_job`` (n,) gives each job's kind, ``hours`` (c,) the length [h], ``able`` (c, P) who can,
    ``of_bundle`` (m,) each bundle's kind; ``savings`` and ``bundles`` say which visits share hours.
    """

    of_job: Ints
    hours: Floats
    able: Bools
    of_bundle: Ints
    savings: Savings
    bundles: Bundles


def visit_kinds(problem: SeasonProblem) -> Kinds:
    """Sort the jobs and the bundles into kinds of visit."""
    savings = Savings(len(problem.jobs), problem.sharings)
    bundles = savings.bundles()
    keys: dict[tuple[float, tuple[int, ...]], int] = {}
    who = [frozenset(problem.eligible(index)) for index in range(len(problem.jobs))]
    of_job = np.zeros(len(problem.jobs), dtype=np.int64)
    for index, job in enumerate(problem.jobs):
        of_job[index] = keys.setdefault((float(job.hours), tuple(sorted(who[index]))), len(keys))
    of_bundle = np.zeros(len(bundles), dtype=np.int64)
    for index, row in enumerate(bundles.member):
        jobs = [int(job) for job in row if job >= 0]
        hours = round(sum(problem.jobs[job].hours for job in jobs) - float(bundles.saved[index]), 9)
        people = tuple(sorted(frozenset.intersection(*(who[job] for job in jobs))))
        of_bundle[index] = keys.setdefault((hours, people), len(keys))
    able = np.zeros((len(keys), len(problem.people)), dtype=bool)
    for (_, people), kind in keys.items():
        able[kind, list(people)] = True
    return Kinds(of_job, np.array([hours for hours, _ in keys]), able, of_bundle, savings, bundles)


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
    bundle_hours : ndarray, shape (m, W)
        Hours that each bundle takes from a pool [h].
    """

    team_of: Ints
    teams: int
    links: Ints
    hours: Floats
    member: Ints
    bundle_hours: Floats

    def same_as(self, other: "Pools") -> bool:
        """Whether both say the same about every visit and every hour."""
        pairs = (
            (self.team_of, other.team_of),
            (self.links, other.links),
            (self.hours, other.hours),
            (self.bundle_hours, other.bundle_hours),
        )
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
    hours, factor = problem.hours, np.ones(problem.hours.shape)
    if whole:
        hours, factor = usable_hours(problem, kinds)
    builder = _PoolBuilder(len(problem.people), problem.weeks, len(kinds.hours))
    for week in range(problem.weeks):
        able = kinds.able.copy()
        if whole:
            able &= problem.hours[None, :, week] >= kinds.hours[:, None] - SLACK_HOURS
        builder.add_week(week, able, hours[:, week])
    saved, length = kinds.bundles.saved[:, None], kinds.hours[kinds.of_bundle][:, None]
    most = np.ones((len(kinds.bundles), problem.weeks))
    for bundle, kind in enumerate(kinds.of_bundle):
        most[bundle] = factor[kinds.able[kind]].max(axis=0, initial=1.0)
    return builder.build(length - (most - 1) * saved)


def usable_hours(problem: SeasonProblem, kinds: Kinds) -> tuple[Floats, Floats]:
    """Hours rounded down to the common measure of all visits, where they have one.

    Returns
    -------
    hours : ndarray, shape (P, W)
        Hours that visits can use up when they share none [h].
    factor : ndarray, shape (P, W)
        How many more hours of visits each shared hour makes room for at most, at least 1.

    Notes
    -----
    Visits of a common measure m that share s hours in a week of H hours, s a multiple of g, take together at
    most floor((H + s) / m) m. That is no more than floor(H / m) m + factor s where factor is the greatest of
    j m / s_j, s_j being the least multiple of g that makes room for j measures more.
    """
    measure = _common_measure(kinds.hours[kinds.of_job])
    ones = np.ones(problem.hours.shape)
    if measure is None:
        return problem.hours, ones
    hours = np.floor(problem.hours / measure + 1e-6) * measure
    if not len(kinds.bundles):
        return hours, ones
    step = _common_measure(kinds.bundles.saved)
    if step is None:
        return problem.hours, ones
    more, lost = measure * np.arange(1, MEASURES_MORE + 1), problem.hours - hours
    needed = np.ceil((more - lost[:, :, None]) / step - 1e-6) * step
    factor = (more / np.maximum(needed, step)).max(axis=2)
    # room for still more measures asks for at least so many shared hours, whatever their own measure
    beyond = more[-1] + measure
    factor = np.maximum(factor, beyond / (beyond - lost))
    rounded = factor <= MOST_FACTOR
    return np.where(rounded, hours, problem.hours), np.where(rounded, factor, 1.0)


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

    def build(self, bundle_hours: Floats) -> Pools:
        links = np.array(self.links, dtype=np.int64).reshape(-1, 2)
        hours = np.array(self.hours, dtype=np.float64)
        return Pools(self.team_of, self.teams, links, hours, self.member, bundle_hours)
