"""The season plan: bound, plan and gap by decomposition, within a time limit."""

from collections.abc import Callable

from scheduling.engine.season.clock import Clock
from scheduling.engine.season.problem import SeasonProblem, check_problem
from scheduling.engine.season.search import Search
from scheduling.engine.season.solution import SeasonResult


def plan_season(
    problem: SeasonProblem,
    time_limit: float = 60,
    progress: Callable[[str, float], None] | None = None,
    must_stop: Callable[[], bool] | None = None,
) -> SeasonResult:
    """Plan the season.

    Parameters
    ----------
    problem : SeasonProblem
    time_limit : float
        Seconds after which the best plan so far is returned [s].
    progress : callable, optional
        Told what is being done and the proven gap so far (1 when nothing is proven).
    must_stop : callable, optional
        Asked between steps; True ends the search with the best plan so far.

    Returns
    -------
    SeasonResult

    Raises
    ------
    ValueError
        When the problem cannot be meant, or the held visits do not fit into the hours.

    Notes
    -----
    Dantzig-Wolfe decomposition: a price for each person's hours in each week makes every job a shortest
    path; the sum of the best paths less the worth of the hours is a lower bound at any prices. The plan is
    chosen by an integer programme among the paths that nearly tie at the best prices, improved job by job,
    and, while the model stays small, the arcs that a better plan could still use are handed to the solver
    to close the gap. Order rules enter as rows when they are violated, and each instrument they tie is
    solved as a whole at the final prices; the bound stays valid with any part of them.

    Bedding shifts key dip, but the kinds are priced apart. Hours shared because an action is out anyway are
    credited inside the relaxation: a bundle of visits is a column of its own, at most as many as each of its
    visits, and the prices of these rows are what the visits are paid for it. The bound holds at any such
    prices.

    References
    ----------
    Dantzig and Wolfe, "Decomposition principle for linear programs", Operations Research 8(1), 1960 (from
    memory, unverified).
    """
    clock = Clock(time_limit, must_stop)
    check_problem(problem)
    return Search(problem, clock, progress).run()
