"""Moist air by PsychroLib: dew point, and outdoor air heated without adding or taking water."""

from __future__ import annotations

import importlib.util
from types import ModuleType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from scheduling.engine.moisture import check_air

STANDARD_PRESSURE = 101325.0  # [Pa]; ICAO standard atmosphere at sea level


def _private_psychrolib() -> ModuleType:
    """Load a copy of PsychroLib of our own.

    The library keeps its unit system in one global; another caller in the process could set it to inches
    and pounds. A private copy cannot be reached by them, nor they by us.
    """
    spec = importlib.util.find_spec("psychrolib")
    if spec is None or spec.loader is None:
        raise ImportError("psychrolib is not installed")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.SetUnitSystem(module.SI)
    return module


_psychrolib = _private_psychrolib()
_dew_point = np.frompyfunc(_psychrolib.GetTDewPointFromRelHum, 2, 1)
_ratio = np.frompyfunc(_psychrolib.GetHumRatioFromRelHum, 3, 1)
_humidity = np.frompyfunc(_psychrolib.GetRelHumFromHumRatio, 3, 1)
_saturation = np.frompyfunc(_psychrolib.GetSatVapPres, 1, 1)


def saturation_pressure(temp_c: ArrayLike) -> NDArray[np.float64]:
    """Saturation vapour pressure [Pa] at `temp_c` [degC], over ice below freezing."""
    return np.asarray(_saturation(np.asarray(temp_c, float)), float)


def dew_point(temp_c: ArrayLike, rh: ArrayLike) -> NDArray[np.float64]:
    """Dew point [degC] of air at `temp_c` [degC] and `rh` [fraction].

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    temp, humidity = np.broadcast_arrays(np.asarray(temp_c, float), np.asarray(rh, float))
    check_air(temp, humidity)
    return np.asarray(_dew_point(temp, humidity), float)


def humidity_ratio(
    temp_c: ArrayLike, rh: ArrayLike, pressure: float = STANDARD_PRESSURE
) -> NDArray[np.float64]:
    """Mass of water per mass of dry air [kg/kg].

    Raises
    ------
    ValueError
        If a value is out of range.
    """
    temp, humidity = np.broadcast_arrays(np.asarray(temp_c, float), np.asarray(rh, float))
    check_air(temp, humidity)
    return np.asarray(_ratio(temp, humidity, pressure), float)


def heated_outdoor_humidity(
    out_temp_c: ArrayLike, out_rh: ArrayLike, room_temp_c: ArrayLike, pressure: float = STANDARD_PRESSURE
) -> NDArray[np.float64]:
    """Relative humidity [fraction] of outdoor air brought to room temperature at constant water content.

    Parameters
    ----------
    out_temp_c, out_rh : array_like
        Outdoor temperature [degC] and humidity [fraction].
    room_temp_c : array_like
        Temperature of the room [degC].
    pressure : float
        Air pressure [Pa].

    Returns
    -------
    array
        At most 1: air that is cooled below its dew point sheds the rest.

    Raises
    ------
    ValueError
        If a value is out of range.

    Notes
    -----
    In winter a lower bound: people, wood and humidifiers add water. In summer it needs cooling to be true.

    References
    ----------
    ASHRAE, *Handbook - Fundamentals*, ch. 1, as implemented in PsychroLib.
    """
    ratio = humidity_ratio(out_temp_c, out_rh, pressure)
    room, ratios = np.broadcast_arrays(np.asarray(room_temp_c, float), ratio)
    heated = np.asarray(_humidity(room, ratios, pressure), float)
    return np.asarray(np.minimum(heated, 1.0))
