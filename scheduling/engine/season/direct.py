"""The whole season as one integer programme: the outside check of the decomposition, and its file."""

from pathlib import Path

import highspy
import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.capacity import make_pools, visit_kinds
from scheduling.engine.season.clock import Clock
from scheduling.engine.season.draft import Draft
from scheduling.engine.season.flow import FlowModel, all_arcs, flow_model
from scheduling.engine.season.pricing import Pricing
from scheduling.engine.season.problem import SeasonProblem, check_problem
from scheduling.engine.season.result import season_result
from scheduling.engine.season.solution import SeasonResult
from scheduling.engine.season.solver import QuietSolver, SolverError, solve_integer

Floats = NDArray[np.float64]


def solve_direct(problem: SeasonProblem, time_limit: float) -> SeasonResult:
    """Solve one flow model in HiGHS, as a judge of ``plan_season``.

    Parameters
    ----------
    problem : SeasonProblem
        Without a moving price, which the judge does not know.
    time_limit : float
        Seconds for the solver [s].

    Returns
    -------
    SeasonResult
        ``hour_worth`` is the dual value of the linear relaxation.

    Raises
    ------
    ValueError
        When the problem cannot be meant, or has a moving price.
    """
    clock = Clock(time_limit)
    model, pricing = _whole_model(problem)
    draft = Draft(pricing)
    found = solve_integer(model.programme, time_limit, 0.0)
    if found.x is not None:
        visits = model.visits(found.x, len(problem.jobs), problem.weeks)
        draft.set_visits(visits, np.zeros(visits.shape))
    worth = _relaxed_worth(model, pricing)
    return season_result(pricing, draft.visits, draft.person, found.bound, worth, found.finished, clock.gone)


def write_model(problem: SeasonProblem, path: Path) -> None:
    """Write the integer flow model as an MPS file with readable names.

    Notes
    -----
    Columns ``go_<number>.<service>.<instrument>_<node>_<node>`` are arcs; ``by_k<kind>_p<person>_w<week>``
    count visits of one kind (length and people able) by person; ``share_<number>_<number>_w<week>`` says that
    these visits are made together and take the hours of that. Rows ``path_``, ``visits_``, ``hours_``,
    ``order_`` and ``share_`` are the flow of each job, visits by kind, hours by person and week, the order
    rules, and that only visits which are made can share hours.
    """
    model, _ = _whole_model(problem)
    programme = model.programme.model()
    programme.row_names_, programme.col_names_ = list(model.rows), list(model.columns)
    solver = QuietSolver()
    solver.passModel(programme)
    if solver.writeModel(str(path)) == highspy.HighsStatus.kError:
        raise SolverError(f"the model could not be written to {path}")


def _whole_model(problem: SeasonProblem) -> tuple[FlowModel, Pricing]:
    check_problem(problem)
    if problem.moving_price > 0:
        raise ValueError("the direct model has no price on moving visits; give a problem without one")
    kinds = visit_kinds(problem)
    pricing = Pricing(problem, kinds, make_pools(problem, kinds, whole=False))
    return flow_model(pricing, all_arcs(pricing), names=True), pricing


def _relaxed_worth(model: FlowModel, pricing: Pricing) -> Floats:
    """Dual values of the hours in the linear relaxation, people weighted by their hours."""
    programme = model.programme.model()
    programme.integrality_ = []
    solver = QuietSolver()
    solver.passModel(programme)
    solver.run()
    dual = np.array(solver.getSolution().row_dual)
    hours = pricing.problem.hours
    price = np.zeros(hours.shape)
    for row, name in enumerate(model.rows):
        if name.startswith("hours_"):
            person, week = name.removeprefix("hours_p").split("_w")
            price[int(person) - 1, int(week) - 1] = max(0.0, -dual[row])
    total = hours.sum(axis=0)
    share = np.divide(hours, total, out=np.zeros_like(hours), where=total > 0)
    return np.asarray((price * share).sum(axis=0), dtype=np.float64)
