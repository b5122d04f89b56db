"""What a room's year has besides one and two cycles: the turn when heating starts, and when it stops."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.cycles import YEAR_DAYS, harmonics
from scheduling.engine.moisture import equilibrium_moisture
from scheduling.engine.psychrometrics import saturation_pressure

Floats = NDArray[np.float64]
Days = NDArray[np.int64]

# Judgements: a thermostat turns a room's temperature within weeks, the water in the air follows the outdoor
# year, which is smooth. Two more cycles of temperature are told apart from its weather in a year or two.
WARMTH_CYCLES, VAPOUR_CYCLES = 4, 2
TURN_SD = 0.5  # [K] of each cosine and sine beyond the second cycle; prior, no source
DAY_SD, DAY_KEEP = 0.8, 0.85  # [K], [-] of a room's daily temperature around its year; prior, no source
LONGEST_HOLE = 45  # [d] of the year in which no reading ever fell, beyond which the year is not known
MOST_RH, LEAST_RH = 0.98, 0.02  # [-] bounds of a mean course; a logarithm needs more than nothing
GRID = np.arange(366) * YEAR_DAYS / 366.0


@dataclass(frozen=True)
class YearShape:
    """What is to be added to a season of two cycles, at the days of `GRID`, each of shape (366,).

    Attributes
    ----------
    moisture, warmth, humidity : array
        Equilibrium moisture [fraction], temperature [degC], relative humidity [fraction].
    """

    moisture: Floats
    warmth: Floats
    humidity: Floats


NO_SHAPE = YearShape(*(np.zeros(len(GRID)) for _ in range(3)))


def at_days(curve: Floats, days: Days) -> Floats:
    """A curve over `GRID` at some days, proleptic ordinals; it closes with the year."""
    return np.interp(np.asarray(days, float) % YEAR_DAYS, GRID, curve, period=YEAR_DAYS)


def year_shape(days: Days, temp_c: Floats, rh: Floats) -> YearShape | None:
    """The shape of a room's year, where its readings go round the whole of it.

    Parameters
    ----------
    days : int array, shape (n,)
        Rising days with readings, proleptic ordinals.
    temp_c, rh : array, shape (n,)
        Daily means [degC], [fraction].

    Returns
    -------
    YearShape or None
        None where more than `LONGEST_HOLE` days of the year were never read.

    Notes
    -----
    Equilibrium moisture itself cannot tell its turns from the weather in a few years. Temperature can, since
    heating keeps it steady, and the pressure of water vapour needs no turns: it follows the outdoor air. The
    moisture of the mean course of both has the turn in it; what two cycles draw of that is taken away, since
    `air.fit_seasons` learns them with all that a site's rooms say of each other.
    """
    if _longest_hole(days) > LONGEST_HOLE:
        return None
    doubt = np.zeros(2 * WARMTH_CYCLES + 1)
    doubt[5:] = DAY_SD**2 * (1.0 + DAY_KEEP) / (1.0 - DAY_KEEP) / TURN_SD**2
    columns = harmonics(days, WARMTH_CYCLES)
    coefficients = np.linalg.solve(columns.T @ columns + np.diag(doubt), columns.T @ temp_c)
    warmth = np.clip(harmonics(GRID, WARMTH_CYCLES) @ coefficients, temp_c.min(), temp_c.max())
    pressure = np.log(np.maximum(rh, LEAST_RH) * saturation_pressure(temp_c))
    mean_pressure = np.linalg.lstsq(harmonics(days, VAPOUR_CYCLES), pressure, rcond=None)[0]
    humidity = np.exp(harmonics(GRID, VAPOUR_CYCLES) @ mean_pressure) / saturation_pressure(warmth)
    humidity = np.clip(humidity, LEAST_RH, MOST_RH)
    return YearShape(*map(_beyond_two_cycles, (equilibrium_moisture(warmth, humidity), warmth, humidity)))


def year_shapes(
    air: Mapping[str, tuple[Days, Floats, Floats]], building_of: Mapping[str, str]
) -> dict[str, YearShape]:
    """The shape of every room's year; one not read for a year takes the mean of its building, or of the site.

    Parameters
    ----------
    air : mapping of room to (days, temp_c, rh)
        As of :func:`year_shape`; may be empty for a room.
    building_of : mapping of room to building
    """
    own = {room: year_shape(*told) for room, told in air.items()}
    known = {room: shape for room, shape in own.items() if shape is not None}

    def leaning(room: str) -> YearShape:
        near = [shape for name, shape in known.items() if building_of[name] == building_of[room]]
        return _mean(near or list(known.values()))

    return {room: known[room] if room in known else leaning(room) for room in air}


def _mean(shapes: list[YearShape]) -> YearShape:
    if not shapes:
        return NO_SHAPE
    return YearShape(*(np.mean([getattr(s, one.name) for s in shapes], axis=0) for one in fields(YearShape)))


def _beyond_two_cycles(curve: Floats) -> Floats:
    columns = harmonics(GRID, 2)
    return np.asarray(curve - columns @ np.linalg.lstsq(columns, curve, rcond=None)[0])


def _longest_hole(days: Days) -> float:
    """Longest stretch of the year [d] in which no reading of any year fell."""
    if not len(days):
        return YEAR_DAYS
    phase = np.unique(np.asarray(days, float) % YEAR_DAYS)
    return float(np.max(np.diff(phase, append=phase[0] + YEAR_DAYS)))
