"""The season of a room's air, learned from what history it has and shrunk towards its building."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.cycles import harmonics
from scheduling.engine.year_shape import GRID, at_days

Floats = NDArray[np.float64]
Days = NDArray[np.int64]

SCORING_STEPS, SCORED = 25, 1e-6  # each step at most half a logarithm; a dozen are enough
YEAR_FACTORS = np.geomspace(1 / 64, 16.0, 41)
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
    lively_sd: float = 0.35  # of each harmonic of the logarithm of the anomaly's sd through the year
    year_log_sd: float = 1.0  # of the logarithm of the factor by which `year_sd` squared may be wrong


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


WARMTH = SeasonPrior(  # [degC]
    level=(21.0, -1.5, -0.5, 0.0, 0.0),
    site_sd=(2.0, 1.5, 1.0, 0.5, 0.5),
    building_sd=(1.0, 1.0, 0.5, 0.3, 0.3),
    room_sd=(1.0, 0.7, 0.5, 0.3, 0.3),
    year_sd=(0.3, 0.3, 0.3, 0.2, 0.2),
    borrowed_sd=(1.0, 1.0, 0.5, 0.3, 0.3),
    anomaly_sd=0.8,
    anomaly_keep=0.85,
    prior_days=20.0,
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


NOTHING, NO_SPREAD = np.zeros(N_COEFFICIENTS), np.zeros((N_COEFFICIENTS, N_COEFFICIENTS))
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
    lively : array, shape (4,)
        Harmonics of the logarithm of its standard deviation: a humidified room is calm in winter.
    shape : array, shape (366,)
        What the year has besides: see `scheduling.engine.year_shape`.
    """

    coefficients: Floats
    covariance: Floats
    anomaly_sd: float
    anomaly_keep: float
    lively: Floats = field(default_factory=lambda: np.zeros(N_COEFFICIENTS - 1))
    shape: Floats = field(default_factory=lambda: np.zeros(len(GRID)))

    def liveliness(self, days: Days) -> Floats:
        """Factor on the anomaly's standard deviation at `days`, shape (n,); 1 on average of its logarithm."""
        return np.exp(harmonics(days)[:, 1:] @ self.lively)

    def expected(self, days: Days) -> Floats:
        """Season at `days`, shape (n,)."""
        return np.asarray(harmonics(days) @ self.coefficients + at_days(self.shape, days), float)


def season_evidence(
    days: Days, values: Floats, keep: float, sd: float, lively: Floats | None = None
) -> Evidence:
    """Likelihood of the season's coefficients under a first-order autoregressive remainder.

    Parameters
    ----------
    days, values : array, shape (n,)
        Observed days, rising, with gaps of any length, and the daily means.
    keep, sd : float
        Correlation from day to day and standard deviation of the remainder.
    lively : array, shape (n,), optional
        Factor on that standard deviation by day; 1 if not given.

    Returns
    -------
    Evidence
        From the innovations, each divided by its own standard deviation; a gap of k days leaves ``keep**k``.
    """
    if not len(days):
        return NO_EVIDENCE
    columns = np.column_stack([harmonics(days), values])
    if lively is not None:
        columns = columns / lively[:, None]
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
    history: Mapping[str, tuple[Days, Floats]],
    building_of: Mapping[str, str],
    prior: SeasonPrior,
    shapes: Mapping[str, Floats] | None = None,
) -> dict[str, Season]:
    """Fit every room's season together: a short history leans on its building, that on the site.

    Parameters
    ----------
    history : mapping of room to (days, values)
        Daily means; may be empty for a room.
    building_of : mapping of room to building
    prior : SeasonPrior
    shapes : mapping of room to array of shape (366,), optional
        What every room's year has besides two cycles, as known from elsewhere; nothing if not given.

    Returns
    -------
    dict of room to Season

    Notes
    -----
    Three levels of normal scatter (site, building, room), solved exactly by passing evidence up and down the
    tree, for given remainders. Those are estimated from the residuals of a first pass, with their liveliness
    through the year. The covariance includes `year_sd`, since the coming year is not the average of the past
    ones, as far as the years behind confirm it (:func:`year_scatter`).
    """
    shape = shapes or dict.fromkeys(history, np.zeros(len(GRID)))
    history = {room: (days, values - at_days(shape[room], days)) for room, (days, values) in history.items()}
    calm = np.zeros(N_COEFFICIENTS - 1)
    flat = {room: Season(NOTHING, NO_SPREAD, prior.anomaly_sd, prior.anomaly_keep, calm) for room in history}
    first = _solve_tree(history, building_of, prior, flat)
    refined = {
        room: _weather(days, values - harmonics(days) @ first[room][0], prior)
        for room, (days, values) in history.items()
    }
    second = _solve_tree(history, building_of, prior, refined)
    residuals = {
        room: (days, values - harmonics(days) @ second[room][0]) for room, (days, values) in history.items()
    }
    year = np.diag(np.square(prior.year_sd)) * year_scatter(residuals, refined, prior)
    return {
        room: replace(refined[room], coefficients=mean, covariance=covariance + year, shape=shape[room])
        for room, (mean, covariance) in second.items()
    }


