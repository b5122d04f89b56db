"""How far the wood of a room has still to go to the air around it: before instruments move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.lag import lagged
from scheduling.engine.moisture import LOWEST_C, equilibrium_moisture

Floats = NDArray[np.float64]
Days = NDArray[np.int64]

RECENT_DAYS = 4  # [d] of air whose mean the wood is heading for; prior: shorter weather passes
LEAST_RECENT = 3  # [-] of them with readings
LEAST_DAYS = 30  # [-] of a record from which the wood's state can be reckoned


@dataclass(frozen=True)
class Heading:
    """Moisture of a room's wood now, and what the air of the last days would bring it to [fraction]."""

    now: float
    towards: float

    @property
    def gap(self) -> float:
        """What is still to come if the air stays so; below zero where the wood will dry [fraction]."""
        return self.towards - self.now


def heading(days: Days, temp_c: Floats, rh: Floats, tau: float, today: int) -> Heading | None:
    """Where the wood of a room stands and where the air is taking it.

    Parameters
    ----------
    days : array, shape (n,)
        Rising days with readings.
    temp_c, rh : array, shape (n,)
        Daily means [degC], [fraction].
    tau : float
        Time constant of the wood [d].
    today : int

    Returns
    -------
    Heading or None
        None where the record is too short or has no fresh days.

    Notes
    -----
    The mean of the last four days stands for what is to come: no weather is foreseen. One first-order stage,
    as in `scheduling.engine.lag`, at rest at the first day of the record.
    """
    recent = (days > today - 1 - RECENT_DAYS) & (days < today)
    if len(days) < LEAST_DAYS or recent.sum() < LEAST_RECENT:
        return None
    balance = equilibrium_moisture(np.maximum(temp_c, LOWEST_C), rh)
    wood = lagged(days.astype(float), balance, tau)
    return Heading(now=float(wood[-1]), towards=float(balance[recent].mean()))
