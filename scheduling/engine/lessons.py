"""What the records of a whole fleet teach of the priors themselves: how noisy, how unlike, how jumpy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import gammaln, logsumexp

from scheduling.engine.cases import Case, prior_beliefs
from scheduling.engine.deviation import N_PARTS
from scheduling.engine.findings import N_NOISES, Findings
from scheduling.engine.priors import NO_LESSON, SITE_SHARE, Lesson

Floats = NDArray[np.float64]

LOG_SD = 1.0  # of the logarithm of a prior variance: it may be wrong by a factor of 2.7 either way; prior
FARTHEST = 4.0  # such logarithms are not followed further; exp(4) = 55
MOST_CASES = 150  # of a service; more would change nothing but the time it takes
MOST_EACH = 40  # of the latest findings of a case


@dataclass(frozen=True)
class Stack:
    """The findings of many cases of one service, padded to one length; m cases, k factors, n findings.

    Attributes
    ----------
    parts : array, shape (m, k, n, 5)
    shares : array, shape (m, n, 4)
        See `Findings`.
    rest : array, shape (m, n)
        Variance that is not learned [unit^2].
    surprise : array, shape (m, k, n)
        Values less what the prior expects [unit].
    closed : array, shape (m, n)
        Gap closed by beddings within the span, times the lever [unit].
    there : array, shape (m, n)
        1 for a finding, 0 for padding.
    sd : array, shape (m, 5)
        Prior standard deviations of the coefficients.
    weights : array, shape (k,)
    """

    parts: Floats
    shares: Floats
    rest: Floats
    surprise: Floats
    closed: Floats
    there: Floats
    sd: Floats
    weights: Floats
    shape: float
    scale: float


def stack(cases: Sequence[Case], findings: Sequence[Findings]) -> Stack:
    """Lay the latest findings of cases of one service side by side."""
    m, longest = len(cases), min(max(len(found) for found in findings), MOST_EACH)
    beliefs = [prior_beliefs(case.prior) for case in cases]
    k = len(beliefs[0].weights)
    parts = np.zeros((m, k, longest, N_PARTS))
    shares, rest = np.zeros((m, longest, N_NOISES)), np.zeros((m, longest))
    surprise, closed, there = np.zeros((m, k, longest)), np.zeros((m, longest)), np.zeros((m, longest))
    for i, (found, belief) in enumerate(zip(findings, beliefs, strict=True)):
        n = min(len(found), longest)
        last = slice(len(found) - n, len(found))
        parts[i, :, :n] = found.parts[:, last]
        shares[i, :n], closed[i, :n], there[i, :n] = found.shares[last], found.closed[last], 1.0
        rest[i, :n] = found.noise[last] - found.shares[last].sum(axis=1)
        surprise[i, :, :n] = found.values[last] - found.parts[:, last] @ belief.mean[0]
    sd = np.sqrt(np.array([np.diag(belief.spread[0]) for belief in beliefs]))
    first = beliefs[0]
    return Stack(
        parts, shares, rest, surprise, closed, there, sd, first.weights, first.shape[0], first.scale[0]
    )


# Order of the unknowns: logarithms of 4 noise and 5 scatter variances, 5 shifts in sd, 1 jump in sd
N_UNKNOWN = N_NOISES + 2 * N_PARTS + 1
SHIFTS = slice(N_NOISES + N_PARTS, N_NOISES + 2 * N_PARTS)


@dataclass(frozen=True)
class _Solved:
    """The findings of a stack weighed by the inverse of their covariance; see `evidence`.

    `alpha` is the inverse times what the shifts leave of the values, `diagonal` the inverse's diagonal,
    `known` that of X' C^-1 X.
    """

    alpha: Floats
    diagonal: Floats
    misfit: Floats
    log_size: Floats
    known: Floats


def _solved(at: Floats, told: Stack, bedded_sd: float) -> _Solved:
    between = _between(at, told)
    variance = told.shares @ np.exp(at[:N_NOISES]) + told.rest
    inverse = np.divide(told.there, variance, out=np.zeros_like(variance), where=told.there > 0)
    left = told.surprise - (told.parts @ (told.sd * at[SHIFTS])[:, None, :, None])[..., 0]
    left -= (bedded_sd * at[-1] * told.closed)[:, None]
    weighed = told.parts * inverse[:, None, :, None]
    turned = np.swapaxes(weighed, -1, -2)
    inner = turned @ told.parts
    loosened = np.eye(N_PARTS) + between[:, None, :, None] * inner
    core = np.linalg.solve(loosened, between[:, None, :, None] * np.eye(N_PARTS))
    gain = weighed @ core
    alpha = left * inverse[:, None] - (gain @ (turned @ left[..., None]))[..., 0]
    logs = np.log(np.where(told.there > 0, variance, 1.0)).sum(axis=1)[:, None]
    return _Solved(
        alpha=alpha,
        diagonal=inverse[:, None] - (gain * weighed).sum(axis=-1),
        misfit=(left * alpha).sum(axis=-1),
        log_size=np.linalg.slogdet(loosened)[1] + logs,
        known=np.einsum("mkpp->mkp", inner - inner @ core @ inner),
    )


def _between(at: Floats, told: Stack) -> Floats:
    """Variance with which instruments differ from the site's mean, shape (m, 5) [unit^2]."""
    return np.asarray((1.0 - SITE_SHARE) * np.exp(at[N_NOISES : SHIFTS.start]) * told.sd**2)


