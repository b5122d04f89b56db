"""The steps of a season's search: prices, bound, draft, choice, proof."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.capacity import make_pools, visit_kinds
from scheduling.engine.season.choice import choose, gather_candidates
from scheduling.engine.season.clock import Clock
from scheduling.engine.season.draft import Draft, improve
from scheduling.engine.season.exact import close_gap
from scheduling.engine.season.joint import Joint, solve_groups
from scheduling.engine.season.pricing import Prices, Pricing
from scheduling.engine.season.problem import SeasonProblem
from scheduling.engine.season.relaxation import JOB_BLOCKS, Relaxation, Relaxed
from scheduling.engine.season.repair import allow_visits
from scheduling.engine.season.result import season_result
from scheduling.engine.season.solution import SeasonResult, proven, relative_gap
from scheduling.engine.season.worth import hour_worth

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

GOOD_GAP = 1e-4
"""Gap at which a large plan is searched no further: far below what a forecast can tell apart."""
SAMPLE = 4000
"""Jobs whose prices give a larger fleet its first guess."""
CANDIDATES = (300, 1500, 6000)
"""Near-tied paths decided together, more when fewer did not suffice."""
KNOWN = 10
"""Sets of paths handed from one relaxation to the next."""
SHAKES = 20
"""Times the prices are shaken to find paths that nearly tie."""
SHAKE = 0.08
"""Spread of the shaken prices, on the log scale."""


class Search:
    """One season's search; ``run`` gives the result.

    ``bound`` is proven for the cost of a plan; ``target`` is the bound of what is minimised, which includes
    the price on moving visits of a former plan.
    """

    def __init__(
        self, problem: SeasonProblem, clock: Clock, progress: Callable[[str, float], None] | None = None
    ) -> None:
        self.problem, self.clock, self.progress = problem, clock, progress
        kinds = visit_kinds(problem)
        self.plain = Pricing(problem, kinds, make_pools(problem, kinds, whole=False))
        pools = make_pools(problem, kinds, whole=True)
        # where whole visits can use every hour, both relaxations are one
        same = pools.same_as(self.plain.pools)
        self.whole = self.plain if same else Pricing(problem, kinds, pools)
        self.draft = Draft(self.whole)
        self.moves = problem.moving_price > 0 and any(job.previous for job in problem.jobs)
        self.small = len(problem.jobs) <= JOB_BLOCKS
        self.bound = self.target = -np.inf
        self.cut_short = False
        self.price = np.zeros(self.whole.team.shape)

    def run(self) -> SeasonResult:
        """Search until the plan is proven, good enough, or the time is up."""
        prices = self.plain.no_prices()
        self._raise_bound(self.plain, prices, self.plain.answer(prices).bound)
        finished = True
        if self.problem.jobs and self.problem.weeks:
            self._tell("finding what an hour is worth in each week")
            plain = self._relax(self.plain, self._first_prices(), [self.draft.held])
            prices = plain.prices
            finished = self._plan(self._relax_whole(plain))
        return self._result(prices, finished)

    def _relax(self, pricing: Pricing, start: Prices, known: list[Bools]) -> Relaxed:
        target = 1e-7 if self.small else 1e-5
        if (self.problem.rules or self.problem.sharings) and not self.small:
            # without the rules a large fleet goes in blocks: a quick way to good prices and paths
            first = Relaxation(pricing, self._time_to_relax, with_rules=False).run(start, known, target)
            start, known = first.prices, [known[0], *first.paths[-KNOWN:]]
        relaxed = Relaxation(pricing, self._time_to_relax).run(start, known, target)
        self._raise_bound(pricing, relaxed.prices, relaxed.bound)
        self.cut_short |= self._time_to_relax() <= 0
        return relaxed

    def _time_to_relax(self) -> float:
        return self.clock.left(0.6)

    def _relax_whole(self, plain: Relaxed) -> Relaxed:
        """Relax again where whole visits cannot use every hour; else the plain relaxation says the same."""
        pools, others = self.plain.pools, self.whole.pools
        if self.whole is self.plain:
            return plain
        person = np.append(plain.prices.pool, 0.0)[pools.member]
        start = self.whole.no_prices()
        known = others.member >= 0
        np.maximum.at(start.pool, others.member[known], person[known])
        able = self.whole.team >= 0
        paths = [self.draft.held, *(visits & able for visits in plain.paths[-KNOWN:])]
        start = replace(plain.prices, pool=start.pool)
        return self._relax(self.whole, start, paths)

    def _first_prices(self) -> Prices:
        """One price for every hour at which the hours are about used up, or a sample's prices."""
        if len(self.problem.jobs) > 2 * SAMPLE:
            return self._sample_prices()
        low, high = 0.0, 1.0
        used = np.inf
        offered = self.problem.hours.sum()
        prices = self.plain.no_prices()
        for _ in range(16):
            middle = high if np.isinf(used) else (low + high) / 2
            prices = replace(prices, pool=np.full_like(prices.pool, middle))
            answer = self.plain.answer(prices)
            self._raise_bound(self.plain, prices, answer.bound)
            hours = float(self.plain.hours @ answer.visits.sum(axis=1))
            if hours > offered:
                low, high = middle, (2 * high if np.isinf(used) else high)
            else:
                high = used = middle
            if self.clock.left(0.2) <= 0:
                break
        return prices

    def _sample_prices(self) -> Prices:
        """Prices of a part of the fleet with its share of the hours."""
        jobs = np.random.default_rng(0).choice(len(self.problem.jobs), SAMPLE, replace=False)
        share = SAMPLE / len(self.problem.jobs)
        held = self.plain.hours @ self.draft.held
        rest = np.maximum(0.0, 1 - held / np.maximum(self.problem.hours.sum(axis=0), 1e-9))
        part = replace(
            self.problem,
            jobs=tuple(replace(self.problem.jobs[index], held=()) for index in np.sort(jobs)),
            hours=self.problem.hours * rest * share,
            rules=(),
            sharings=(),
        )
        sample = Search(part, Clock(self.clock.left(0.2), self.clock.must_stop))
        pricing = sample.plain
        found = Relaxation(pricing, lambda: sample.clock.left())
        relaxed = found.run(sample._first_prices(), [sample.draft.held], 1e-4)
        person = np.append(relaxed.prices.pool, 0.0)[pricing.pools.member]
        start = self.plain.no_prices()
        known = self.plain.pools.member >= 0
        np.maximum.at(start.pool, self.plain.pools.member[known], person[known])
        return start

    def _plan(self, relaxed: Relaxed) -> bool:
        """Draft, choose and prove; False when the time ran out before the search was done."""
        self._tell("drafting the plan")
        joint = self._join(relaxed)
        former = self._former()
        sets = [joint.visits, *former, *relaxed.paths[-SHAKES:], *self._shaken(relaxed.prices)]
        self._draft_from(relaxed.prices, [relaxed.likely, joint.visits, *former])
        self._tell("deciding between visits that nearly tie")
        self._choose(relaxed, sets, 0.6 if self.small else 0.9)
        if proven(self.draft.cost(), self.target):
            return True
        if not self.small and self._gap() <= GOOD_GAP:
            return not self.clock.asked_to_stop()
        self._tell("closing the gap")
        finished = self._prove(relaxed, joint)
        if finished is None:
            # too large to be handed over whole: what time is left goes into the choice
            self._choose(relaxed, sets, 0.95)
            return not self.cut_short and self.clock.left() > 0
        return finished

    def _former(self) -> list[Bools]:
        """The visits of the plan being replaced, as far as they can still be: staying is free."""
        if not self.moves:
            return []
        visits = self.draft.held.copy()
        for index, job in enumerate(self.problem.jobs):
            visits[index, [week - 1 for week in job.previous]] = True
        return [visits & (self.whole.possible | self.draft.held)]

    def _join(self, relaxed: Relaxed) -> Joint:
        """The bound with every instrument's order rules kept, where there are any."""
        if not self.problem.rules and not self.problem.sharings:
            return Joint(relaxed.answer.bound, np.zeros(len(self.problem.jobs)), relaxed.answer.visits)
        joint = solve_groups(self.whole, relaxed.prices, relaxed.answer, lambda: self.clock.left(0.7))
        self._take_bound(joint.bound)
        return joint

    def _take_bound(self, bound: float) -> None:
        """A bound of what is minimised, which is one of the cost too when moving is free."""
        self.target = max(self.target, bound)
        if not self.moves:
            self.bound = max(self.bound, bound)

    def _draft_from(self, prices: Prices, sets: list[Bools]) -> None:
        """Best of a few drafts, each made from paths at some prices."""
        # hours are shared only beside visits that are made: the draft looks for them itself
        self.price = self.whole.visit_price(replace(prices, earned=np.zeros_like(prices.earned)))
        trial = Draft(self.whole)
        for visits in sets:
            # some draft is made even when the time is up, unless a stop was asked for
            enough = self.clock.left(0.8) <= 0 and bool((self.draft.visits != self.draft.held).any())
            if self.clock.asked_to_stop() or enough:
                self.cut_short = True
                return
            allowed = allow_visits(self.whole, visits, self.price)
            trial.set_visits(allowed, _density(self.whole, allowed))
            self._take_if_better(trial)

    def _take_if_better(self, trial: Draft) -> None:
        trial.drop_disallowed()
        # hours are charged for at first, so improving may end dearer than it began
        if trial.cost() < self.draft.cost():
            self.draft.copy_from(trial)
        improve(trial, self.price, lambda: self.clock.left(0.9))
        if trial.cost() < self.draft.cost():
            self.draft.copy_from(trial)

    def _shaken(self, prices: Prices) -> list[Bools]:
        rng = np.random.default_rng(1)
        found = []
        for _ in range(SHAKES):
            if self.clock.left(0.6) <= 0:
                break
            factor = rng.lognormal(0.0, SHAKE, len(prices.pool))
            answer = self.whole.answer(replace(prices, pool=prices.pool * factor))
            found.append(answer.visits)
            if len(self.whole.rule_job):
                found.append(allow_visits(self.whole, answer.visits, self.whole.visit_price(prices)))
        return found

    def _choose(self, relaxed: Relaxed, sets: list[Bools], share: float) -> None:
        for most in CANDIDATES:
            seconds = self.clock.left(share)
            if seconds <= 0 or self._gap() <= GOOD_GAP:
                return
            candidates = gather_candidates(
                self.whole, relaxed.prices, relaxed.answer, sets, most, self.draft.visits
            )
            visits = choose(
                self.whole, candidates, self.draft.visits, seconds, GOOD_GAP / 2, self.clock.asked_to_stop
            )
            self.cut_short |= self.clock.left(share) <= 0
            if visits is not None:
                trial = Draft(self.whole)
                trial.set_visits(visits, _density(self.whole, visits))
                self._take_if_better(trial)
            if len(candidates.job) < len(self.problem.jobs) + most:
                return

    def _prove(self, relaxed: Relaxed, joint: Joint) -> bool | None:
        """Hand over what is left; None when it is too large or no time is left for it."""
        closed = close_gap(
            self.whole,
            relaxed.prices,
            self.draft,
            joint,
            self.clock.left(),
            self.clock.asked_to_stop,
        )
        if closed is None:
            return None
        if closed.visits is not None:
            trial = Draft(self.whole)
            trial.set_visits(closed.visits, _density(self.whole, closed.visits))
            self._take_if_better(trial)
        self._take_bound(closed.bound)
        return closed.finished

    def _raise_bound(self, pricing: Pricing, prices: Prices, bound: float) -> None:
        self.target = max(self.target, bound)
        if self.moves:
            bare = Pricing(self.problem, pricing.kinds, pricing.pools, with_moves=False)
            bound = bare.answer(prices).bound
        self.bound = max(self.bound, bound)

    def _gap(self) -> float:
        return relative_gap(self.draft.cost(), self.target)

    def _tell(self, words: str) -> None:
        if self.progress is not None:
            self.progress(words, min(1.0, self._gap()))

    def _result(self, prices: Prices, finished: bool) -> SeasonResult:
        worth = hour_worth(self.plain, prices)
        draft = self.draft
        return season_result(
            self.plain, draft.visits, draft.person, self.bound, worth, finished, self.clock.gone
        )


def _density(pricing: Pricing, visits: Bools) -> Floats:
    """What each visit saves per hour against leaving it out, shape (n, W) [weighted d per h]."""
    saved = np.zeros(visits.shape)
    jobs, weeks = np.nonzero(visits)
    without = visits[jobs].copy()
    without[np.arange(len(jobs)), weeks] = False
    table = pricing.table
    made = table.cost(jobs, visits[jobs])
    # Among visits that cannot be as they stand, none saves anything by itself.
    loss = np.where(np.isinf(made), 0.0, table.cost(jobs, without) - np.where(np.isinf(made), 0.0, made))
    saved[jobs, weeks] = loss / pricing.hours[jobs]
    return saved
