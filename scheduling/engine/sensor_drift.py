"""A sensor that slowly leaves its neighbours: found in the difference between rooms, week by week."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Days = NDArray[np.int64]

# Priors: common practice, no source.
WEEKS = 12  # [-] looked back upon
LEAST_WEEKS = 8  # of them with enough days
LEAST_DAYS = 4  # of a week with both
LEAST_OTHERS = 2  # neighbours; one alone might be the one that drifts
LARGE = 0.05  # [fraction] beyond what a good sensor and a change of habits do in a season
CLEAR = 4.0  # [-] times the scatter of the weeks around the line
YEAR_DAYS = 364  # [d] whole weeks
MAD_TO_SD = 1.4826  # of a normal distribution: 1 / scipy.stats.norm.ppf(0.75)


@dataclass(frozen=True)
class Drift:
    """A slow divergence: how far [fraction] in the weeks looked at, and the day on which it was half done."""

    change: float
    since: int


def slow_drift(days: Days, own: Floats, others: Floats, today: int) -> Drift | None:
    """Slow divergence of a room's humidity from that of its neighbours, if there is one.

    Parameters
    ----------
    days : array, shape (n,)
        Rising days.
    own : array, shape (n,)
        Daily mean humidity of the room [fraction], NaN where it is not known.
    others : array, shape (m, n)
        The same of its neighbours.
    today : int
        The weeks end on the day before it.

    Returns
    -------
    Drift or None

    Notes
    -----
    Weekly medians of the difference to the median neighbour, and the Theil-Sen line through twelve of them.
    It is a drift where the line changes by 0.05 and by four times the scatter of the weeks around it. What
    the same line did a year earlier is taken off, where that is known: rooms that part every autumn are not
    broken sensors.

    References
    ----------
    P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", JASA 63 (1968).
    """
    middle = _median_of_known(others, LEAST_OTHERS)
    line = _line(days, own - middle, today)
    if line is None:
        return None
    slope, level, scatter, weeks = line
    before = _line(days, own - middle, today - YEAR_DAYS)
    usual = before[0] * WEEKS if before else 0.0
    change = slope * WEEKS - usual
    if abs(change) < LARGE or abs(change) < CLEAR * scatter:
        return None
    gone = (weeks - level) / (slope * WEEKS)
    late = np.flatnonzero(gone >= 0.5)
    first = int(late[0]) if late.size else WEEKS - 1
    return Drift(change=change, since=today - 7 * (WEEKS - first))


def _median_of_known(others: Floats, enough: int) -> Floats:
    """Median over the first axis of what is not NaN, NaN where fewer than enough are known; shape (n,)."""
    ranked = np.sort(others, axis=0)  # NaN comes last
    count = np.sum(~np.isnan(others), axis=0)
    column = np.arange(others.shape[1])
    middle = (ranked[np.maximum(count - 1, 0) // 2, column] + ranked[count // 2, column]) / 2.0
    return np.asarray(np.where(count >= enough, middle, np.nan))


def _line(days: Days, difference: Floats, today: int) -> tuple[float, float, float, Floats] | None:
    """Slope a week, level at the first week, scatter, and the weeks themselves (NaN where too few days)."""
    place = days - (today - 7 * WEEKS)
    counted = (place >= 0) & (place < 7 * WEEKS)
    by_day = np.full(7 * WEEKS, np.nan)
    by_day[place[counted]] = difference[counted]
    weeks = _median_of_known(by_day.reshape(WEEKS, 7).T, LEAST_DAYS)
    there = np.flatnonzero(~np.isnan(weeks))
    if len(there) < LEAST_WEEKS:
        return None
    slope, level = theil_sen(there.astype(float), weeks[there])
    scatter = MAD_TO_SD * _median(np.abs(weeks[there] - level - slope * there))
    return slope, level, scatter, weeks


def theil_sen(x: Floats, y: Floats) -> tuple[float, float]:
    """Median slope of all pairs of points, and the level at 0 through the medians of both.

    Written out, since SciPy's ``theilslopes`` takes thirty times as long over a dozen points and a page asks
    for two lines a room.
    """
    first, second = np.triu_indices(len(x), 1)
    slope = _median((y[second] - y[first]) / (x[second] - x[first]))
    return slope, _median(y) - slope * _median(x)


def _median(values: Floats) -> float:
    ranked = np.sort(values)
    return float((ranked[(len(ranked) - 1) // 2] + ranked[len(ranked) // 2]) / 2.0)
