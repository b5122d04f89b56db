"""What a solved season says: outcome, cost, proven bound, visits, hours and their worth."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

OPTIMAL_GAP = 1e-6
"""Relative gap up to which a plan is called optimal."""


class Outcome(StrEnum):
    """How the search ended."""

    OPTIMAL = "optimal"
    FEASIBLE = "feasible"
    STOPPED = "stopped"


@dataclass(frozen=True)
class PlannedVisit:
    """One visit: job index, week (1..W), person index, and the hours it takes [h].

    ``beside`` is the job with which it shares hours because the same person has the action out for that in
    the same week, and ``shared`` the hours it is shorter for that [h]; None and 0 where it shares none.
    """

    job: int
    week: int
    person: int
    hours: float
    beside: int | None = None
    shared: float = 0.0


@dataclass(frozen=True)
class PutOff:
    """A job without a visit in the season.

    ``days_out`` [d] and ``cost`` [weighted d] are expected over the season as it is. ``best_week`` is the
    week of the single visit that would save most (None where no visit is possible or none would save),
    ``saving`` [weighted d] what it would save, ``worth`` [weighted d] what its hours are worth in that week.
    """

    job: int
    days_out: float
    cost: float
    best_week: int | None
    saving: float
    worth: float


@dataclass(frozen=True)
class SeasonResult:
    """A season plan with its proof.

    ``cost`` and ``bound`` are expected weighted days out of tolerance [d]; no plan can cost less than the
    bound. ``hours_offered``, ``hours_used`` [h] and ``hour_worth`` [weighted d per h] have one entry a week.
    ``seconds`` includes the building of the model.
    """

    outcome: Outcome
    cost: float
    bound: float
    gap: float
    seconds: float
    visits: tuple[PlannedVisit, ...]
    hours_offered: NDArray[np.float64]
    hours_used: NDArray[np.float64]
    hour_worth: NDArray[np.float64]
    put_off: tuple[PutOff, ...]


def relative_gap(cost: float, bound: float) -> float:
    """(cost - bound) / cost, never negative, and 0 for a cost of 0."""
    return max(0.0, (cost - bound) / cost) if cost > 0 else 0.0


def proven(cost: float, bound: float) -> bool:
    """Whether a plan is optimal for all purposes."""
    return bound >= cost - 1e-9 or relative_gap(cost, bound) <= OPTIMAL_GAP
