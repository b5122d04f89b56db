"""Equilibrium moisture of wood from the temperature and relative humidity of the air around it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Two-hydrate sorption equation, coefficients of 1, T and T^2 for T in degC.
# USDA Forest Products Laboratory, Wood Handbook (FPL-GTR-282, 2021), ch. 4, Eq. 4-5; read in two
# independent texts that quote it. Many copies in circulation misprint the last terms of K and K1.
MOLAR_MASS = (349.0, 1.29, 0.0135)  # W [g per mol of sorption sites]
ACTIVITY = (0.805, 0.000736, -0.00000273)  # K [-]
FIRST_HYDRATE = (6.27, -0.00938, -0.000303)  # K1 [-]
SECOND_HYDRATE = (1.91, 0.0407, -0.000293)  # K2 [-]
WATER_GRAMS_PER_MOL = 18.0  # so that 1800/W gives percent and 18/W a fraction; same source

LOWEST_C, HIGHEST_C = -30.0, 70.0  # beyond the table (-1.1 to 37.8 degC) but still tame; our choice


def equilibrium_moisture(temp_c: ArrayLike, rh: ArrayLike) -> NDArray[np.float64]:
    """Moisture content that wood comes to if the air stays as it is.

    Parameters
    ----------
    temp_c : array_like
        Air temperature [degC].
    rh : array_like
        Relative humidity [fraction].

    Returns
    -------
    array
        Moisture [fraction of dry mass]; NaN where an input is NaN.

    Raises
    ------
    ValueError
        If a value is out of range; the message names its place and the likely cause.

    Notes
    -----
    The equation reproduces the handbook's table within 0.06 % moisture, which the table was computed from,
    so that says nothing about wood: expect no better than 0.5 to 1 % (species, hysteresis). Changes matter
    here, and they are far better known than levels.

    References
    ----------
    USDA Forest Products Laboratory, *Wood Handbook*, FPL-GTR-282, 2021, ch. 4, Eq. 4-5.
    W. T. Simpson, "Predicting equilibrium moisture content of wood by mathematical models", 1973.
    """
    temp, humidity = np.broadcast_arrays(np.asarray(temp_c, float), np.asarray(rh, float))
    check_air(temp, humidity)
    molar, activity, first, second = (
        a + b * temp + c * temp**2 for a, b, c in (MOLAR_MASS, ACTIVITY, FIRST_HYDRATE, SECOND_HYDRATE)
    )
    active = activity * humidity
    dissolved = active / (1.0 - active)
    hydrated = (first * active + 2.0 * first * second * active**2) / (
        1.0 + first * active + first * second * active**2
    )
    return np.asarray(WATER_GRAMS_PER_MOL / molar * (dissolved + hydrated), float)


def check_air(temp_c: NDArray[np.float64], rh: NDArray[np.float64]) -> None:
    """Refuse temperatures [degC] and humidities [fraction] that cannot be.

    Raises
    ------
    ValueError
        Names the first value, its place and the likely cause.
    """
    bad = np.flatnonzero((rh < 0.0) | (rh > 1.0))
    if bad.size:
        cause = "a percentage where a fraction is expected?" if rh.flat[bad[0]] > 1.0 else "a sensor fault?"
        raise ValueError(f"rh {rh.flat[bad[0]]:g} at position {bad[0]}: {cause}")
    bad = np.flatnonzero((temp_c < LOWEST_C) | (temp_c > HIGHEST_C))
    if bad.size:
        cause = "degrees Fahrenheit or kelvin?" if temp_c.flat[bad[0]] > HIGHEST_C else "a sensor fault?"
        raise ValueError(f"temperature {temp_c.flat[bad[0]]:g} degC at position {bad[0]}: {cause}")
