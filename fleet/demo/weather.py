"""The outdoor air of the invented town: a year of its own, with cold spells, fronts and mild nights.

Every number is a prior (common practice, no source), set so that a heated room falls to between 20 and 30 %
relative humidity in the cold months and rises to about 60 % in summer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.demo.spec import FleetSpec, Floats, Timeline, wandering

MEAN_C = 9.5
SWING_C = 10.5
DEW_GAP_C, DEW_GAP_SWING_C = 4.2, 1.8  # the air is drier, for its temperature, in summer
DAY_SWING_C, DAY_SWING_SUMMER_C = 3.0, 1.5
PRESSURE_PA = 96_500.0  # a town some 400 m up


@dataclass(frozen=True)
class OutdoorAir:
    """Outdoor temperature [degC] and humidity ratio [kg of water per kg of dry air], by hour."""

    temp_c: Floats
    humidity_ratio: Floats


def saturation_pressure(temp_c: Floats | float) -> Floats:
    """Return the saturation pressure of water vapour over liquid water.

    Parameters
    ----------
    temp_c : float array
        Temperature [degC].

    Returns
    -------
    float array
        Pressure [Pa].

    Notes
    -----
    Magnus form, within 0.4 % between -40 and 50 degC according to its authors (from memory, unverified).
    Taken instead of the formula behind the forecast, so that the invented air owes it nothing.

    References
    ----------
    O. A. Alduchov, R. E. Eskridge, Improved Magnus form approximation of saturation vapor pressure, 1996.
    """
    temp = np.asarray(temp_c, float)
    return np.asarray(610.94 * np.exp(17.625 * temp / (temp + 243.04)))


def humidity_ratio(vapour_pa: Floats) -> Floats:
    """Return the humidity ratio [kg/kg] at a vapour pressure [Pa]."""
    return np.asarray(0.622 * vapour_pa / (PRESSURE_PA - vapour_pa))


def relative_humidity(ratio: Floats, temp_c: Floats) -> Floats:
    """Return the relative humidity [fraction] of air of a humidity ratio at a temperature [degC]."""
    return np.asarray(ratio * PRESSURE_PA / (0.622 + ratio) / saturation_pressure(temp_c))


def outdoor_air(spec: FleetSpec, line: Timeline) -> OutdoorAir:
    """Return the outdoor air of a timeline by hour."""
    n = line.n_hours
    winter = np.cos(line.year_phase()) * spec.climate_swing
    fronts = wandering(spec.stream("fronts"), n, 3.2, 3.5)
    spells = wandering(spec.stream("spells"), n, 1.4, 25.0)
    afternoon = np.cos(2 * np.pi * (line.hour_of_day() - 15) / 24)
    daily = MEAN_C - SWING_C * winter + fronts + spells
    temp = daily + (DAY_SWING_C - DAY_SWING_SUMMER_C * winter) * afternoon
    gap = DEW_GAP_C - DEW_GAP_SWING_C * winter + wandering(spec.stream("dryness"), n, 1.6, 2.0)
    dew = np.minimum(daily - np.maximum(gap, 0.3), temp)
    return OutdoorAir(temp, humidity_ratio(saturation_pressure(dew)))
