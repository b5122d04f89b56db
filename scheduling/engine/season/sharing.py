"""Hours shared by services of one instrument in one week: for the same person the action is out once."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

MOST_TOGETHER = 6
"""Most jobs of one instrument that may share hours with each other."""


@dataclass(frozen=True)
class Sharing:
    """A visit is shorter when the same person makes another visit of the instrument in the same week.

    Where several others would shorten it, the largest saving counts, once.

    Attributes
    ----------
    job : int
        Index of the job whose visit is shorter.
    beside : int
        Index of the job that has the action out anyway.
    hours : float
        Hours saved [h], above zero and below the length of either visit.
    """

    job: int
    beside: int
    hours: float


@dataclass(frozen=True)
class Bundles:
    """Sets of jobs whose visits, made by one person in one week, take fewer hours than each alone.

    Attributes
    ----------
    member : ndarray of int, shape (m, K)
        Jobs of each bundle, filled up with -1.
    saved : ndarray, shape (m,)
        Hours saved against the same visits made apart [h].
    slot : ndarray of int, shape (m,)
        Place of a bundle among those of its group, largest bundles first.
    """

    member: Ints
    saved: Floats
    slot: Ints

    def __len__(self) -> int:
        return len(self.saved)


class Savings:
    """What the jobs of a season save beside each other.

    Parameters
    ----------
    size : int
        Number of jobs.
    sharings : sequence of Sharing

    Attributes
    ----------
    group : ndarray of int, shape (size,)
        Group of jobs that share hours, directly or by way of others; -1 for a job that shares none.
    members : list of list of int
        Jobs of each group.
    of_job, hosts
        What shortens a visit of each job: the sharings, and the hours by the other job.
    """

    def __init__(self, size: int, sharings: Sequence[Sharing]) -> None:
        self.of_job: dict[int, list[Sharing]] = {}
        self.hosts: dict[int, dict[int, float]] = {}
        for one in sharings:
            self.of_job.setdefault(one.job, []).append(one)
            self.hosts.setdefault(one.job, {})[one.beside] = one.hours
        self.members = _joined(sharings)
        self.group = np.full(size, -1, dtype=np.int64)
        for number, jobs in enumerate(self.members):
            self.group[jobs] = number

    def host(self, job: int, together: Iterable[int]) -> tuple[int, float]:
        """Which of the visits made together shortens that of a job most, and by how much; else -1 and 0."""
        hosts = self.hosts.get(job, {})
        found = [(hosts[other], -other) for other in together if other in hosts]
        hours, other = max(found, default=(0.0, 1))
        return -other, hours

    def saved(self, together: Sequence[int]) -> float:
        """Hours saved by visits of one group made together [h]."""
        return sum(self.host(job, together)[1] for job in together)

    def beside(self, job: int, others: Sequence[int]) -> float:
        """Hours that one visit more adds in savings to visits of its group made together [h]."""
        return self.saved([*others, job]) - self.saved(others) if others else 0.0

    def saved_by_person(self, jobs: Ints, people: Ints, count: int) -> Floats:
        """Hours that each of so many people saves in a week, given who makes which visits, -1 nobody [h]."""
        saved = np.zeros(count)
        outings: dict[tuple[int, int], list[int]] = {}
        for job, person in zip(jobs.tolist(), people.tolist(), strict=True):
            if person >= 0 and self.group[job] >= 0:
                outings.setdefault((int(self.group[job]), person), []).append(job)
        for (_, person), together in outings.items():
            saved[person] += self.saved(together)
        return saved

    @staticmethod
    def outings(jobs: Iterable[int], person: Ints) -> dict[int, list[int]]:
        """Which of some jobs each person visits, given who visits each job of the season, -1 for nobody."""
        found: dict[int, list[int]] = {}
        for job in jobs:
            if person[job] >= 0:
                found.setdefault(int(person[job]), []).append(job)
        return found

    def bundles(self) -> Bundles:
        """Every set of jobs of a group in which each member adds to what is saved."""
        rows: list[tuple[int, ...]] = []
        saved: list[float] = []
        slots: list[int] = []
        for jobs in self.members:
            first = len(rows)
            for count in range(len(jobs), 1, -1):
                for chosen in combinations(jobs, count):
                    whole = self.saved(chosen)
                    if all(whole > self.saved([j for j in chosen if j != job]) for job in chosen):
                        rows.append(chosen)
                        saved.append(whole)
                        slots.append(len(rows) - 1 - first)
        member = np.full((len(rows), max(map(len, rows), default=2)), -1, dtype=np.int64)
        for number, chosen in enumerate(rows):
            member[number, : len(chosen)] = chosen
        return Bundles(member, np.array(saved, dtype=np.float64), np.array(slots, dtype=np.int64))


def _joined(sharings: Sequence[Sharing]) -> list[list[int]]:
    """Jobs joined by sharings, group by group."""
    group_of: dict[int, set[int]] = {}
    for one in sharings:
        both = group_of.get(one.job, {one.job}) | group_of.get(one.beside, {one.beside})
        for job in both:
            group_of[job] = both
    groups = {min(jobs): sorted(jobs) for jobs in group_of.values()}
    return [groups[first] for first in sorted(groups)]
