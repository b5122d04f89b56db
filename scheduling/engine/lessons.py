"""What the records of a whole fleet teach of the priors themselves: how noisy, how unlike, how jumpy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import gammaln, logsumexp

from scheduling.engine.cases import Case, prior_beliefs
from scheduling.engine.deviation import HOURS, N_PARTS
from scheduling.engine.findings import N_NOISES, Findings
from scheduling.engine.priors import NO_LESSON, SITE_SHARE, Lesson

Floats = NDArray[np.float64]
Places = NDArray[np.int64]

LOG_SD = 1.0  # of the logarithm of a prior variance: it may be wrong by a factor of 2.7 either way; prior
WEAR_LOG_SD = 0.5  # of the logarithm of the wear of a use class: a factor of 1.6 either way; prior
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
    mean, sd : array, shape (m, 5)
        Prior means and standard deviations of the coefficients.
    weights : array, shape (k,)
    use : int array, shape (m,)
        Place of the use class of each case among those there are.
    """

    parts: Floats
    shares: Floats
    rest: Floats
    surprise: Floats
    closed: Floats
    there: Floats
    mean: Floats
    sd: Floats
    weights: Floats
    shape: float
    scale: float
    use: Places


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
    mean, first = np.array([belief.mean[0] for belief in beliefs]), beliefs[0]
    of_prior = mean, sd, first.weights, first.shape[0], first.scale[0]
    uses = [case.subject.use_class for case in cases]
    use = np.array([use_classes(cases).index(name) for name in uses])
    return Stack(parts, shares, rest, surprise, closed, there, *of_prior, use)


def use_classes(cases: Sequence[Case]) -> list[str]:
    """The use classes of some cases, in the order of the unknowns of their wear."""
    return sorted({case.subject.use_class for case in cases})


# Order of the unknowns: logarithms of 4 noise and 5 scatter variances, 5 shifts in sd, 1 jump in sd; then one
# logarithm of the wear by use class for each
N_UNKNOWN = N_NOISES + 2 * N_PARTS + 1
SHIFTS = slice(N_NOISES + N_PARTS, N_NOISES + 2 * N_PARTS)
BEDDED = N_UNKNOWN - 1


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
    left = told.surprise - (told.parts @ (_middle(at, told) - told.mean)[:, None, :, None])[..., 0]
    left -= (bedded_sd * at[BEDDED] * told.closed)[:, None]
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
    scatter = np.exp(at[N_NOISES : SHIFTS.start])
    return np.asarray((1.0 - SITE_SHARE) * scatter * (told.sd * _harder(at, told)) ** 2)


def _middle(at: Floats, told: Stack) -> Floats:
    """Mean of the coefficients of each case, shape (m, 5) [unit]."""
    return np.asarray((told.mean + told.sd * at[SHIFTS]) * _harder(at, told))


def _harder(at: Floats, told: Stack) -> Floats:
    """Factors on the coefficients of each case by its use class, shape (m, 5) [-]."""
    factor = np.ones((len(told.use), N_PARTS))
    factor[:, HOURS] = np.exp(at[N_UNKNOWN:])[told.use]
    return factor


def evidence(at: Floats, told: Stack, bedded_sd: float) -> tuple[float, Floats]:
    """Log density of all findings at some hyper-parameters, and its gradient.

    Parameters
    ----------
    at : array, shape (15 + number of use classes,)
        Logarithms of the factors on noises and scatters, shifts of the means, shift of `bedded`; the shifts
        in prior standard deviations; logarithms of the factors on the wear of each use class.
    told : Stack
    bedded_sd : float
        Prior standard deviation of the share of a closed gap that the keys rise by [-].

    Returns
    -------
    value : float
    gradient : array, shape of `at`

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
    by_mean = (pull[..., None] * toward).sum(axis=1)
    by_spread = _between(at, told) * by_scatter
    by_wear = (_middle(at, told) * by_mean + by_spread)[:, HOURS]
    gradient = np.concatenate(
        [
            np.exp(at[:N_NOISES]) * np.einsum("mn,mnc->c", by_finding, told.shares),
            0.5 * by_spread.sum(axis=0),
            (told.sd * _harder(at, told) * by_mean).sum(axis=0),
            [bedded_sd * float(np.sum(pulled * told.closed))],
            np.bincount(told.use, by_wear, len(at) - N_UNKNOWN),
        ]
    )
    return float(value.sum()), gradient


@dataclass(frozen=True)
class Taught:
    """What the records of one service teach: all of its cases, and by use class how hard an hour is."""

    common: Lesson = NO_LESSON
    wear: Mapping[str, float] = field(default_factory=dict)

    def of(self, use_class: str) -> Lesson:
        """The lesson for a case of a use class; of wear it is silent where the class has no findings."""
        return replace(self.common, wear=self.wear.get(use_class, 1.0))


def learn_lesson(cases: Sequence[Case], findings: Sequence[Findings]) -> Taught:
    """The most likely hyper-parameters of one service after all findings of its cases.

    Parameters
    ----------
    cases, findings : sequence
        Of one service, alike in order, none without a finding; under the prior that no lesson has changed.

    Notes
    -----
    Maximum of `evidence` plus its prior: each logarithm of a variance factor normal with `LOG_SD`, each shift
    of a mean normal with the site's share of the prior variance, each logarithm of a wear normal with
    `WEAR_LOG_SD`. Few findings therefore teach little. The
    shifts of coefficients are only nuisance here: `testimony` passes them on instrument by instrument, so
    that nothing an instrument said comes back to it. A large fleet is heard in part, evenly by name.

    References
    ----------
    B. Efron, *Large-Scale Inference*, 2010, ch. 1 (empirical Bayes); C. Rasmussen and C. Williams, *Gaussian
    Processes for Machine Learning*, 2006, section 5.4.1 (marginal likelihood and its gradient).
    """
    if not cases:
        return Taught()
    order = sorted(range(len(cases)), key=lambda i: cases[i].subject.instrument)
    order = [order[i] for i in np.linspace(0, len(order) - 1, min(len(order), MOST_CASES)).astype(int)]
    told = stack([cases[i] for i in order], [findings[i] for i in order])
    bedded_sd = cases[0].prior.bedded.sd
    uses = use_classes([cases[i] for i in order])
    doubt = np.full(N_UNKNOWN + len(uses), LOG_SD)
    doubt[SHIFTS], doubt[BEDDED], doubt[N_UNKNOWN:] = SITE_SHARE**0.5, 1.0, WEAR_LOG_SD

    def cost(at: Floats) -> tuple[float, Floats]:
        value, gradient = evidence(at, told, bedded_sd)
        return 0.5 * float(np.sum((at / doubt) ** 2)) - value, at / doubt**2 - gradient

    found = minimize(
        cost, np.zeros(len(doubt)), jac=True, method="L-BFGS-B", bounds=[(-FARTHEST, FARTHEST)] * len(doubt)
    ).x
    factors = np.exp(found[: SHIFTS.start])
    common = Lesson(
        tuple(factors[:N_NOISES].tolist()), tuple(factors[N_NOISES:].tolist()), float(found[BEDDED])
    )
    return Taught(common, dict(zip(uses, np.exp(found[N_UNKNOWN:]).tolist(), strict=True)))
