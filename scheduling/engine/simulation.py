"""Simulated futures of a group of cases, each ending in its first day out of tolerance."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.cases import Beliefs, Case, part_scale
from scheduling.engine.deviation import CYCLING, HOURS, MOISTURE, N_PARTS, SETTLING, WARMTH, Wood
from scheduling.engine.expectation import settling_change
from scheduling.engine.fabric import Group
from scheduling.engine.passage import Draws, Singles, first_passage

Floats = NDArray[np.float64]
Places = NDArray[np.int64]

PATHS = 400  # a quantile's date is then off by about 2 % in probability; shared by all cases of a service
ENOUGH = 0.9  # the share out by the latest date asked for; what comes later cannot move it
FORGOTTEN_DAYS = 240  # [d] before the last service; eight times the slowest wood's median lag
BLOCK_DAYS = 61  # worked at a time, so that a case that is soon out is soon done


class Weather:
    """The departures of one air from its mean, drawn once for all wood that follows it.

    Whoever asks for wood twice gets the same; not for use by several threads.
    """

    def __init__(self, groups: Iterable[Group], cases: Sequence[Case], today: int, seed: int, paths: int):
        """Draw for groups that share an air, far enough back for the oldest of their last services."""
        groups = list(groups)
        self._air, self._paths = groups[0].woods[0].air, paths
        self._seed = np.random.SeedSequence([seed, 0])
        self.now = int(groups[0].place(np.array([today]))[0])
        earliest = min(cases[i].last_day for group in groups for i in group.members)
        since = int(groups[0].place(np.array([earliest]))[0]) - FORGOTTEN_DAYS
        self.first = min(self._air.first_doubt(max(since, 0)), self.now)
        self._futures: dict[tuple[tuple[tuple[float, float], ...], ...], Futures] = {}

    @cached_property
    def departures(self) -> Singles:
        """Of the air [fraction], from place `first` on, shape (n, paths)."""
        rng = np.random.default_rng(self._seed)
        return np.ascontiguousarray(self._air.since(self.first).draw(rng, self._paths).T, np.float32)

    def futures(self, woods: Sequence[Wood]) -> Futures | None:
        """How wood follows, for every time constant in doubt; None where nothing swells."""
        if not woods[0].components:
            return None
        key = tuple(wood.components for wood in woods)
        if key not in self._futures:
            self._futures[key] = Futures(key, self.departures, self.now - self.first)
        return self._futures[key]


class Futures:
    """Departures of some wood's moisture from its mean, for every time constant in doubt, day by day.

    Attributes
    ----------
    past : array, shape (now - first + 1, n_factors, paths)
        Up to today [fraction].
    """

    def __init__(
        self, components: Sequence[tuple[tuple[float, float], ...]], departures: Singles, now: int
    ) -> None:
        """Follow departures of the air of shape (n, paths), of which `now` is the place of today."""
        tau = np.array([[tau for _, tau in each] for each in components]).T[:, :, None]
        sign = np.array([[sign for sign, _ in each] for each in components]).T[:, :, None]
        keep = np.exp(-1.0 / np.maximum(tau, 1e-9))
        self._keep, self._taken = keep.astype(np.float32), (sign * (1.0 - keep)).astype(np.float32)
        self._state = np.zeros((*tau.shape[:2], departures.shape[1]), np.float32)
        self._ahead = departures[now + 1 :]
        self._blocks: list[Singles] = []
        self.past = self._follow(departures[: now + 1])

    def block(self, number: int) -> Singles:
        """A stretch of `BLOCK_DAYS` days with the day before it, shape (m + 1, n_factors * paths)."""
        while len(self._blocks) <= number:
            before = self._blocks[-1][-1:] if self._blocks else self.past[-1:]
            begin = BLOCK_DAYS * len(self._blocks)
            moved = self._follow(self._ahead[begin : begin + BLOCK_DAYS])
            self._blocks.append(np.concatenate([before.reshape(1, -1), moved.reshape(len(moved), -1)]))
        return self._blocks[number]

    def _follow(self, departures: Singles) -> Singles:
        """Carry the wood on by some days: one first-order stage a component, exact for daily steps."""
        out = np.empty((len(departures), *self._state.shape[1:]), np.float32)
        for day, departure in enumerate(departures):
            self._state *= self._keep
            self._state += self._taken * departure
            np.add.reduce(self._state, axis=0, out=out[day])
        return out


def first_days_out(
    group: Group,
    cases: Sequence[Case],
    beliefs: Sequence[Beliefs],
    today: int,
    weather: Weather,
    draws: Draws,
    enough: float = ENOUGH,
) -> Iterator[tuple[int, Places]]:
    """For every case of a group: its place in the fleet and, per path, days from today until it is out."""
    futures = weather.futures(group.woods)
    roots = square_roots(np.array([beliefs[i].spread for i in group.members]))
    for i, root in zip(group.members, roots, strict=True):
        path = Deviations(group, cases[i], beliefs[i], today, weather.first, futures, draws, root)
        yield i, first_passage(path.blocks(), cases[i].subject.tolerance, enough)


def square_roots(spread: Floats) -> Floats:
    """Lower triangular roots of covariances, shape (..., 5, 5); a coefficient without variance has none.

    Notes
    -----
    The coefficients' units differ by orders of magnitude, so the correlations are factored, loosened by a
    billionth against rounding.
    """
    size = np.sqrt(np.maximum(np.einsum("...ii->...i", spread), 0.0))
    safe = np.where(size > 0, size, 1.0)
    correlation = spread / (safe[..., :, None] * safe[..., None, :]) + 1e-9 * np.eye(N_PARTS)
    correlation += np.eye(N_PARTS) * (size == 0)[..., None, :]
    return np.asarray(np.linalg.cholesky(correlation) * size[..., :, None])


class Deviations:
    """The simulated deviations of one case, ready to be followed block by block.

    On every path they are a sum of few courses over the days, each times a number of the path, and of the
    path's own wood and walk.

    Attributes
    ----------
    noise : array, shape (paths,)
        Factor on the variance of all that is not explained [-].
    settled : array, shape (n,)
        Share of the settling that falls between the last service and each day.
    settling : array, shape (paths,)
        What all of it comes to [unit].
    """

    def __init__(
        self,
        group: Group,
        case: Case,
        belief: Beliefs,
        today: int,
        first: int,
        futures: Futures | None,
        draws: Draws,
        root: Floats,
    ) -> None:
        now, last = (int(place) for place in group.place(np.array([today, case.last_day])))
        factor = np.searchsorted(np.cumsum(belief.weights)[:-1], draws.factor)
        noise = draws.noise_factors(float(belief.shape[0])) * (belief.shape * belief.scale)[factor]
        drawn = np.einsum("pij,pj->pi", root[factor], draws.coefficients) * np.sqrt(noise)[:, None]
        coefficients = ((belief.mean[factor] + drawn) * part_scale(case, case.fade)).T
        rate = case.walk_hour * case.thousands_per_day
        playing = group.playing_days
        walked = case.walk_day * (today - case.last_day) + rate * (playing[now] - playing[last])
        start_variance = noise * (case.start_sd**2 + walked) + sum(sd**2 for _, _, sd in case.jumps)
        start = (
            case.start_mean + sum(size for _, size, _ in case.jumps) + draws.start * np.sqrt(start_variance)
        )
        clocks = _clocks(group, case, today, now, last)
        sums = [(days, coefficients[part]) for part, days in clocks.items() if coefficients[part].any()]
        self._futures = futures
        if futures is not None:
            self._moisture = coefficients[MOISTURE].astype(np.float32)
            self._own = factor * len(factor) + np.arange(len(factor))
            if last >= first:
                start = start - self._moisture * futures.past[last - first].ravel()[self._own]
            for k in np.unique(factor):
                mean = group.woods[k].mean
                sums.append((mean[now:] - mean[last], np.where(factor == k, coefficients[MOISTURE], 0.0)))
        sums.append((np.ones(len(playing) - now), start))
        self._days = np.array([days for days, _ in sums], np.float32).T
        self._sizes = np.array([size for _, size in sums], np.float32)
        self._step_variance = (case.walk_day + rate * np.diff(playing[now:])).astype(np.float32)
        self.noise, self._draws = noise.astype(np.float32), draws
        self.settled, self.settling = clocks[SETTLING], coefficients[SETTLING]

    def blocks(self) -> Iterator[tuple[Singles, Singles, Singles]]:
        """Consecutive stretches for `first_passage`."""
        walked = np.zeros((1, len(self.noise)), np.float32)
        n = len(self._step_variance)
        for number, begin in enumerate(range(0, n, BLOCK_DAYS)):
            steps = slice(begin, min(begin + BLOCK_DAYS, n))
            deviation = self._days[begin : steps.stop + 1] @ self._sizes
            walk = self._walk(steps, walked)
            walked = walk[-1:].copy()
            walk *= np.sqrt(self.noise)
            deviation += walk
            if self._futures is not None:
                wood = self._futures.block(number).take(self._own, axis=1)
                wood *= self._moisture
                deviation += wood
            variance = self._step_variance[:1] if self._steady else self._step_variance[steps]
            yield deviation, variance[:, None] * self.noise, self._draws.crossing[steps]

    def _walk(self, steps: slice, walked: Singles) -> Singles:
        """The walk of unit noise over some steps, which has come so far before them, shape (m + 1, paths)."""
        variance = self._step_variance[steps]
        if self._steady:
            return np.asarray(self._draws.walk[steps.start : steps.stop + 1] * np.sqrt(variance[0]))
        walk = np.concatenate([walked, self._draws.steps[steps] * np.sqrt(variance)[:, None]])
        return np.asarray(np.cumsum(walk, axis=0, out=walk))

    @cached_property
    def _steady(self) -> bool:
        """Whether every day's step is as wide as any other's, as it is where playing never changes."""
        return bool(np.all(self._step_variance == self._step_variance[0]))


def _clocks(group: Group, case: Case, today: int, now: int, last: int) -> dict[int, Floats]:
    """Settling, playing days, travel and warmth since the last service, from today on, each of shape (n,)."""
    return {
        SETTLING: settling_change(case, case.last_day, today + np.arange(len(group.playing_days) - now)),
        HOURS: group.playing_days[now:] - group.playing_days[last],
        CYCLING: group.travel[now:] - group.travel[last],
        WARMTH: group.warmth[now:] - group.warmth[last],
    }
