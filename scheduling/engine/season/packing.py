"""Who makes which visit of a week: whole visits into the hours of the people able to make them."""

from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from scheduling.engine.season.capacity import SLACK_HOURS
from scheduling.engine.season.sharing import Savings
from scheduling.engine.season.solver import IntegerProgramme, solve_integer

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

SEARCH_SECONDS = 1.0
"""Longest search for the people of one week [s]."""


class Packer:
    """Gives a week's visits to people, together what shares hours.

    Parameters
    ----------
    able : ndarray of bool, shape (n, P)
        Who can do each job.
    hours : ndarray, shape (n,)
        Length of each job's visit made alone [h].
    savings : Savings
    """

    def __init__(self, able: Bools, hours: Floats, savings: Savings) -> None:
        self.able, self.hours, self.savings = able, hours, savings

    def pack(self, jobs: Ints, offered: Floats, must: Bools) -> tuple[Ints, Floats]:
        """Give each visit of one week to a person.

        Parameters
        ----------
        jobs : ndarray of int, shape (k,)
            The jobs to be visited, those that matter most first.
        offered : ndarray, shape (P,)
            Hours of each person [h].
        must : ndarray of bool, shape (k,)
            Visits to be placed before any other.

        Returns
        -------
        people : ndarray of int, shape (k,)
            Person of each visit, -1 where no hours are left.
        left : ndarray, shape (P,)
            Hours left over [h].

        Notes
        -----
        What shares hours goes to one person together, and what then finds no hours goes alone; where people
        differ, or something that must be is left out, a small integer programme decides between the two.
        """
        sets = self._together(jobs)
        if not sets:
            return pack(self.able[jobs], self.hours[jobs], offered, must)
        items = self._items(jobs, sets)
        people, left = self._place(jobs, items, offered, must)
        refused = people < 0
        if refused.any() and (len(offered) > 1 or refused[must].any()):
            other, rest = self._search(jobs, sets, offered, must)
            more = (other[must] >= 0).sum() - (people[must] >= 0).sum()
            if more > 0 or (more == 0 and (other >= 0).sum() > (people >= 0).sum()):
                return other, rest
        return people, left

    def _together(self, jobs: Ints) -> list[list[int]]:
        """Places, among the jobs, of visits of one group that save hours together."""
        found: dict[int, list[int]] = {}
        for place in np.flatnonzero(self.savings.group[jobs] >= 0):
            found.setdefault(int(self.savings.group[jobs[place]]), []).append(int(place))
        sets = (places for places in found.values() if len(places) > 1)
        return [places for places in sets if self.savings.saved([int(job) for job in jobs[places]]) > 0]

    def _items(self, jobs: Ints, sets: list[list[int]]) -> list[list[int]]:
        """The sets that one person can make, and every other visit by itself, in the order of the jobs."""
        whole = [places for places in sets if self.able[jobs[places]].all(axis=0).any()]
        inside = {place for places in whole for place in places}
        return sorted([*whole, *([place] for place in range(len(jobs)) if place not in inside)])

    def _place(self, jobs: Ints, items: list[list[int]], offered: Floats, must: Bools) -> tuple[Ints, Floats]:
        able = np.array([self.able[jobs[places]].all(axis=0) for places in items])
        lengths = np.array([self._length(jobs[places]) for places in items])
        who, left = pack(able, lengths, offered, np.array([must[places].any() for places in items]))
        people = np.full(len(jobs), -1, dtype=np.int64)
        for places, person in zip(items, who, strict=True):
            people[places] = person
        for place in np.flatnonzero(people < 0):
            self._alone(jobs, people, left, int(place))
        return people, self._left(jobs, people, offered)

    def _alone(self, jobs: Ints, people: Ints, left: Floats, place: int) -> None:
        """Give one visit to a person whose hours suffice beside their own, if there is one."""
        group = self.savings.group[jobs[place]]
        lengths = np.full(len(left), self.hours[jobs[place]])
        for person in range(len(left)) if group >= 0 else ():
            made = jobs[(self.savings.group[jobs] == group) & (people == person)]
            lengths[person] -= self.savings.beside(int(jobs[place]), [int(job) for job in made])
        enough = self.able[jobs[place]] & (left >= lengths - SLACK_HOURS)
        if enough.any():
            person = int(np.where(enough, left - lengths, np.inf).argmin())
            people[place] = person
            left[person] -= lengths[person]

    def _search(self, jobs: Ints, sets: list[list[int]], offered: Floats, must: Bools) -> tuple[Ints, Floats]:
        """Place as many visits as possible, those that must be first, each alone or in a part of its set."""
        parts = [[place] for place in range(len(jobs))]
        for places in sets:
            for count in range(2, len(places) + 1):
                parts += [list(chosen) for chosen in combinations(places, count)]
        able = np.array([self.able[jobs[places]].all(axis=0) for places in parts])
        item, person = np.nonzero(able)
        people = np.full(len(jobs), -1, dtype=np.int64)
        if not len(item):
            return people, offered.astype(float)
        lengths = np.array([self._length(jobs[places]) for places in parts])
        worth = np.array(
            [sum(len(jobs) + 1.0 if must[place] else 1.0 for place in places) for places in parts]
        )
        number = np.arange(len(item))
        rows = np.concatenate([parts[one] for one in item])
        columns = np.repeat(number, [len(parts[one]) for one in item])
        shape = (len(jobs), len(item))
        once = sparse.csr_matrix((np.ones(len(rows)), (rows, columns)), shape)
        load = sparse.csr_matrix((lengths[item], (person, number)), (len(offered), len(item)))
        upper = np.concatenate([np.ones(len(jobs)), offered + SLACK_HOURS])
        programme = IntegerProgramme(
            -worth[item],
            sparse.vstack([once, load], format="csc"),
            np.full(len(upper), -np.inf),
            upper,
            np.ones(len(item)),
            np.ones(len(item), dtype=bool),
        )
        answer = solve_integer(programme, SEARCH_SECONDS)
        if answer.x is not None:
            for one in np.flatnonzero(answer.x > 0.5):
                people[parts[item[one]]] = person[one]
        return people, self._left(jobs, people, offered)

    def _length(self, jobs: Ints) -> float:
        return float(self.hours[jobs].sum()) - self.savings.saved([int(job) for job in jobs])

    def _left(self, jobs: Ints, people: Ints, offered: Floats) -> Floats:
        placed = people >= 0
        used = np.bincount(people[placed], weights=self.hours[jobs[placed]], minlength=len(offered))
        saved = self.savings.saved_by_person(jobs, people, len(offered))
        return np.asarray(offered - used + saved)