def evidence(at: Floats, told: Stack, bedded_sd: float) -> tuple[float, Floats]:
    """Log density of all findings at some hyper-parameters, and its gradient.

    Parameters
    ----------
    at : array, shape (15,)
        Logarithms of the factors on noises and scatters, shifts of the means, shift of `bedded`; the shifts
        in prior standard deviations.
    told : Stack
    bedded_sd : float
        Prior standard deviation of the share of a closed gap that the keys rise by [-].

    Returns
    -------
    value : float
    gradient : array, shape (15,)

    Notes
    -----
    Each case is a multivariate Student t around the fleet's mean, whose matrix is diagonal noise R plus
    X B X' for coefficients that differ from instrument to instrument; inverted by way of its 5 by 5 part. A
    mixture over time-constant factors. Instruments are independent given the hyper-parameters.
    """
    solved = _solved(at, told, bedded_sd)
    count, degrees = told.there.sum(axis=1)[:, None], 2.0 * told.shape
    joint = gammaln((degrees + count) / 2) - gammaln(degrees / 2) + np.log(told.weights)
    joint = joint - 0.5 * (count * np.log(np.pi * degrees * told.scale) + solved.log_size)
    joint = joint - 0.5 * (degrees + count) * np.log1p(solved.misfit / (told.scale * degrees))
    value = logsumexp(joint, axis=1)
    chance = np.exp(joint - value[:, None])
    pull = chance * (degrees + count) / (told.scale * degrees + solved.misfit)
    by_finding = 0.5 * (pull[..., None] * solved.alpha**2 - chance[..., None] * solved.diagonal).sum(axis=1)
    toward = (np.swapaxes(told.parts, -1, -2) @ solved.alpha[..., None])[..., 0]
    by_scatter = (pull[..., None] * toward**2 - chance[..., None] * solved.known).sum(axis=1)
    pulled = (pull[..., None] * solved.alpha).sum(axis=1)
    gradient = np.concatenate(
        [
            np.exp(at[:N_NOISES]) * np.einsum("mn,mnc->c", by_finding, told.shares),
            0.5 * (_between(at, told) * by_scatter).sum(axis=0),
            (told.sd * (pull[..., None] * toward).sum(axis=1)).sum(axis=0),
            [bedded_sd * float(np.sum(pulled * told.closed))],
        ]
    )
    return float(value.sum()), gradient


def learn_lesson(cases: Sequence[Case], findings: Sequence[Findings]) -> Lesson:
    """The most likely hyper-parameters of one service after all findings of its cases.

    Parameters
    ----------
    cases, findings : sequence
        Of one service, alike in order, none without a finding; under the prior that no lesson has changed.

    Notes
    -----
    Maximum of `evidence` plus its prior: each logarithm of a variance factor normal with `LOG_SD`, each shift
    of a mean normal with the site's share of the prior variance. Few findings therefore teach little. The
    shifts of coefficients are only nuisance here: `testimony` passes them on instrument by instrument, so
    that nothing an instrument said comes back to it. A large fleet is heard in part, evenly by name.

    References
    ----------
    B. Efron, *Large-Scale Inference*, 2010, ch. 1 (empirical Bayes); C. Rasmussen and C. Williams, *Gaussian
    Processes for Machine Learning*, 2006, section 5.4.1 (marginal likelihood and its gradient).
    """
    if not cases:
        return NO_LESSON
    order = sorted(range(len(cases)), key=lambda i: cases[i].subject.instrument)
    order = [order[i] for i in np.linspace(0, len(order) - 1, min(len(order), MOST_CASES)).astype(int)]
    told = stack([cases[i] for i in order], [findings[i] for i in order])
    bedded_sd = cases[0].prior.bedded.sd
    doubt = np.full(N_UNKNOWN, LOG_SD)
    doubt[SHIFTS], doubt[-1] = SITE_SHARE**0.5, 1.0

    def cost(at: Floats) -> tuple[float, Floats]:
        value, gradient = evidence(at, told, bedded_sd)
        return 0.5 * float(np.sum((at / doubt) ** 2)) - value, at / doubt**2 - gradient

    found = minimize(
        cost, np.zeros(N_UNKNOWN), jac=True, method="L-BFGS-B", bounds=[(-FARTHEST, FARTHEST)] * N_UNKNOWN
    ).x
    factors = np.exp(found[: SHIFTS.start])
    return Lesson(tuple(factors[:N_NOISES].tolist()), tuple(factors[N_NOISES:].tolist()), float(found[-1]))
