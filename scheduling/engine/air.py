"""The season of a room's air, learned from what history it has and shrunk towards its building."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Days = NDArray[np.int64]

YEAR_DAYS = 365.2425  # Gregorian calendar, mean year [d]
N_COEFFICIENTS = 5  # level, and cosine and sine of one and of two cycles a year


@dataclass(frozen=True)
class SeasonPrior:
    """What is thought of a quantity's year before any reading; order of coefficients as in `harmonics`.

    All values are priors: common practice, no source. They describe heated rooms of the temperate north: dry
    in late January, damp in late July. `level` is wide enough for other climates to overrule it soon.
    """

    level: tuple[float, ...]
    site_sd: tuple[float, ...]  # how far a site may lie from `level`
    building_sd: tuple[float, ...]  # a building from its site
    room_sd: tuple[float, ...]  # a room from its building
    year_sd: tuple[float, ...]  # one year from the next in the same room
    borrowed_sd: tuple[float, ...]  # a room from the neighbour whose sensor it borrows
    anomaly_sd: float  # weather around the season, daily means
    anomaly_keep: float  # share of the anomaly left a day later
    prior_days: float  # days of readings the two anomaly priors are worth


MOISTURE = SeasonPrior(  # [fraction of dry mass]; one point of rh is worth about 0.0016
    level=(0.080, -0.018, -0.008, 0.0, 0.0),
    site_sd=(0.010, 0.010, 0.010, 0.004, 0.004),
    building_sd=(0.006, 0.005, 0.005, 0.002, 0.002),
    room_sd=(0.006, 0.004, 0.004, 0.002, 0.002),
    year_sd=(0.0025, 0.0025, 0.0025, 0.0015, 0.0015),
    borrowed_sd=(0.006, 0.005, 0.005, 0.002, 0.002),
    anomaly_sd=0.006,
    anomaly_keep=0.88,
    prior_days=20.0,
)
HUMIDITY = SeasonPrior(  # [fraction]
    level=(0.42, -0.12, -0.05, 0.0, 0.0),
    site_sd=(0.06, 0.06, 0.06, 0.025, 0.025),
    building_sd=(0.04, 0.03, 0.03, 0.012, 0.012),
    room_sd=(0.04, 0.025, 0.025, 0.012, 0.012),
    year_sd=(0.016, 0.016, 0.016, 0.009, 0.009),
    borrowed_sd=(0.04, 0.03, 0.03, 0.012, 0.012),
    anomaly_sd=0.04,
    anomaly_keep=0.88,
    prior_days=20.0,
)


def harmonics(days: Days) -> Floats:
    """Columns 1, cos, sin of one cycle and cos, sin of two cycles a year; shape (n, 5)."""
    turn = 2.0 * np.pi * np.asarray(days, float) / YEAR_DAYS
    return np.column_stack(
        [np.ones_like(turn), np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)]
    )


@dataclass(frozen=True)
class Evidence:
    """What one room's days say of its season: a Gaussian likelihood in information form."""

    precision: Floats  # shape (5, 5); singular where the history is short
    shift: Floats  # precision times estimate, shape (5,)

    def through(self, variance: Floats) -> Evidence:
        """The same evidence about a parent that scatters its children by `variance` (a diagonal)."""
        loosen = np.linalg.inv(np.eye(len(self.shift)) + self.precision * variance)
        return Evidence(loosen @ self.precision, loosen @ self.shift)

    def __add__(self, other: Evidence) -> Evidence:
        return Evidence(self.precision + other.precision, self.shift + other.shift)


NO_EVIDENCE = Evidence(np.zeros((N_COEFFICIENTS, N_COEFFICIENTS)), np.zeros(N_COEFFICIENTS))


@dataclass(frozen=True)
class Season:
    """Season of one room and the weather around it.

    Attributes
    ----------
    coefficients, covariance : array, shapes (5,) and (5, 5)
        Of the columns of `harmonics`, for the year to come.
    anomaly_sd : float
        Standard deviation of the daily remainder around the season.
    anomaly_keep : float
        Its correlation from one day to the next.
    """

    coefficients: Floats
    covariance: Floats
    anomaly_sd: float
    anomaly_keep: float

    def expected(self, days: Days) -> Floats:
        """Season at `days`, shape (n,)."""
        return harmonics(days) @ self.coefficients