def pack(able: Bools, length: Floats, hours: Floats, must: Bools) -> tuple[Ints, Floats]:
    """Give each visit to a person.

    Parameters
    ----------
    able : ndarray of bool, shape (k, P)
        Who can make each visit.
    length : ndarray, shape (k,)
        Hours of each visit [h]; the first visits matter most.
    hours : ndarray, shape (P,)
        Hours of each person [h].
    must : ndarray of bool, shape (k,)
        Visits to be placed before any other.

    Returns
    -------
    people : ndarray of int, shape (k,)
        Person of each visit, -1 where no hours are left.
    left : ndarray, shape (P,)
        Hours left over [h].

    Notes
    -----
    In the order given to the person with the least hours that suffice; then the longest and least shareable
    first; then, where people differ and some visit is still left out, by a small integer programme.
    """
    people = _fit(able, length, hours, np.arange(len(length)))
    if len(hours) > 1 and (people < 0).any():
        other = _fit(able, length, hours, np.lexsort((-length, able.sum(axis=1), ~must)))
        if (other < 0).any():
            other = _search(able, length, hours, must)
        if (other[must] >= 0).all() and (
            (people[must] < 0).any() or (other >= 0).sum() > (people >= 0).sum()
        ):
            people = other
    placed = people >= 0
    used = np.bincount(people[placed], weights=length[placed], minlength=len(hours))
    return people, hours - used


def _fit(able: Bools, length: Floats, hours: Floats, order: Ints) -> Ints:
    people, left = np.full(len(length), -1, dtype=np.int64), hours.astype(float).copy()
    for visit in order:
        enough = able[visit] & (left >= length[visit] - SLACK_HOURS)
        if enough.any():
            person = int(np.where(enough, left, np.inf).argmin())
            people[visit] = person
            left[person] -= length[visit]
    return people


def _search(able: Bools, length: Floats, hours: Floats, must: Bools) -> Ints:
    """Place as many visits as possible, those that must be first, alike visits counted together."""
    table = np.column_stack([length, must, able])
    kinds, kind = np.unique(table, axis=0, return_inverse=True)
    kind = kind.reshape(-1)
    of, person = np.nonzero(kinds[:, 2:])
    if not len(of):
        return np.full(len(length), -1, dtype=np.int64)
    number = np.arange(len(of))
    count = sparse.csr_matrix((np.ones(len(of)), (of, number)), (len(kinds), len(of)))
    load = sparse.csr_matrix((kinds[of, 0], (person, number)), (len(hours), len(of)))
    worth = np.where(kinds[:, 1] > 0, len(length) + 1.0, 1.0)
    upper = np.concatenate([np.bincount(kind, minlength=len(kinds)).astype(float), hours])
    programme = IntegerProgramme(
        -worth[of],
        sparse.vstack([count, load], format="csc"),
        np.full(len(upper), -np.inf),
        upper,
        np.full(len(of), np.inf),
        np.ones(len(of), dtype=bool),
    )
    answer = solve_integer(programme, SEARCH_SECONDS)
    people = np.full(len(length), -1, dtype=np.int64)
    if answer.x is not None:
        for amount, row, who in zip(np.rint(answer.x).astype(int), of, person, strict=True):
            waiting = np.flatnonzero((kind == row) & (people < 0))[:amount]
            people[waiting] = who
    return people
