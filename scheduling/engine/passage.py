"""The first day out of tolerance of simulated paths, with the crossings between days accounted for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

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
    walk_time, walk_use : array, shape (paths, n)
        Walks from today, of variance 1 per day and per usual playing day.
    crossing : array, shape (paths, n - 1)
        Standard exponential: decides whether a bridge between two days touched the limit.
    """

    factor: Floats
    noise: Floats
    coefficients: Floats
    start: Floats
    walk_time: Singles
    walk_use: Singles
    crossing: Singles


def draw(rng: np.random.Generator, paths: int, playing: Floats) -> Draws:
    """Draw everything; the few numbers that matter most are stratified over the paths.

    Parameters
    ----------
    rng : numpy.random.Generator
    paths : int
    playing : array, shape (n,)
        Running usual playing days, from today on.
    """
    even = np.column_stack([(rng.permutation(paths) + rng.random(paths)) / paths for _ in range(N_PARTS + 3)])
    shape = paths, len(playing) - 1
    time, use = (rng.standard_normal(shape, dtype=np.float32) for _ in range(2))
    use *= np.sqrt(np.diff(playing)).astype(np.float32)
    return Draws(
        factor=even[:, 0],
        noise=even[:, 1],
        coefficients=ndtri(even[:, 3:]),
        start=ndtri(even[:, 2]),
        walk_time=_from_zero(time),
        walk_use=_from_zero(use),
        crossing=rng.standard_exponential(shape, dtype=np.float32),
    )


def _from_zero(steps: Singles) -> Singles:
    return np.pad(np.cumsum(steps, axis=1), ((0, 0), (1, 0)))


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
        Shapes (paths, m + 1), (paths, m) or broadcast, and (paths, m): consecutive stretches of days, each
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
            first = np.where(np.abs(deviation[:, 0]) > limit, 0, NEVER)
        above, below = limit - deviation, limit + deviation
        room = np.minimum(above[:, :-1] * above[:, 1:], below[:, :-1] * below[:, 1:])
        out = 2.0 * room < crossing * step_variance
        out |= room < 0
        hit = np.argmax(out, axis=1)
        fresh = (first == NEVER) & out[np.arange(len(out)), hit]
        first[fresh] = day + hit[fresh] + 1
        day += crossing.shape[1]
        if np.count_nonzero(first != NEVER) >= enough * len(first):
            break
    if first is None:
        raise ValueError("no days to follow")
    return first


def quantile_day(first: NDArray[np.int64], share: float) -> int | None:
    """The first day by which this share of the paths is out; None if it never is."""
    never = np.iinfo(np.int64).max
    ranked = np.sort(np.where(first == NEVER, never, first))
    day = ranked[max(int(np.ceil(share * len(ranked))) - 1, 0)]
    return None if day == never else int(day)
