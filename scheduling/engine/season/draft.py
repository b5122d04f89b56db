"""A plan in the making: visits with their people, hours left, and moves that keep every rule."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.capacity import SLACK_HOURS
from scheduling.engine.season.packing import Packer
from scheduling.engine.season.pricing import Pricing
from scheduling.engine.season.relaxation import last_visit

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


ROUNDS = 10
"""Most passes over all jobs at one charge for the hours."""


class Draft:
    """Visits (n, W), the person of each (-1 for none) and the hours each person has left (P, W).

    Starts with the held visits alone.

    Parameters
    ----------
    pricing : Pricing

    Raises
    ------
    ValueError
        When the held visits of a week do not fit into its hours.
    """

    def __init__(self, pricing: Pricing) -> None:
        self.pricing = pricing
        problem = pricing.problem
        size = (len(problem.jobs), problem.weeks)
        self.visits = np.zeros(size, dtype=bool)
        self.person = np.full(size, -1, dtype=np.int64)
        self.left = problem.hours.astype(float).copy()
        self.offered = problem.hours.astype(float)
        self.able = pricing.kinds.able[pricing.kinds.of_job]
        self.packer = Packer(self.able, pricing.hours, pricing.savings)
        self.held = held_visits(pricing)
        self.rules_of = _rules_by_job(pricing)
        self.set_visits(self.held, np.zeros(size))

    def cost(self) -> float:
        """Cost of the plan, moves of a former plan included when the pricing includes them."""
        return float(self.job_cost().sum())

    def job_cost(self) -> Floats:
        """Cost of each job's path."""
        return self.pricing.table.cost(np.arange(len(self.visits)), self.visits)

    def copy_from(self, other: "Draft") -> None:
        """Take over another draft's visits, people and hours."""
        self.visits, self.person, self.left = other.visits.copy(), other.person.copy(), other.left.copy()

    def set_visits(self, visits: Bools, order: Floats) -> Bools:
        """Plan as many of the given visits as fit, held ones first, then by falling ``order``.

        Returns
        -------
        ndarray of bool, shape (n, W)
            Visits that found no hours.

        Raises
        ------
        ValueError
            When a held visit found no hours.
        """
        wanted = visits | self.held
        refused = np.zeros(wanted.shape, dtype=bool)
        for week in range(wanted.shape[1]):
            jobs = np.flatnonzero(wanted[:, week])
            rank = np.lexsort((-self.pricing.hours[jobs], -order[jobs, week], ~self.held[jobs, week]))
            ranked = jobs[rank]
            people, left = self.packer.pack(ranked, self.offered[:, week], self.held[ranked, week])
            self.person[:, week] = -1
            self.person[ranked, week] = people
            self.left[:, week] = left
            refused[ranked[people < 0], week] = True
        self.visits = self.person >= 0
        self._refuse_lost_holds(refused)
        return refused

    def move(self, job: int, visits: Bools, price: Floats) -> bool:
        """Change one job's visits, with the visits its order rules wait for, where that fits and pays.

        Parameters
        ----------
        job : int
        visits : ndarray of bool, shape (W,)
            Its new visits.
        price : ndarray, shape (n, W)
            What visits are charged [weighted d]; visits added for the rules must pay with it too.

        Returns
        -------
        bool
            False, and nothing changed, where hours, rules or cost speak against it.
        """
        rules = self.rules_of.get(job)
        if rules is None:
            return self._replace(job, visits)
        rows = np.unique(np.append(self.pricing.rule_on[rules], [job, *self.pricing.rule_job[rules]]))
        before = (self.visits[rows], self.person[rows], self.left.copy())
        worth = self._charged(rows, price)
        if self._replace(job, visits) and self._join(job, rules):
            kept = not any(self._breaks_rules(int(row)) for row in rows)
            if kept and self._charged(rows, price) < worth - 1e-9 * (1 + abs(worth)):
                return True
        self.visits[rows], self.person[rows], self.left = before
        return False

    def _join(self, job: int, rules: Ints) -> bool:
        """Add, in the same week, the visits that a job waits for; False where the hours are missing."""
        broken = broken_rules(self.pricing, self.visits, rules)
        places, weeks = np.nonzero(broken & (self.pricing.rule_job[rules] == job)[:, None])
        others = self.pricing.rule_on[rules[places]]
        for other in np.unique(others):
            wanted = self.visits[other].copy()
            wanted[weeks[others == other]] = True
            if not self._replace(int(other), wanted):
                return False
        return True

    def _charged(self, rows: Ints, price: Floats) -> float:
        visits = self.visits[rows]
        return float(self.pricing.table.cost(rows, visits).sum() + price[rows][visits].sum())

    def _replace(self, job: int, visits: Bools) -> bool:
        """Change one job's visits if the hours allow; False and nothing changed otherwise."""
        before = self.visits[job].copy()
        people, left = self.person[job].copy(), self.left.copy()
        for week in np.flatnonzero(before & ~visits):
            self._give_back(job, int(week))
        if all(self._take(job, int(week)) for week in np.flatnonzero(visits & ~before)):
            self.visits[job] = visits
            return True
        self.person[job], self.left = people, left
        return False

    def room_for(self) -> Bools:
        """Whether somebody has the hours for a visit (or makes it already), shape (n, W).

        Hours shared with visits that are planned already are taken off, whoever makes those.
        """
        room = np.asarray(self.person >= 0)
        lengths = np.broadcast_to(self.pricing.hours[:, None], room.shape)
        if len(self.pricing.bundling):
            lengths = lengths - self.pricing.bundling.beside(self.visits)
        for person in range(len(self.left)):
            enough = self.left[person][None, :] >= lengths - SLACK_HOURS
            room |= enough & self.able[:, person, None]
        return room

    def drop_disallowed(self) -> None:
        """Take out visits that break an order rule until none does; held ones never break one."""
        if not len(self.pricing.rule_job):
            return
        while True:
            rules, weeks = np.nonzero(broken_rules(self.pricing, self.visits))
            if not len(rules):
                return
            for job, week in {
                (int(j), int(w)) for j, w in zip(self.pricing.rule_job[rules], weeks, strict=True)
            }:
                self._give_back(job, week)
                self.visits[job, week] = False

    def _take(self, job: int, week: int) -> bool:
        """Give the visit to whom it takes least, of those to the one with the least hours that suffice."""
        lengths = self._lengths(job, week)
        left = np.where(self.able[job], self.left[:, week] - lengths, -1.0)
        enough = left >= -SLACK_HOURS
        if not enough.any():
            return False
        enough &= lengths <= lengths[enough].min() + SLACK_HOURS
        person = int(np.where(enough, left, np.inf).argmin())
        self.left[person, week] -= lengths[person]
        self.person[job, week] = person
        return True

    def _give_back(self, job: int, week: int) -> None:
        """Take the visit from its person, with the hours it takes beside their others."""
        person = int(self.person[job, week])
        self.person[job, week] = -1
        self.left[person, week] += self._lengths(job, week)[person]

    def _lengths(self, job: int, week: int) -> Floats:
        """Hours that a visit adds to each person's week, those shared with their other visits taken off."""
        lengths = np.full(len(self.left), self.pricing.hours[job])
        savings = self.pricing.savings
        if savings.group[job] >= 0:
            others = [other for other in savings.members[savings.group[job]] if other != job]
            for person, made in savings.outings(others, self.person[:, week]).items():
                lengths[person] -= savings.beside(job, made)
        return lengths

    def shared_price(self, price: Floats) -> Floats:
        """What each visit is spared of its price by hours shared with visits that are planned, (n, W)."""
        if not len(self.pricing.bundling):
            return np.zeros_like(price)
        spared = self.pricing.bundling.beside(self.visits) / self.pricing.hours[:, None]
        return np.asarray(np.maximum(price, 0.0) * spared)

    def _breaks_rules(self, job: int) -> bool:
        rules = self.rules_of.get(job)
        return rules is not None and bool(broken_rules(self.pricing, self.visits, rules).any())

    def _refuse_lost_holds(self, refused: Bools) -> None:
        for week in np.flatnonzero((refused & self.held).any(axis=0)):
            jobs = self.pricing.problem.jobs
            held = np.flatnonzero(self.held[:, week])
            names = ", ".join(f"{jobs[i].label} ({jobs[i].hours:g} h)" for i in held)
            raise ValueError(
                f"held visits of week {week + 1} do not fit into the {self.offered[:, week].sum():g} h "
                f"of the people able to make them: {names}"
            )