def season_evidence(days: Days, values: Floats, keep: float, sd: float) -> Evidence:
    """Likelihood of the season's coefficients under a first-order autoregressive remainder.

    Parameters
    ----------
    days, values : array, shape (n,)
        Observed days, rising, with gaps of any length, and the daily means.
    keep, sd : float
        Correlation from day to day and standard deviation of the remainder.

    Returns
    -------
    Evidence
        From the innovations, each divided by its own standard deviation; a gap of k days leaves ``keep**k``.
    """
    if not len(days):
        return NO_EVIDENCE
    columns = np.column_stack([harmonics(days), values])
    kept = keep ** np.diff(days).astype(float)
    scale = sd * np.sqrt(1.0 - kept**2)
    white = np.vstack([columns[:1] / sd, (columns[1:] - kept[:, None] * columns[:-1]) / scale[:, None]])
    design, target = white[:, :-1], white[:, -1]
    return Evidence(design.T @ design, design.T @ target)


def remainder(days: Days, residuals: Floats, prior: SeasonPrior) -> tuple[float, float]:
    """Estimate (keep, sd) of the remainder from neighbouring days, shrunk towards the prior.

    Notes
    -----
    Conditional least squares on pairs of consecutive days; the prior counts as `prior_days` such pairs.
    """
    pair = np.flatnonzero(np.diff(days) == 1)
    before, after = residuals[pair], residuals[pair + 1]
    weight, variance = prior.prior_days, prior.anomaly_sd**2
    together = float(before @ after) + weight * prior.anomaly_keep * variance
    keep = min(max(together / (float(before @ before) + weight * variance), 0.0), 0.99)
    surprise = float(np.sum((after - keep * before) ** 2))
    surprise += weight * variance * (1.0 - prior.anomaly_keep**2)
    return keep, float(np.sqrt(surprise / (len(pair) + weight) / (1.0 - keep**2)))


def fit_seasons(
    history: Mapping[str, tuple[Days, Floats]], building_of: Mapping[str, str], prior: SeasonPrior
) -> dict[str, Season]:
    """Fit every room's season together: a short history leans on its building, that on the site.

    Parameters
    ----------
    history : mapping of room to (days, values)
        Daily means; may be empty for a room.
    building_of : mapping of room to building
    prior : SeasonPrior

    Returns
    -------
    dict of room to Season

    Notes
    -----
    Three levels of normal scatter (site, building, room), solved exactly by passing evidence up and down the
    tree, for given remainders. Those are estimated from the residuals of a first pass. The covariance
    includes `year_sd`, since the coming year is not the average of the past ones.
    """
    flat = {room: (prior.anomaly_keep, prior.anomaly_sd) for room in history}
    first = _solve_tree(history, building_of, prior, flat)
    refined = {
        room: remainder(days, values - harmonics(days) @ first[room][0], prior)
        for room, (days, values) in history.items()
    }
    second = _solve_tree(history, building_of, prior, refined)
    year = np.diag(np.square(prior.year_sd))
    return {
        room: Season(mean, covariance + year, refined[room][1], refined[room][0])
        for room, (mean, covariance) in second.items()
    }


def _solve_tree(
    history: Mapping[str, tuple[Days, Floats]],
    building_of: Mapping[str, str],
    prior: SeasonPrior,
    remainders: Mapping[str, tuple[float, float]],
) -> dict[str, tuple[Floats, Floats]]:
    room_var, building_var = np.square(prior.room_sd), np.square(prior.building_sd)
    own = {room: season_evidence(*history[room], *remainders[room]) for room in history}
    upward = {room: own[room].through(room_var) for room in history}
    of_building: dict[str, Evidence] = {}
    for room in history:
        of_building[building_of[room]] = of_building.get(building_of[room], NO_EVIDENCE) + upward[room]
    precision = np.diag(1.0 / np.square(prior.site_sd))
    site_prior = Evidence(precision, precision @ np.asarray(prior.level))
    to_site = {building: evidence.through(building_var) for building, evidence in of_building.items()}
    solved = {}
    for room in history:
        building = building_of[room]
        site = sum((told for name, told in to_site.items() if name != building), site_prior)
        others = [upward[name] for name in history if name != room and building_of[name] == building]
        total = sum(others, site.through(building_var)).through(room_var) + own[room]
        covariance = np.linalg.inv(total.precision)
        solved[room] = (covariance @ total.shift, (covariance + covariance.T) / 2.0)
    return solved
