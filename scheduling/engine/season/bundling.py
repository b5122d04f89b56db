"""Bundles of visits in the relaxation: what each saves at some prices, and what its visits earn by it."""

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from scheduling.engine.season.capacity import Kinds, Pools

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

MOST_SLACK = 1e9
"""Stands for a week in which no visit is possible [weighted d]."""


class Bundling:
    """The bundles of a season in each of its weeks.

    A bundle b in week w is a variable between 0 and 1 that takes the hours of its visits apart back and
    takes those of the bundle instead; the bundles with a job are at most as many as the job's visits. The
    prices of these last rows are what a visit earns.

    Attributes
    ----------
    member : ndarray of int, shape (m, K)
        Jobs of each bundle, filled up with -1.
    possible : ndarray of bool, shape (m, W)
        Weeks in which somebody can make it and each of its visits is allowed.
    hours : ndarray, shape (m, W)
        Hours that it takes in the relaxation [h].
    """

    def __init__(self, kinds: Kinds, pools: Pools, possible: Bools) -> None:
        bundles = kinds.bundles
        self.member, self.slot, self.saved = bundles.member, bundles.slot, bundles.saved
        self.kind, self.pools = kinds.of_bundle, pools
        self.kind_of_job = kinds.of_job
        self.job_hours = kinds.hours[kinds.of_job] if len(kinds.of_job) else np.zeros(0)
        self.hours = pools.bundle_hours
        self.team_of_job, self.team = pools.team_of[kinds.of_job], pools.team_of[kinds.of_bundle]
        self.known = self.member >= 0
        each = np.vstack([possible, np.ones((1, possible.shape[1]), dtype=bool)])
        self.possible = (self.team >= 0) & each[self.member].all(axis=1)
        self.slots = [
            np.flatnonzero(self.slot == number) for number in range(int(self.slot.max(initial=-1)) + 1)
        ]

    def __len__(self) -> int:
        return len(self.member)

    def worth(self, pool: Floats) -> Floats:
        """What each bundle saves in each week at a price of the hours, shape (m, W) [weighted d]."""
        price = np.append(self.pools.team_price(pool), 0.0)
        apart = np.vstack(
            [self.job_hours[:, None] * price[self.team_of_job], np.zeros(self.possible.shape[1])]
        )
        together = self.hours * price[self.team]
        saved = apart[self.member].sum(axis=1) - together
        return np.asarray(np.where(self.possible, np.maximum(saved, 0.0), 0.0), dtype=np.float64)

    def unpaid(self, pool: Floats, earned: Floats) -> Floats:
        """What each bundle saves beyond what its visits earn, shape (m, W) [weighted d]."""
        if not len(self):
            return np.zeros(self.possible.shape)
        return np.asarray(np.maximum(self.worth(pool) - self._paid(earned), 0.0))

    def pay(self, pool: Floats, earned: Floats, slack: Floats, settled: Bools) -> Floats:
        """Earnings (n, W) that pay for every bundle in the weeks that are not settled.

        Parameters
        ----------
        pool : ndarray
            Price of an hour in each pool.
        earned : ndarray, shape (n, W)
            Earnings where they are settled, 0 elsewhere.
        slack : ndarray, shape (n, W)
            By how much a path through each visit costs more than the job's best [weighted d]. Up to this a
            payment changes no best path, so it goes first to visits that are far from paying anyway.
        settled : ndarray of bool, shape (n, W)
        """
        worth = self.worth(pool)
        paid = np.vstack([earned, np.zeros((1, earned.shape[1]))])
        room = np.vstack([np.minimum(slack, MOST_SLACK), np.zeros((1, slack.shape[1]))])
        free = ~settled[self.member[:, 0]]
        for rows in self.slots:
            jobs, known = self.member[rows], self.known[rows][:, :, None]
            lacking = np.where(free[rows], np.maximum(worth[rows] - paid[jobs].sum(axis=1), 0.0), 0.0)
            ease = np.where(known, np.maximum(room[jobs] - paid[jobs], 0.0), 0.0)
            whole = ease.sum(axis=1, keepdims=True)
            even = known / known.sum(axis=1, keepdims=True)
            part = np.where(whole > 0, ease / np.where(whole > 0, whole, 1.0), even)
            added = lacking[:, None, :] * part
            # a bundle's slot is its own in its group, so no job stands twice in these rows
            paid[jobs[self.known[rows]]] += added[self.known[rows]]
        return np.asarray(paid[:-1])

    def beside(self, visits: Bools) -> Floats:
        """Hours that each visit shares, or would share, with the visits given (n, W), shape (n, W) [h]."""
        gain = np.zeros((len(visits) + 1, visits.shape[1]))
        made = np.vstack([visits, np.ones((1, visits.shape[1]), dtype=bool)])
        # in a larger bundle part of the saving is between the others, so pairs alone are counted
        pairs = self.member[self.known.sum(axis=1) == 2]
        saved = self.saved[self.known.sum(axis=1) == 2][:, None]
        for job, other in ((0, 1), (1, 0)):
            np.add.at(gain, pairs[:, job], np.where(made[pairs[:, other]], saved, 0.0))
        return np.asarray(np.minimum(gain[:-1], 0.9 * self.job_hours[:, None]))

    def columns(self, bundle: Ints, week: Ints, visits: sparse.csr_matrix) -> sparse.csr_matrix:
        """Visits by kind and week (row k W + w) with one more column per bundle, which are the last.

        A bundle takes its visits out of their own kinds and counts as one visit of its own.
        """
        weeks = self.possible.shape[1]
        number = np.arange(len(bundle))
        place, seat = np.nonzero(self.known[bundle])
        apart = self.kind_of_job[self.member[bundle[place], seat]]
        rows = np.concatenate([apart * weeks + week[place], self.kind[bundle] * weeks + week])
        columns = np.concatenate([place, number])
        values = np.concatenate([-np.ones(len(place)), np.ones(len(bundle))])
        table = sparse.csr_matrix((values, (rows, columns)), (visits.shape[0], len(bundle)))
        return sparse.hstack([visits, table], format="csr")

    def links(self, bundle: Ints, week: Ints) -> tuple[Ints, Ints, sparse.csr_matrix]:
        """Jobs and weeks (from 0) that bundles take visits of, and which bundles take them, a row each."""
        weeks = self.possible.shape[1]
        place, seat = np.nonzero(self.known[bundle])
        taken, row = np.unique(self.member[bundle[place], seat] * weeks + week[place], return_inverse=True)
        table = sparse.csr_matrix((np.ones(len(place)), (row, place)), (len(taken), len(bundle)))
        return taken // weeks, taken % weeks, table

    def _paid(self, earned: Floats) -> Floats:
        return np.asarray(np.vstack([earned, np.zeros((1, earned.shape[1]))])[self.member].sum(axis=1))