def _weather(days: Days, residuals: Floats, prior: SeasonPrior) -> Season:
    """A season that knows its remainder only: its liveliness first, then what is left of it."""
    lively = liveliness(days, residuals, prior)
    keep, sd = remainder(days, residuals / np.exp(harmonics(days)[:, 1:] @ lively), prior)
    return Season(NOTHING, NO_SPREAD, sd, keep, lively)


def liveliness(days: Days, residuals: Floats, prior: SeasonPrior) -> Floats:
    """Harmonics of the logarithm of the remainder's standard deviation through the year, shape (4,).

    Notes
    -----
    Penalised likelihood of independent normal values, by Fisher scoring, with each day counted for the share
    that its correlation with its neighbours leaves it: (1 - keep^2) / (1 + keep^2), for squares of a
    first-order process. The penalty is the normal prior `lively_sd`; a free level takes up the average.
    """
    columns = harmonics(days)
    share = (1.0 - prior.anomaly_keep**2) / (1.0 + prior.anomaly_keep**2)
    penalty = np.diag([1e-9] + [1.0 / max(prior.lively_sd, 1e-9) ** 2] * (N_COEFFICIENTS - 1))
    at = np.zeros(N_COEFFICIENTS)
    at[0] = np.log(prior.anomaly_sd)
    information = 2.0 * share * columns.T @ columns + penalty
    for _ in range(SCORING_STEPS):
        excess = np.square(residuals / np.exp(columns @ at)) - 1.0
        pull = np.append(0.0, at[1:])
        step = np.linalg.solve(information, share * columns.T @ excess - penalty @ pull)
        at += np.clip(step, -0.5, 0.5)
        if np.max(np.abs(step)) < SCORED:
            break
    return np.asarray(at[1:], float)


def year_scatter(
    residuals: Mapping[str, tuple[Days, Floats]], weather: Mapping[str, Season], prior: SeasonPrior
) -> float:
    """Factor on the variance `year_sd` squared, from how the years of a site's rooms differ.

    Notes
    -----
    Each year's own five coefficients, as the remainder allows to know them, are normal around the season with
    their error's covariance plus the factor times `year_sd` squared, less what fitting the season took away.
    The likelihood is averaged over rooms, since they share their weather; the prior is log-normal around 1.
    The factor is its mean over a grid.
    """
    scatter = np.diag(np.square(prior.year_sd))
    total = np.zeros(len(YEAR_FACTORS))
    told = 0
    for room, (days, values) in residuals.items():
        years = _years(days)
        if len(years) < 2:
            continue
        one = weather[room]
        parts = [
            season_evidence(days[y], values[y], one.anomaly_keep, one.anomaly_sd, one.liveliness(days[y]))
            for y in years
        ]
        errors = np.array([np.linalg.inv(part.precision) for part in parts])
        found = np.einsum("yij,yj->yi", errors, np.array([part.shift for part in parts]))
        kept = 1.0 - 1.0 / len(years)
        spread = (errors + YEAR_FACTORS[:, None, None, None] * scatter) * kept  # (factors, years, 5, 5)
        weighed = np.linalg.solve(spread, np.broadcast_to(found[..., None], (*spread.shape[:3], 1)))[..., 0]
        misfit = np.sum(found * weighed, axis=-1)
        total -= 0.5 * kept * np.sum(np.linalg.slogdet(spread)[1] + misfit, axis=1)
        told += 1
    weight = total / max(told, 1) - 0.5 * np.square(np.log(YEAR_FACTORS) / prior.year_log_sd)
    weight = np.exp(weight - weight.max())
    return float(weight @ YEAR_FACTORS / weight.sum()) if told else 1.0


def _years(days: Days) -> list[slice]:
    """Whole years back from the last day, without those that lack more than a tenth of their days."""
    out = []
    for end in range(int(days[-1]) + 1 if len(days) else 0, int(days[0]) if len(days) else 0, -365):
        first, last = np.searchsorted(days, [end - 365, end])
        if last - first >= 0.9 * 365:
            out.append(slice(int(first), int(last)))
    return out


def _solve_tree(
    history: Mapping[str, tuple[Days, Floats]],
    building_of: Mapping[str, str],
    prior: SeasonPrior,
    remainders: Mapping[str, Season],
) -> dict[str, tuple[Floats, Floats]]:
    room_var, building_var = np.square(prior.room_sd), np.square(prior.building_sd)
    own = {
        room: season_evidence(
            days,
            values,
            remainders[room].anomaly_keep,
            remainders[room].anomaly_sd,
            remainders[room].liveliness(days),
        )
        for room, (days, values) in history.items()
    }
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
