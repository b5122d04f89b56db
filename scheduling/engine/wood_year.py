"""A year of wood: how damp it was and how damp it is expected to be, with how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduling.engine import air
from scheduling.engine.airpath import room_path
from scheduling.engine.deviation import MEMORY, Wood
from scheduling.engine.moisture import LOWEST_C, equilibrium_moisture
from scheduling.engine.year_shape import year_shapes

Floats = NDArray[np.float64]
Days = NDArray[np.int64]


@dataclass(frozen=True)
class WoodYear:
    """Moisture of wood at the ends of some days.

    Attributes
    ----------
    days : int array, shape (n,)
        Proleptic ordinals.
    mean, sd : array, shape (n,)
        [fraction]; sd is next to 0 where the air was read.
    measured : bool array, shape (n,)
        Whether the air of that day was read.
    """

    days: Days
    mean: Floats
    sd: Floats
    measured: NDArray[np.bool_]


def wood_year(days: Days, temp_c: Floats, rh: Floats, tau: float, asked: Days) -> WoodYear:
    """Moisture of wood in the air of some days, carried on into the season where nothing was read.

    Parameters
    ----------
    days : int array, shape (n,)
        Rising days with readings, proleptic ordinals; may be empty.
    temp_c, rh : array, shape (n,)
        Daily means [degC], [fraction].
    tau : float
        Time constant of the wood [d].
    asked : int array, shape (m,)
        Rising days to be told of.

    Raises
    ------
    ValueError
        Where no day is asked for, or humidity is no fraction.

    Notes
    -----
    The season is fitted and carried on as for a room of its own (`fit_seasons`, `room_path`), the wood
    follows it with one lag. A year before the first reading is as doubtful as one after the last.
    """
    if not len(asked):
        raise ValueError("no day is asked for")
    temp_c = np.maximum(temp_c, LOWEST_C)
    values = equilibrium_moisture(temp_c, rh) if len(days) else np.empty(0)
    shape = year_shapes({"": (days, temp_c, rh)}, {"": ""})[""].moisture
    season = air.fit_seasons({"": (days, values)}, {"": ""}, air.MOISTURE, {"": shape})[""]
    first = int(asked[0] - np.ceil(MEMORY * tau))
    path = room_path(season, air.MOISTURE, days, values, first, int(asked[-1]))
    wood = Wood(path, ((1.0, tau),))
    places = np.asarray(asked - first, np.int64)
    spread = wood.factor(places)
    return WoodYear(
        days=np.asarray(asked, np.int64),
        mean=wood.mean[places],
        sd=np.sqrt((spread**2).sum(axis=1)),
        measured=np.isin(asked, days),
    )
