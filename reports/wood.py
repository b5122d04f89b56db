"""Daily moisture of the wood in a room, from its days of air, as the figures and the ribbon show it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from scheduling.engine.lag import lagged
from scheduling.engine.moisture import equilibrium_moisture

# Days before the first one shown, so that what is shown no longer remembers where the wood started.
RUN_UP_DAYS = 90


@dataclass(frozen=True)
class AirDay:
    """Means of one day: temperature [degC] and relative humidity [fraction]."""

    date: date
    temp_c: float
    rh: float


def wood_moisture(days: Sequence[AirDay], tau: float) -> dict[date, float]:
    """Return the moisture [fraction] of wood with a time constant `tau` [d] on each day with data."""
    if not days:
        return {}
    balance = equilibrium_moisture([day.temp_c for day in days], [day.rh for day in days])
    times = np.array([day.date.toordinal() for day in days], dtype=float)
    return dict(zip((day.date for day in days), lagged(times, balance, tau).tolist(), strict=True))


def calendar(first: date, last: date) -> list[date]:
    """Return every day from the first to the last."""
    return [first + timedelta(days=number) for number in range((last - first).days + 1)]
