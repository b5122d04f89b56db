"""How good a room's climate is: the seasonal band of EN 15757, and the ASHRAE class it reached."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# EN 15757:2010, from memory, unverified: the method is quoted by Camuffo et al., Atmosphere 13:1344 (2022).
WINDOW_DAYS = 30.0  # [d] of the central moving average
LOWER_PERCENTILE, UPPER_PERCENTILE = 7.0, 93.0  # of the fluctuations: 14 % of them lie outside
FLOOR_RH = 0.10  # [-] a limit nearer to the average than this is taken to be this far away
RECORD_DAYS = 365.0  # [d] a shorter record does not hold a whole year
# The standard asks for a complete record and names no share; ours.
COVERAGE = 0.9


@dataclass(frozen=True)
class SeasonalBand:
    """Seasonal cycle of a record and the band of fluctuations around it.

    Attributes
    ----------
    average : array, shape (n,)
        Central moving average over 30 days at each reading [fraction].
    whole : array of bool, shape (n,)
        Whether the 30 days around a reading lie within the record.
    fluctuation : array, shape (n,)
        Reading minus average [fraction].
    lowest, highest : float
        7th and 93rd percentile of the fluctuations [fraction], before the floor.
    lower, upper : float
        The limits: the same, but at least 0.10 from the average.
    outside_before_floor, outside : float
        Share of the readings outside the percentiles, and outside the limits.
    days, coverage : float
        Length of the record [d], and the share of its days with a reading.
    """

    average: Floats
    whole: NDArray[np.bool_]
    fluctuation: Floats
    lowest: float
    highest: float
    lower: float
    upper: float
    outside_before_floor: float
    outside: float
    days: float
    coverage: float

    @property
    def by_the_standard(self) -> bool:
        """Whether the record is as long and as complete as the method wants it."""
        return self.days >= RECORD_DAYS and self.coverage >= COVERAGE


def moving_average(days: ArrayLike, values: ArrayLike, window: float = WINDOW_DAYS) -> Floats:
    """Mean of the readings within half a window on both sides, shape (n,).

    Parameters
    ----------
    days : array_like, shape (n,)
        Times of the readings, rising [d].
    values : array_like, shape (n,)
    window : float
        Length of the window [d]; both of its ends belong to it.

    Raises
    ------
    ValueError
        If the times do not rise or the shapes differ.

    Notes
    -----
    A window of time, not of so many readings, so that a gap shortens no season. At the ends of the record
    the mean is over what there is of the window.
    """
    at, value = np.asarray(days, float), np.asarray(values, float)
    if at.shape != value.shape or at.ndim != 1:
        raise ValueError(f"times {at.shape} and values {value.shape} must be two rows of one length")
    if np.any(np.diff(at) <= 0):
        raise ValueError("times must rise")
    first = np.searchsorted(at, at - window / 2, side="left")
    last = np.searchsorted(at, at + window / 2, side="right")
    # Sums of what lies around the mean lose no digits over a long record.
    centre = float(value.mean()) if value.size else 0.0
    total = np.concatenate([[0.0], np.cumsum(value - centre)])
    return np.asarray(centre + (total[last] - total[first]) / np.maximum(last - first, 1), float)


def seasonal_band(days: ArrayLike, rh: ArrayLike) -> SeasonalBand:
    """Band in which the humidity of a room has been kept through the seasons, after EN 15757.

    Parameters
    ----------
    days : array_like, shape (n,)
        Times of the readings, rising [d].
    rh : array_like, shape (n,)
        Relative humidity [fraction].

    Returns
    -------
    SeasonalBand

    Raises
    ------
    ValueError
        If there is no reading, times do not rise, or a humidity is no fraction.

    Notes
    -----
    Steps: (1) a record of at least a year; (2) the central moving average over 30 days is the seasonal
    cycle; (3) fluctuation = reading - average; (4) the 7th and 93rd percentiles of the fluctuations, linear
    between readings, so that 14 % lie outside; (5) a limit nearer to the average than 0.10 is put at 0.10;
    (6) target band = average + limits. The edges of the record are ours to choose, since the standard wants
    13 months: percentiles and shares are over readings with a whole window where there are any, else over
    all.

    References
    ----------
    EN 15757:2010, *Conservation of cultural property - Specifications for temperature and relative humidity
    to limit climate-induced mechanical damage in organic hygroscopic materials*; from memory, unverified.
    """
    at, humidity = np.asarray(days, float), np.asarray(rh, float)
    if not at.size:
        raise ValueError("a record without readings has no band")
    _check_fraction(humidity)
    average = moving_average(at, humidity)
    whole = (at - at[0] >= WINDOW_DAYS / 2) & (at[-1] - at >= WINDOW_DAYS / 2)
    fluctuation = humidity - average
    counted = fluctuation[whole] if whole.any() else fluctuation
    lowest, highest = np.percentile(counted, [LOWER_PERCENTILE, UPPER_PERCENTILE])
    lower, upper = min(float(lowest), -FLOOR_RH), max(float(highest), FLOOR_RH)
    length = float(at[-1] - at[0]) + 1.0
    return SeasonalBand(
        average=average,
        whole=whole,
        fluctuation=fluctuation,
        lowest=float(lowest),
        highest=float(highest),
        lower=lower,
        upper=upper,
        outside_before_floor=_share_outside(counted, float(lowest), float(highest)),
        outside=_share_outside(counted, lower, upper),
        days=length,
        coverage=float(np.unique(np.floor(at)).size / max(np.floor(at[-1]) - np.floor(at[0]) + 1, 1)),
    )


def _share_outside(values: Floats, low: float, high: float) -> float:
    return float(np.mean((values < low) | (values > high)))


def _check_fraction(rh: Floats) -> None:
    bad = np.flatnonzero(~((rh >= 0.0) & (rh <= 1.0)))
    if bad.size:
        value = rh[bad[0]]
        cause = "a percentage where a fraction is expected?" if value > 1.0 else "a gap, or a sensor fault?"
        raise ValueError(f"rh {value:g} at position {bad[0]}: {cause}")


@dataclass(frozen=True)
class ClimateClass:
    """What a class of control allows; humidity as fractions, temperature in K and degC.

    Attributes
    ----------
    name : str
    short_rh, short_k : float or None
        Fluctuation around the 30-day average; None where the class names none.
    season_rh : float or None
        Departure of that average from the set point; 0 where none is allowed.
    season_cold_k, season_warm_k : float or None
        Likewise of temperature, downwards and upwards.
    low_rh, high_rh : float
        Bounds at all times.
    hottest_c : float or None
    """

    name: str
    short_rh: float | None
    short_k: float | None
    season_rh: float | None
    season_cold_k: float | None
    season_warm_k: float | None
    low_rh: float
    high_rh: float
    hottest_c: float | None = None


# ASHRAE Handbook - HVAC Applications, chapter on museums (ch. 24 in 2019), from memory, unverified: strictest
# first. The 2019 outer bounds are taken together with the allowances of the earlier table.
CLASSES: Final = (
    ClimateClass("AA", 0.05, 2.0, 0.0, 5.0, 5.0, 0.35, 0.65),
    ClimateClass("A1", 0.05, 2.0, 0.10, 10.0, 5.0, 0.35, 0.65),
    ClimateClass("A2", 0.10, 2.0, 0.0, 10.0, 5.0, 0.35, 0.65),
    ClimateClass("B", 0.10, 5.0, 0.10, 20.0, 10.0, 0.30, 0.70, 30.0),
    ClimateClass("C", None, None, None, None, None, 0.25, 0.75, 40.0),
    ClimateClass("D", None, None, None, None, None, 0.0, 0.75),
)
# The handbook gives no share of the time; ours: 95 % of the readings within, as for a usual 95 % limit.
SHARE_WITHIN = 0.95


@dataclass(frozen=True)
class ClassReached:
    """Share of the readings within each class, strictest first, and the strictest that is kept.

    Attributes
    ----------
    reached : str or None
        None where not even the mildest class is kept for 95 % of the readings.
    shares : dict of str to float
    set_point_rh, set_point_c : float
        Means of the record [fraction], [degC].
    """

    reached: str | None
    shares: dict[str, float]
    set_point_rh: float
    set_point_c: float


def class_reached(days: ArrayLike, temp_c: ArrayLike, rh: ArrayLike) -> ClassReached:
    """Strictest ASHRAE class of control that a room's air kept for 95 % of the readings.

    Parameters
    ----------
    days : array_like, shape (n,)
        Times of the readings, rising [d].
    temp_c, rh : array_like, shape (n,)
        Temperature [degC] and relative humidity [fraction].

    Raises
    ------
    ValueError
        If there is no reading, times do not rise, or a value is impossible.

    Notes
    -----
    Set point: the mean of the record. Season: 30-day average minus set point. Short: reading minus 30-day
    average. Where a class allows no season, its short allowance is measured from the set point, since the
    handbook leaves open how far an average may stray. Gradients in space cannot be seen by one sensor.

    References
    ----------
    ASHRAE, *Handbook - HVAC Applications*, chapter "Museums, galleries, archives and libraries", table of
    temperature and relative humidity specifications; from memory, unverified.
    """
    at, temp, humidity = (np.asarray(values, float) for values in (days, temp_c, rh))
    if not at.size:
        raise ValueError("a record without readings reaches no class")
    _check_fraction(humidity)
    averages = moving_average(at, humidity), moving_average(at, temp)
    set_points = float(humidity.mean()), float(temp.mean())
    shares = {one.name: float(np.mean(_within(one, humidity, temp, averages, set_points))) for one in CLASSES}
    kept = [one.name for one in CLASSES if shares[one.name] >= SHARE_WITHIN]
    return ClassReached(kept[0] if kept else None, shares, *set_points)


def _within(
    one: ClimateClass,
    rh: Floats,
    temp: Floats,
    averages: tuple[Floats, Floats],
    set_points: tuple[float, float],
) -> NDArray[np.bool_]:
    """Return which readings a class allows, shape (n,)."""
    good = (rh >= one.low_rh) & (rh <= one.high_rh)
    if one.hottest_c is not None:
        good &= temp <= one.hottest_c
    if one.short_rh is not None and one.season_rh is not None:
        season = averages[0] - set_points[0]
        centre = averages[0] if one.season_rh else set_points[0]
        good &= np.abs(rh - centre) <= one.short_rh
        good &= (np.abs(season) <= one.season_rh) | (one.season_rh == 0)
    if one.short_k is not None and one.season_cold_k is not None and one.season_warm_k is not None:
        season_k = averages[1] - set_points[1]
        good &= np.abs(temp - averages[1]) <= one.short_k
        good &= (season_k >= -one.season_cold_k) & (season_k <= one.season_warm_k)
    return good
