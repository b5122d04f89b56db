"""Closed form: mean, variance and probability of being out, for any last service and any day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from scheduling.engine.cases import Beliefs, Case
from scheduling.engine.deviation import MOISTURE, N_PARTS

Floats = NDArray[np.float64]

PAIRS = [(a, b) for a in range(N_PARTS) for b in range(a, N_PARTS)]
PAIR_TIMES = np.array([1.0 if a == b else 2.0 for a, b in PAIRS])
PAIR_A, PAIR_B = np.array(PAIRS).T


@dataclass(frozen=True)
class Span:
    """What happened to the wood and the clocks between services and days; last axes alike, broadcastable.

    Attributes
    ----------
    parts : array, shape (..., 5, n)
        Change of moisture, of settling, of playing days, of moisture travelled and of warmth.
    moisture_variance : array, shape (..., n)
        Of the change of moisture, given all readings.
    elapsed : array, shape (..., n)
        [d]
    """

    parts: Floats
    moisture_variance: Floats
    elapsed: Floats


def variance_terms(span: Span) -> Floats:
    """Terms that the coefficients of `variance_weights` add up to a variance; shape (..., 19, n)."""
    parts = span.parts
    products = parts[..., PAIR_A, :] * parts[..., PAIR_B, :]
    moved = span.moisture_variance[..., None, :]
    elapsed = np.broadcast_to(span.elapsed[..., None, :], moved.shape)
    return np.concatenate([products, moved, elapsed, parts[..., 2:3, :], np.ones_like(moved)], axis=-2)


def variance_weights(case: Case, beliefs: Beliefs, k: int, scale: Floats, start_sd: float) -> Floats:
    """Weights of `variance_terms` for one case and time-constant factor `k`, shape (19,) [unit^2].

    Notes
    -----
    Squared Student-t scale. The moisture's own variance stays outside the noise factor: it is the air's.
    """
    spread = beliefs.spread[k] * np.outer(scale, scale)
    noise = float(beliefs.scale[k])
    moisture = beliefs.mean[k, MOISTURE] ** 2 + noise * beliefs.spread[k, MOISTURE, MOISTURE]
    return np.concatenate(
        [
            noise * spread[PAIR_A, PAIR_B] * PAIR_TIMES,
            [
                moisture,
                noise * case.walk_day,
                noise * case.walk_hour * case.thousands_per_day,
                noise * start_sd**2,
            ],
        ]
    )


def normal_score(t: Floats, degrees: float | Floats) -> Floats:
    """The standard normal value that is as far out as a Student t value.

    Notes
    -----
    Accurate to 0.002 in probability for 8 degrees of freedom and better beyond, and far quicker than the
    exact function.

    References
    ----------
    D. L. Wallace, "Bounds on normal approximations to Student's and the chi-square distributions",
    Annals of Mathematical Statistics 30, 1959; from memory, unverified.
    """
    size = (8.0 * degrees + 1.0) / (8.0 * degrees + 3.0) * np.sqrt(degrees * np.log1p(t * t / degrees))
    return np.asarray(np.copysign(size, t))


def out_probability(mean: Floats, variance: Floats, limit: float | Floats, degrees: float | Floats) -> Floats:
    """Probability that the size of a Student t deviation passes a limit, both ways.

    Parameters
    ----------
    mean, variance : array
        Centre [unit] and squared scale [unit^2]; no variance means the mean is certain.
    limit : float or array
        Tolerance [unit].
    degrees : float or array
        Degrees of freedom.
    """
    spread = np.sqrt(np.maximum(variance, 1e-300))
    above = ndtr(normal_score((mean - limit) / spread, degrees))
    below = ndtr(normal_score((-mean - limit) / spread, degrees))
    return np.asarray(above + below)


def student_variance(scale_squared: Floats, degrees: float | Floats) -> Floats:
    """Variance of a Student t with this squared scale."""
    return scale_squared * degrees / (degrees - 2.0)
