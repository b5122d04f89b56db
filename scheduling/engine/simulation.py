"""Simulated futures of a group of cases, each ending in its first day out of tolerance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.cases import Beliefs, Case, part_scale
from scheduling.engine.deviation import CYCLING, HOURS, MOISTURE, N_PARTS, SETTLING, WARMTH
from scheduling.engine.expectation import settling_change
from scheduling.engine.fabric import Group
from scheduling.engine.passage import Draws, Singles, draw, first_passage, noise_factors

Floats = NDArray[np.float64]

PATHS = 400  # a quantile's date is then off by about 2 % in probability; shared by all cases of a service
ENOUGH = 0.92  # paths past this share cannot move the latest quantile asked for, 0.9
FORGOTTEN_DAYS = 240  # [d] before the last service; eight times the slowest wood's median lag
BLOCK_DAYS = 61  # worked at a time, so that a case that is soon out is soon done


@dataclass(frozen=True)
class Futures:
    """One group's simulated wood.

    Attributes
    ----------
    first : int
        Place on the grid of the first column.
    wood : array, shape (n_factors, paths, n - first)
        Departures of the moisture from its mean [fraction].
    """

    first: int
    wood: Singles

    def moved(self, group: Group, factor: NDArray[np.int64], since: int, start: int) -> Singles:
        """Change of moisture since a place, from place `start` on, each path with its own time constant."""
        paths = np.arange(self.wood.shape[1])
        means = np.array([wood.mean[start:] - wood.mean[since] for wood in group.woods], np.float32)
        out = self.wood[factor, paths, start - self.first :] + means[factor]
        if since >= self.first:
            out -= self.wood[factor, paths, since - self.first][:, None]
        return np.asarray(out, np.float32)


def imagine(group: Group, cases: Sequence[Case], now: int, rng: np.random.Generator, paths: int) -> Futures:
    """Draw the air's departures once and let the wood of every time constant follow."""
    air = group.woods[0].air
    earliest = min(int(group.place(np.array([cases[i].last_day]))[0]) for i in group.members)
    first = min(air.first_doubt(max(earliest - FORGOTTEN_DAYS, 0)), now)
    if not group.woods[0].components:
        return Futures(first, np.zeros((1, paths, len(air.mean) - first), np.float32))
    drawn = air.since(first).draw(rng, paths)
    return Futures(first, np.array([wood.respond(drawn) for wood in group.woods], np.float32))


def first_days_out(
    group: Group,
    cases: Sequence[Case],
    beliefs: Sequence[Beliefs],
    today: int,
    seed: tuple[int, int],
    paths: int = PATHS,
    enough: float = ENOUGH,
) -> Iterator[tuple[int, NDArray[np.int64]]]:
    """For every case of a group: its place in the fleet and, per path, days from today until it is out.

    Parameters
    ----------
    seed : tuple of int
        One of the run, one of the service: cases of the same service share draws, so that a forecast does not
        depend on which other instruments are forecast with it.
    """
    now = int(group.place(np.array([today]))[0])
    air_rng, own_rng = (np.random.default_rng(np.random.SeedSequence([*seed, stream])) for stream in (0, 1))
    draws = draw(own_rng, paths, group.playing_days[now:])
    futures = imagine(group, cases, now, air_rng, paths)
    for i in group.members:
        path = Deviations(group, cases[i], beliefs[i], today, futures, draws)
        yield i, first_passage(path.blocks(), cases[i].subject.tolerance, enough)


def square_roots(spread: Floats) -> Floats:
    """Lower triangular roots of covariances, shape (k, 5, 5); a coefficient without variance has none.

    Notes
    -----
    The coefficients' units differ by orders of magnitude, so the correlations are factored, loosened by a
    billionth against rounding.
    """
    size = np.sqrt(np.maximum(np.einsum("kii->ki", spread), 0.0))
    safe = np.where(size > 0, size, 1.0)
    correlation = spread / (safe[:, :, None] * safe[:, None, :]) + 1e-9 * np.eye(N_PARTS)
    correlation += np.eye(N_PARTS) * (size == 0)[:, None, :]
    return np.asarray(np.linalg.cholesky(correlation) * size[:, :, None])


class Deviations:
    """The simulated deviations of one case, ready to be followed block by block."""

    def __init__(
        self, group: Group, case: Case, belief: Beliefs, today: int, futures: Futures, draws: Draws
    ) -> None:
        now, last = (int(place) for place in group.place(np.array([today, case.last_day])))
        factor = np.searchsorted(np.cumsum(belief.weights)[:-1], draws.factor)
        noise = noise_factors(draws.noise, belief.shape[0]) * (belief.shape * belief.scale)[factor]
        roots = square_roots(belief.spread)
        drawn = np.einsum("pij,pj->pi", roots[factor], draws.coefficients) * np.sqrt(noise)[:, None]
        self.coefficients = ((belief.mean[factor] + drawn) * part_scale(case, case.fade)).astype(np.float32)
        self.moved = None
        if case.prior.components:
            self.moved = futures.moved(group, factor, last, now)
        self.clocks = _clocks(group, case, today, now, last)
        rate = case.walk_hour * case.thousands_per_day
        playing = group.playing_days
        walked = case.walk_day * (today - case.last_day) + rate * (playing[now] - playing[last])
        start_variance = noise * (case.start_sd**2 + walked) + sum(sd**2 for _, _, sd in case.jumps)
        start = case.start_mean + sum(size for _, size, _ in case.jumps)
        self.start = (start + draws.start * np.sqrt(start_variance)).astype(np.float32)
        size = np.sqrt(noise)[:, None].astype(np.float32)
        self.time, self.use = size * np.float32(case.walk_day**0.5), size * np.float32(rate**0.5)
        self.step_variance = (case.walk_day + rate * np.diff(playing[now:])).astype(np.float32)
        self.noise, self.draws = noise[:, None].astype(np.float32), draws

    def blocks(self) -> Iterator[tuple[Singles, Singles, Singles]]:
        """Consecutive stretches for `first_passage`."""
        n = len(self.step_variance)
        for begin in range(0, n, BLOCK_DAYS):
            days = slice(begin, min(begin + BLOCK_DAYS, n) + 1)
            steps = slice(begin, min(begin + BLOCK_DAYS, n))
            deviation = np.einsum("pi,in->pn", self.coefficients, self.clocks[:, days])
            deviation += self.start[:, None]
            deviation += self.time * self.draws.walk_time[:, days]
            deviation += self.use * self.draws.walk_use[:, days]
            if self.moved is not None:
                deviation += self.coefficients[:, [MOISTURE]] * self.moved[:, days]
            yield deviation, self.noise * self.step_variance[steps], self.draws.crossing[:, steps]


def _clocks(group: Group, case: Case, today: int, now: int, last: int) -> Singles:
    """Settling, playing days, travel and warmth since the last service, from today on; shape (5, n)."""
    days = today + np.arange(len(group.playing_days) - now)
    clocks = np.zeros((N_PARTS, len(days)), np.float32)
    clocks[SETTLING] = settling_change(case, case.last_day, days)
    clocks[HOURS] = group.playing_days[now:] - group.playing_days[last]
    clocks[CYCLING] = group.travel[now:] - group.travel[last]
    clocks[WARMTH] = group.warmth[now:] - group.warmth[last]
    return clocks
