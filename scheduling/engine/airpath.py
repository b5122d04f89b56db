"""The air a room had and is going to have, day by day, as a mean and independent sources of doubt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_banded

from scheduling.engine.air import Season, SeasonPrior
from scheduling.engine.cycles import harmonics

Floats = NDArray[np.float64]
Days = NDArray[np.int64]

BORROWED_KEEP = 0.97  # [-] from day to day; prior: common practice, no source
BORROWED_SHARE = 0.7  # [-] of a room's anomaly sd, by which a neighbour's weather differs; prior, no source


@dataclass(frozen=True)
class Noise:
    """A first-order process around zero: e[d] = keep[d] e[d-1] + sd[d] times white noise."""

    keep: Floats
    sd: Floats

    @cached_property
    def variance(self) -> Floats:
        """Variance of e on every day, shape (n,)."""
        out = np.empty_like(self.sd)
        before = 0.0
        for d, (keep, sd) in enumerate(zip(self.keep, self.sd, strict=True)):
            before = out[d] = keep * keep * before + sd * sd
        return out


@dataclass(frozen=True)
class AirPath:
    """Daily values on consecutive days: mean + season_doubt @ z + sum of noises, z standard normal.

    Attributes
    ----------
    first_day : int
    mean : array, shape (n,)
        Exact on days with trusted readings.
    season_doubt : array, shape (n, p)
        What one standard deviation of each independent doubt about the season does.
    noises : tuple of Noise
        Weather in gaps and to come (zero on days with readings), and a neighbour's difference.
    """

    first_day: int
    mean: Floats
    season_doubt: Floats
    noises: tuple[Noise, ...]

    @cached_property
    def doubtful(self) -> NDArray[np.bool_]:
        """Days that are not known for certain, shape (n,)."""
        doubtful = self.season_doubt.any(axis=1)
        for noise in self.noises:
            doubtful = doubtful | (noise.sd > 0)
        return np.asarray(doubtful)

    def first_doubt(self, place: int = 0) -> int:
        """The first doubtful place from `place` on; the length where there is none."""
        ahead = self.doubtful[place:]
        return place + int(np.argmax(ahead)) if ahead.any() else len(self.mean)

    def factor(self, weights: Floats) -> Floats:
        """Square root of the covariance of ``weights @ values``.

        Parameters
        ----------
        weights : array, shape (m, n)
            Each row weighs the days.

        Returns
        -------
        array, shape (m, q)
            F with F F' the covariance.
        """
        open_days = np.flatnonzero(self.doubtful)  # the others add nothing, and are most of a long record
        parts = [np.einsum("md,dp->mp", weights[:, open_days], self.season_doubt[open_days])]
        for noise in self.noises:
            active = np.flatnonzero((noise.sd > 0) | (noise.keep > 0))
            if not noise.sd.any():
                continue
            keep = noise.keep[active]
            keep[1:][np.diff(active) > 1] = 0.0  # what comes before a stretch is known
            band = np.ones((2, len(active)))
            band[0] = -keep  # row above the diagonal of the transposed recursion
            spread = solve_banded((0, 1), band, weights[:, active].T, check_finite=False)
            parts.append((spread * noise.sd[active, None]).T)
        return np.hstack(parts)

    def since(self, place: int) -> AirPath:
        """The same path without the days before `place`."""
        return self.between(place, len(self.mean))

    def between(self, place: int, end: int) -> AirPath:
        """The same path from `place` on, without the days from `end` on."""
        cut = []
        for noise in self.noises:
            keep, sd = noise.keep[place:end].copy(), noise.sd[place:end].copy()
            if len(keep):
                keep[0], sd[0] = 0.0, np.sqrt(noise.variance[place])
            cut.append(Noise(keep, sd))
        return AirPath(self.first_day + place, self.mean[place:end], self.season_doubt[place:end], tuple(cut))

    def draw(self, rng: np.random.Generator, paths: int) -> Floats:
        """Random departures from `mean`, shape (paths, n).

        Notes
        -----
        Each noise has a stream of its own, drawn from the last day back, so that the days to come get the
        same numbers however far back the path begins.
        """
        season = rng.standard_normal((paths, self.season_doubt.shape[1]))
        doubt = np.einsum("pk,nk->pn", season, self.season_doubt)  # threads of a matrix product cost more
        for noise, own in zip(self.noises, rng.spawn(len(self.noises)), strict=True):
            if not noise.sd.any():
                continue
            white = own.standard_normal((len(noise.sd), paths))[::-1] * noise.sd[:, None]
            band = np.ones((2, len(noise.keep)))
            band[1, :-1] = -noise.keep[1:]
            doubt += solve_banded((1, 0), band, white, check_finite=False).T
        return np.asarray(doubt)


def room_path(
    season: Season,
    prior: SeasonPrior,
    days: Days,
    values: Floats,
    first_day: int,
    last_day: int,
    borrowed: bool = False,
) -> AirPath:
    """Fill the gaps of a room's history and carry it on into the season.

    Parameters
    ----------
    season : Season
    prior : SeasonPrior
        For the doubt about a neighbour's values.
    days, values : array, shape (n,)
        Observed daily means; those outside the span are ignored.
    first_day, last_day : int
        Span of the result, both included.
    borrowed : bool
        Whether the values are a neighbour's.

    Notes
    -----
    In a gap the anomaly bridges between its two ends, after the last reading it decays into the season. So a
    gap can only add variance. The readings' own error is left out: what matters is change since the last
    service, in which a sensor's constant error cancels.
    """
    grid = np.arange(first_day, last_day + 1)
    inside = (days >= first_day) & (days <= last_day)
    at, seen = days[inside] - first_day, values[inside]
    bridge = _Bridge(len(grid), at, season.anomaly_keep)
    columns = harmonics(grid)
    level = season.expected(grid)
    lively = season.liveliness(grid)
    mean = level + lively * bridge.fill((seen - level[at]) / lively[at])
    left_to_season = columns - lively[:, None] * bridge.fill(columns[at] / lively[at, None])
    root = np.linalg.cholesky(season.covariance)
    doubt = left_to_season @ root
    noises = [_livelier(bridge.noise(season.anomaly_sd), lively)]
    if borrowed:
        doubt = np.hstack([doubt, columns * np.asarray(prior.borrowed_sd)])
        noises.append(_steady(len(grid), BORROWED_KEEP, BORROWED_SHARE * season.anomaly_sd))
    return AirPath(first_day, mean, doubt, tuple(noises))


def _livelier(noise: Noise, factor: Floats) -> Noise:
    """The same process times a factor that changes from day to day."""
    keep = noise.keep.copy()
    keep[1:] *= factor[1:] / factor[:-1]
    return Noise(keep, noise.sd * factor)


def _steady(n: int, keep: float, sd: float) -> Noise:
    sds = np.full(n, sd * np.sqrt(1.0 - keep**2))
    sds[0] = sd
    return Noise(np.full(n, keep), sds)


class _Bridge:
    """Conditional law of a stationary first-order process of unit variance, given some of its days."""

    def __init__(self, n: int, at: NDArray[np.int64], keep: float) -> None:
        self.n, self.at, self.keep = n, at, keep
        grid = np.arange(n)
        place = np.searchsorted(at, grid, side="right") - 1
        self.known = np.zeros(n, bool)
        self.known[at] = True
        self.left = np.where(place >= 0, place, -1)
        self.right = np.where(self.known, place, place + 1)
        self.to_left = self._distance(grid, self.left)
        self.to_right = self._distance(grid, self.right)

    def _distance(self, grid: NDArray[np.int64], place: NDArray[np.int64]) -> Floats:
        """Days to the observation at `place`; infinite where there is none."""
        exists = (place >= 0) & (place < len(self.at))
        out = np.full(self.n, np.inf)
        out[exists] = np.abs(grid[exists] - self.at[place[exists]])
        return out

    def fill(self, seen: Floats) -> Floats:
        """Conditional mean on every day; `seen` has shape (n_seen,) or (n_seen, p)."""
        if not len(seen):
            return np.zeros((self.n, *seen.shape[1:]))
        flat = seen.reshape(len(seen), -1)
        here, there = self._power(self.to_left), self._power(self.to_right)
        span = 1.0 - (here * there) ** 2
        safe = np.where(self.known, 1.0, span)
        from_left = np.where(self.known, 1.0, here * (1.0 - there**2) / safe)
        from_right = np.where(self.known, 0.0, there * (1.0 - here**2) / safe)
        left = flat[np.clip(self.left, 0, len(flat) - 1)]
        right = flat[np.clip(self.right, 0, len(flat) - 1)]
        filled = from_left[:, None] * left + from_right[:, None] * right
        return np.asarray(filled.reshape(self.n, *seen.shape[1:]), float)

    def noise(self, sd: float) -> Noise:
        """The departures from that mean as a process running forward in time."""
        one = self.keep
        ahead = self._power(self.to_right) ** 2  # 0 where no observation follows
        keep = np.where(self.known, 0.0, one * (1.0 - ahead) / (1.0 - ahead * one**2))
        variance = np.where(self.known, 0.0, (1.0 - one**2) * (1.0 - ahead) / (1.0 - ahead * one**2))
        if not self.known[0]:
            keep[0], variance[0] = 0.0, 1.0 - ahead[0]
        return Noise(keep, sd * np.sqrt(variance))

    def _power(self, distance: Floats) -> Floats:
        """`keep` to the power of a distance, without 0 to the power of infinity."""
        return np.where(np.isinf(distance), 0.0, self.keep ** np.where(np.isinf(distance), 1.0, distance))


def joined(paths: Mapping[str, AirPath], spans: Sequence[tuple[int, str]]) -> AirPath:
    """The air an instrument felt: that of each room in turn.

    Parameters
    ----------
    paths : mapping of room to AirPath
        All on the same days.
    spans : sequence of (first place on the grid, room)
        Rising; the first begins at 0.

    Notes
    -----
    Doubts about different rooms are taken as independent of each other.
    """
    if len(spans) == 1:
        return paths[spans[0][1]]
    any_path = next(iter(paths.values()))
    n = len(any_path.mean)
    mean = np.empty(n)
    doubts = []
    noises = []
    ends = [start for start, _ in spans[1:]] + [n]
    for room in dict.fromkeys(room for _, room in spans):
        path = paths[room]
        here = np.zeros(n, bool)
        starts = [start for start, name in spans if name == room]
        for (start, name), end in zip(spans, ends, strict=True):
            here[start:end] |= name == room
        mean[here] = path.mean[here]
        doubts.append(np.where(here[:, None], path.season_doubt, 0.0))
        noises += [_while_here(noise, here, starts) for noise in path.noises]
    return AirPath(any_path.first_day, mean, np.hstack(doubts), tuple(noises))


def _while_here(noise: Noise, here: NDArray[np.bool_], starts: Sequence[int]) -> Noise:
    keep, sd = np.where(here, noise.keep, 0.0), np.where(here, noise.sd, 0.0)
    variance = noise.variance
    for start in starts:
        keep[start], sd[start] = 0.0, np.sqrt(variance[start])
    return Noise(keep, sd)