def held_visits(pricing: Pricing) -> Bools:
    """Visits that people have fixed, shape (n, W)."""
    held = np.zeros(pricing.team.shape, dtype=bool)
    for index, job in enumerate(pricing.problem.jobs):
        held[index, [week - 1 for week in job.held]] = True
    return held


def broken_rules(pricing: Pricing, visits: Bools, rules: Ints | None = None) -> Bools:
    """Rules and weeks (R, W) in which a visit is made that its rule does not allow."""
    chosen = np.arange(len(pricing.rule_job)) if rules is None else rules
    last = last_visit(visits[pricing.rule_on[chosen]])
    numbers, weeks = np.ogrid[: len(chosen), : visits.shape[1]]
    allowed = pricing.allowed[chosen[numbers], last, weeks]
    return np.asarray(visits[pricing.rule_job[chosen]] & ~allowed)


def improve(draft: Draft, price: Floats, seconds_left: Callable[[], float]) -> None:
    """Re-plan every job within the hours the others leave, until nothing is gained.

    Parameters
    ----------
    draft : Draft
        Changed in place.
    price : ndarray, shape (n, W)
        What a visit's hours are worth [weighted d]. They are charged in full first and less and less later,
        so that scarce hours are not taken by whoever comes first.
    seconds_left : callable
        0 or less stops.
    """
    for share in (1.0, 0.8, 0.6, 0.4, 0.2, 0.0):
        for _ in range(ROUNDS):
            if seconds_left() <= 0:
                return
            charged = share * (price - draft.shared_price(price))
            value, visits = draft.pricing.table.best(np.where(draft.room_for(), charged, np.inf))
            gain = draft.job_cost() + (charged * draft.visits).sum(axis=1) - value
            better = np.flatnonzero(gain > 1e-9 * (1 + np.abs(value)))
            better = better[np.argsort(-gain[better] / draft.pricing.hours[better])]
            if not sum(draft.move(int(job), visits[job], charged) for job in better):
                break


def _rules_by_job(pricing: Pricing) -> dict[int, Ints]:
    found: dict[int, list[int]] = {}
    for rule, jobs in enumerate(zip(pricing.rule_job, pricing.rule_on, strict=True)):
        for job in jobs:
            found.setdefault(int(job), []).append(rule)
    return {job: np.array(rules, dtype=np.int64) for job, rules in found.items()}
