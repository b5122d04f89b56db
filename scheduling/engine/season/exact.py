"""The last step of the proof: only the arcs that a better plan could use, handed to the solver at once."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.draft import Draft
from scheduling.engine.season.flow import all_arcs, flow_model
from scheduling.engine.season.joint import Joint
from scheduling.engine.season.pricing import Prices, Pricing
from scheduling.engine.season.solver import solve_integer

Bools = NDArray[np.bool_]

MOST_ARCS = 60_000
"""Arcs up to which the rest of the problem is solved as one model."""


@dataclass(frozen=True)
class Closed:
    """Visits (n, W) of a better plan if any, the bound proven, and whether the search was finished."""

    visits: Bools | None
    bound: float
    finished: bool


def close_gap(
    pricing: Pricing,
    prices: Prices,
    draft: Draft,
    joint: Joint,
    seconds: float,
    must_stop: Callable[[], bool] | None = None,
) -> Closed | None:
    """Search the plans that could cost less than the draft; None when there are too many or no time is left.

    Notes
    -----
    Reduced-cost fixing: a plan through an arc costs at least the bound plus the arc's reduced cost at the
    bound's prices (what visits earn by sharing hours among them), so arcs whose reduced cost exceeds the gap
    are in no better plan. What solving an arc's
    own group as a whole added to the bound cannot be counted a second time.
    """
    cost = draft.cost()
    reduced = pricing.table.reduced(pricing.visit_price(prices), pricing.arc_change(prices))
    most = cost - joint.bound + joint.added + 1e-9 * (1 + abs(cost))
    arcs = all_arcs(pricing, most, reduced)
    if len(arcs.job) > MOST_ARCS or seconds <= 0:
        return None
    model = flow_model(pricing, arcs)
    start = _as_solution(model.arcs.job, model.arcs.start, model.arcs.end, draft.visits)
    found = solve_integer(model.programme, seconds, 0.0, start, must_stop)
    visits = None
    if found.x is not None and found.cost < cost:
        visits = model.visits(found.x, pricing.table.size, pricing.problem.weeks)
    return Closed(visits, max(joint.bound, min(cost, found.bound)), found.finished)


def _as_solution(
    job: NDArray[np.int64], start: NDArray[np.int64], end: NDArray[np.int64], visits: Bools
) -> NDArray[np.float64]:
    """The draft in terms of arcs: 1 for an arc whose ends are visited and nothing between."""
    size, weeks = visits.shape
    ends = np.ones((size, 1), dtype=bool)
    nodes = np.concatenate([ends, visits, ends], axis=1)
    upto = np.cumsum(nodes, axis=1)
    taken = nodes[job, start] & nodes[job, end] & (upto[job, end] - upto[job, start] == 1)
    return np.asarray(taken, dtype=np.float64)
