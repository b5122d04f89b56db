"""Order rules between two jobs of one instrument: a visit is allowed only after certain visits of another."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Requirement:
    """A visit of one job needs the latest visit of another to be among those that allow it.

    Attributes
    ----------
    job : int
        Index of the job whose visits are conditional.
    on : int
        Index of the job that decides.
    allowed : ndarray of bool, shape (W+1, W)
        ``allowed[s, w-1]``: a visit of ``job`` in week w may happen when the latest visit of ``on`` up to and
        including week w is at node s (0 = before the season). Entries with s > w mean nothing.
    name, reason : str
        The rule in short, and in words for the people who read the plan.

    Notes
    -----
    With y[s, e] the arcs of ``on`` and v[w] the visits of ``job``, the rule is, for each week w,

        v[w] <= sum of y[s, e] over s <= w < e with allowed[s, w-1].
    """

    job: int
    on: int
    allowed: NDArray[np.bool_]
    name: str
    reason: str


def recent_visit(
    job: int, on: int, weeks: int, within: int, name: str, reason: str, done: Sequence[int] = ()
) -> Requirement:
    """A visit needs one of the other job in the same week or at most ``within`` weeks before.

    Parameters
    ----------
    job, on : int
        Indices of the conditional and the deciding job.
    weeks : int
        Weeks of the season.
    within : int
        Greatest age of the other visit [weeks]; 0 asks for the same week.
    name, reason : str
        The rule in short and in words.
    done : sequence of int
        Weeks in which the other service happens or happened anyway: dated services of the season (1..W) and
        recorded ones before it (0 is the week before week 1, -1 the one before that).

    Notes
    -----
    Common practice, no source: a grand's frame is bedded before it is regulated, and a regulation trusts a
    bedding for about four weeks; tone is judged on an instrument tuned the same week.
    """
    allowed = np.zeros((weeks + 1, weeks), dtype=bool)
    for week in range(1, weeks + 1):
        allowed[max(1, week - within) : week + 1, week - 1] = True
        if any(week - within <= day <= week for day in done):
            allowed[:, week - 1] = True
    return Requirement(job, on, allowed, name, reason)


def still_in_tolerance(
    job: int, on: int, out: NDArray[np.float64], name: str, reason: str, least: float = 0.5
) -> Requirement:
    """A visit needs the other service to be in tolerance with at least a given probability.

    Parameters
    ----------
    job, on : int
        Indices of the conditional and the deciding job.
    out : ndarray, shape (W+1, W)
        Probability that the other service is out of tolerance in week w (column w-1) when it was last done at
        node s (row).
    name, reason : str
        The rule in short and in words.
    least : float
        Least probability of being in tolerance. Prior: common practice, no source.

    Raises
    ------
    ValueError
        When a probability is not within 0..1.
    """
    weeks = out.shape[1]
    upper = np.triu(np.ones(out.shape, dtype=bool), k=-1)
    if out.shape != (weeks + 1, weeks) or not np.all((out[upper] >= 0) & (out[upper] <= 1)):
        raise ValueError(f"rule {name!r}: probabilities of shape (W+1, W) within 0..1 are expected")
    return Requirement(job, on, (1 - out >= least) & upper, name, reason)
