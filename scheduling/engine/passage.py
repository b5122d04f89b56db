"""The first day out of tolerance of simulated paths, with the crossings between days accounted for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainccinv, ndtri

from scheduling.engine.deviation import N_PARTS

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

NEVER = -1


@dataclass(frozen=True)
class Draws:
    """Random numbers shared by all cases that are simulated together; n is the number of days.

    Attributes
    ----------
    factor, noise : array, shape (paths,)
        Uniform: which time constant, how large the noise variance.
    coefficients : array, shape (paths, 5)
        Standard normal.
    start : array, shape (paths,)
        Standard normal: what the last service left and the walk did up to today.
    steps : array, shape (n - 1, paths)
        Standard normal: the walk from each day to the next.
    crossing : array, shape (n - 1, paths)
        Standard exponential: decides whether a bridge between two days touched the limit.
    """

    factor: Floats
    noise: Floats
    coefficients: Floats
    start: Floats
    steps: Singles
    crossing: Singles
    _noise_factors: dict[float, Floats] = field(default_factory=dict, repr=False)

    @cached_property
    def walk(self) -> Singles:
        """Walk of variance 1 per day, from zero today, shape (n, paths)."""
        return np.pad(np.cumsum(self.steps, axis=0), ((1, 0), (0, 0)))

    def noise_factors(self, shape: float) -> Floats:
        """Inverse gamma of this shape and rate 1 on every path, shape (paths,); worked out once a shape."""
        if shape not in self._noise_factors:
            self._noise_factors[shape] = noise_factors(self.noise, shape)
        return self._noise_factors[shape]


def draw(rng: np.random.Generator, paths: int, days: int) -> Draws:
    """Draw everything; the few numbers that matter most are stratified over the paths.

    Parameters
    ----------
    rng : numpy.random.Generator
    paths : int
    days : int
        From today on, today included.
    """
    even = np.column_stack([(rng.permutation(paths) + rng.random(paths)) / paths for _ in range(N_PARTS + 3)])
    shape = days - 1, paths
    return Draws(
        factor=even[:, 0],
        noise=even[:, 1],
        coefficients=ndtri(even[:, 3:]),
        start=ndtri(even[:, 2]),
        steps=rng.standard_normal(shape, dtype=np.float32),
        crossing=rng.standard_exponential(shape, dtype=np.float32),
    )


def noise_factors(uniform: Floats, shape: float) -> Floats:
    """Inverse gamma of this shape and rate 1, by its quantiles."""
    return np.asarray(1.0 / gammainccinv(shape, uniform))


def first_passage(
    blocks: Iterable[tuple[Singles, Singles, Singles]], limit: float, enough: float = 1.0
) -> NDArray[np.int64]:
    """First day on which a deviation passes a limit, either way.

    Parameters
    ----------
    blocks : iterable of (deviation, step_variance, crossing)
        Shapes (m + 1, paths), (m, paths) or broadcast, and (m, paths): consecutive stretches of days, each
        deviation [unit] beginning with the last day of the stretch before; the variance is that of the walk
        from each day to the next [unit^2], `crossing` is standard exponential.
    limit : float
        Tolerance [unit].
    enough : float
        Share of the paths after whose passage the rest is not followed.

    Returns
    -------
    int array, shape (paths,)
        Place of the first day out, or `NEVER`. Passing between two days counts as the later.

    Notes
    -----
    Between two days the walk is a Brownian bridge, which passes a limit that lies a and b away from its ends
    with probability exp(-2 a b / variance). Without this a daily grid comes out late. The nearer limit alone
    decides; touching both within a day is out of the question for tolerances far wider than a day's step.
    """
    first: NDArray[np.int64] | None = None
    day = 0
    for deviation, step_variance, crossing in blocks:
        if first is None:
            first = np.where(np.abs(deviation[0]) > limit, 0, NEVER)
        out = _room(deviation, limit) < crossing * step_variance
        hit = np.flatnonzero(out.any(axis=0) & (first == NEVER))
        first[hit] = day + 1 + np.argmax(out[:, hit], axis=0)
        day += len(crossing)
        if np.count_nonzero(first != NEVER) >= enough * len(first):
            break
    if first is None:
        raise ValueError("no days to follow")
    return first


def crossed(before: Singles, now: Singles, limit: Singles, crossing: Singles) -> NDArray[np.bool_]:
    """Whether paths passed their limits between one day and the next, both ends included.

    Parameters
    ----------
    before, now, limit : array
        Deviations at the two ends and tolerances [unit], broadcast.
    crossing : array
        Standard exponential times the variance of the walk between them [unit^2].
    """
    room = limit * limit + before * now - limit * np.abs(before + now)
    return np.asarray(2.0 * room < crossing)


def _room(deviation: Singles, limit: float) -> Singles:
    """Twice a b of the nearer limit between each day and the next, below 0 where one of them is out.

    With ends x and y, a b is (L - x)(L - y) above and (L + x)(L + y) below, the less of which is
    L^2 + x y - L |x + y|.
    """
    x, y = deviation[:-1], deviation[1:]
    room = x * y
    total = x + y
    np.abs(total, out=total)
    total *= np.float32(limit)
    room -= total
    room += np.float32(limit * limit)
    room *= np.float32(2.0)
    return np.asarray(room)


def quantile_days(first: NDArray[np.int64], shares: Sequence[float]) -> list[int | None]:
    """The first days by which these shares of the paths are out; None for one that never is."""
    never = np.iinfo(np.int64).max
    ranked = np.sort(np.where(first == NEVER, never, first))
    days = [int(ranked[max(int(np.ceil(share * len(ranked))) - 1, 0)]) for share in shares]
    return [None if day == never else day for day in days]
