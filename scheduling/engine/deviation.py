"""The parts of a deviation since the last service: wood, settling, hours played, travel, warmth."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.special import ndtr

from scheduling.engine.airpath import AirPath
from scheduling.engine.lag import daily_weights, lagged_daily
from scheduling.engine.subjects import Playing

Floats = NDArray[np.float64]
Places = NDArray[np.int64]

MEMORY = 5.0  # time constants after which wood has forgotten the air

N_PARTS = 5
MOISTURE, SETTLING, HOURS, CYCLING, WARMTH = range(N_PARTS)  # order of every coefficient vector


@dataclass(frozen=True)
class Wood:
    """Moisture of some wood, or a difference of two, that follows an air path.

    Attributes
    ----------
    air : AirPath
        Equilibrium moisture [fraction].
    components : tuple of (sign, tau [d])
        No component: nothing that swells.
    """

    air: AirPath
    components: tuple[tuple[float, float], ...]

    @cached_property
    def mean(self) -> Floats:
        """Expected moisture at the end of each day, shape (n,); wood starts at rest with the first day."""
        level = float(self.air.mean[0])
        parts = [sign * (level + lagged_daily(self.air.mean - level, tau)) for sign, tau in self.components]
        return np.sum(parts, axis=0) if parts else np.zeros_like(self.air.mean)

    def factor(self, places: Places) -> Floats:
        """Square root of the covariance of the moisture at some places of the grid, shape (m, q).

        Notes
        -----
        Air further back than five of the longest time constants is forgotten (0.7 % of its weight is left).
        """
        n = len(self.air.mean)
        memory = min(MEMORY * max(tau for _, tau in self.components), float(n))
        first = self.air.first_doubt(max(int(places.min() - memory), 0))
        kernel = np.zeros(2 * n)  # second half: days back; first half: days ahead, which do not count
        for sign, tau in self.components:
            kernel[n:] += sign * daily_weights(tau, n)
        end = min(max(int(places.max()) + 1, first), n)  # later days weigh nothing
        return self.air.between(first, end).factor(kernel[n + places[:, None] - np.arange(first, end)])

    @cached_property
    def unseen_season(self) -> Floats:
        """What one standard deviation of each doubt about the season does to the moisture, shape (p, n)."""
        return self.respond(self.air.season_doubt.T)

    @cached_property
    def unseen_weather(self) -> Floats:
        """Stationary variance of the lagged weather, times the squared share of days unseen, shape (n,)."""
        variance = np.zeros(len(self.air.mean))
        keeps = [(sign, float(np.exp(-1.0 / tau)) if tau > 0 else 0.0) for sign, tau in self.components]
        slowest = max(keep for _, keep in keeps)
        for noise in self.air.noises:
            level = noise.sd**2 / (1.0 - noise.keep**2)
            together = np.zeros_like(level)
            for sign, one in keeps:
                for other_sign, other in keeps:
                    gain = (1 - one) * (1 - other) * (1 - noise.keep**2 * one * other)
                    gain /= (1 - one * other) * (1 - noise.keep * one) * (1 - noise.keep * other)
                    together += sign * other_sign * gain
            unseen = lfilter([1.0 - slowest], [1.0, -slowest], (noise.sd > 0).astype(float))
            usual = np.median((level * together)[noise.sd > 0]) if (noise.sd > 0).any() else 0.0
            variance += usual * unseen**2
        return variance

    def respond(self, departures: Floats) -> Floats:
        """Departures of the moisture that belong to departures of the air; shape (paths, n) both."""
        out = np.zeros_like(departures)
        for sign, tau in self.components:
            out += sign * lagged_daily(departures, tau)
        return out


def settled(age_days: Floats, curve: tuple[tuple[float, float], ...]) -> Floats:
    """Share of an instrument's settling that is over at an age [d]: a sum of saturating exponentials."""
    age = np.maximum(age_days, 0.0)
    return np.asarray(np.sum([share * -np.expm1(-age / tau) for share, tau in curve], axis=0), float)


def played(playing: Playing, first_day: int, n: int) -> Floats:
    """Usual playing days up to the end of each day: the running sum of the playing factor, shape (n,).

    Raises
    ------
    ValueError
        If a factor is negative or not a number.
    """
    bad = np.flatnonzero(~(playing.factor >= 0))
    if bad.size:
        raise ValueError(f"playing factor {playing.factor[bad[0]]:g} at position {bad[0]}: must be 0 or more")
    factor = np.ones(n)
    place = playing.days - first_day
    inside = (place >= 0) & (place < n)
    factor[place[inside]] = playing.factor[inside]
    return np.cumsum(factor)


def travelled(air: AirPath, tau: float) -> Floats:
    """Moisture that wood of time constant `tau` [d] has travelled up and down to the end of each day.

    Parameters
    ----------
    air : AirPath
    tau : float
        [d]

    Returns
    -------
    array, shape (n,)
        Running sum of the expected size of the daily change [fraction].

    Notes
    -----
    On days without readings the change is normal around the season's own step, with the variance that a
    first-order process leaves after one lag, in its stationary state. The doubt about the sum is left out: it
    averages over many days.
    """
    step = np.diff(Wood(air, ((1.0, tau),)).mean, prepend=air.mean[0])
    keep = float(np.exp(-1.0 / tau))
    variance = np.zeros_like(step)
    for noise in air.noises:
        variance += _step_variance(noise.keep, noise.sd, keep)
    return np.cumsum(_folded_mean(step, np.sqrt(variance)))


def _step_variance(keep: Floats, sd: Floats, wood_keep: float) -> Floats:
    """Variance of the daily change behind a lag; an AR(2) with roots `keep` and `wood_keep`."""
    both, total = keep * wood_keep, keep + wood_keep
    level = (sd * (1.0 - wood_keep)) ** 2 * (1.0 + both)
    level /= (1.0 - both) * (1.0 - keep**2) * (1.0 - wood_keep**2)
    return 2.0 * level * (1.0 - total / (1.0 + both))


def _folded_mean(mean: Floats, sd: Floats) -> Floats:
    """Expectation of |N(mean, sd^2)|."""
    safe = np.where(sd > 0, sd, 1.0)
    z = mean / safe
    folded = safe * np.sqrt(2.0 / np.pi) * np.exp(-0.5 * z * z) + mean * (1.0 - 2.0 * ndtr(-z))
    return np.where(sd > 0, folded, np.abs(mean))
