"""From prior to posterior: each instrument's own records, on top of what its like have taught."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, log_ndtr

from scheduling.engine import priors
from scheduling.engine.cases import Beliefs, Case, prepare
from scheduling.engine.fabric import Group
from scheduling.engine.findings import Findings, after_lesson, found_spans, knock_spans, lay_out
from scheduling.engine.lessons import Taught, learn_lesson
from scheduling.engine.looks import before_looks, weigh_looks
from scheduling.engine.priors import Lesson
from scheduling.engine.testimony import SILENCE, Testimony, fleet_prior, hear

Floats = NDArray[np.float64]

NEWTON_STEPS, NEWTON_TOLERANCE = 50, 1e-10


def update(prior: Beliefs, findings: Findings) -> Beliefs:
    """Conjugate normal-inverse-gamma regression, for every time-constant factor at once.

    Parameters
    ----------
    prior : Beliefs
    findings : Findings

    Returns
    -------
    Beliefs
        The factors' weights are multiplied by their evidence.

    Notes
    -----
    values = parts @ coefficients + error, error ~ N(0, s noise), coefficients | s ~ N(mean, s spread),
    s ~ inverse gamma(shape, shape scale). Written with the innovation covariance, so that a coefficient that
    is known to be zero stays zero.

    References
    ----------
    A. Gelman et al., *Bayesian Data Analysis*, 3rd ed., 2013, ch. 14 (conjugate linear regression).
    """
    n = len(findings)
    if not n:
        return prior
    parts = findings.parts
    cross = prior.spread @ parts.transpose(0, 2, 1)  # (k, 4, n)
    innovation = parts @ cross + np.diag(findings.noise)
    surprise = findings.values - np.einsum("kni,ki->kn", parts, prior.mean)
    gain = np.linalg.solve(innovation, cross.transpose(0, 2, 1)).transpose(0, 2, 1)
    weighed = np.linalg.solve(innovation, surprise[..., None])[..., 0]
    misfit = np.einsum("kn,kn->k", surprise, weighed)
    spread = prior.spread - gain @ parts @ prior.spread
    shape, rate = prior.shape + n / 2.0, prior.shape * prior.scale + misfit / 2.0
    evidence = _log_evidence(prior, innovation, misfit, n)
    weights = prior.weights * np.exp(evidence - evidence.max())
    return Beliefs(
        weights=weights / weights.sum(),
        mean=prior.mean + np.einsum("kin,kn->ki", gain, surprise),
        spread=(spread + spread.transpose(0, 2, 1)) / 2.0,
        shape=shape,
        scale=rate / shape,
        learned_from=prior.learned_from + n,
    )


def _log_evidence(prior: Beliefs, innovation: Floats, misfit: Floats, n: int) -> Floats:
    """Log density of the findings under the prior: a multivariate Student t."""
    degrees = 2.0 * prior.shape
    _, size = np.linalg.slogdet(innovation)
    spread = misfit / prior.scale
    return np.asarray(
        gammaln((degrees + n) / 2)
        - gammaln(degrees / 2)
        - 0.5 * (n * np.log(np.pi * degrees) + size + n * np.log(prior.scale))
        - 0.5 * (degrees + n) * np.log1p(spread / degrees)
    )


def update_by_knocks(prior: Beliefs, knocks: Findings, knocked: NDArray[np.bool_]) -> Beliefs:
    """Learn from glides that knocked or did not: probit likelihood, Laplace approximation.

    Parameters
    ----------
    prior : Beliefs
    knocks : Findings
        `values` are the thresholds less what the bedding before had left; `noise` includes their spread.
    knocked : bool array, shape (n,)

    Notes
    -----
    A contact knocks when its gap passes the threshold, on the positive side only: a forced glide is silent.
    The noise factor is held at its mean. The factors' weights are left alone: a yes or no says little of how
    fast the wood is.
    """
    if not len(knocks):
        return prior
    mean, spread = prior.mean.copy(), prior.spread.copy()
    noise = prior.scale * prior.shape / (prior.shape - 1.0)
    for k in range(len(mean)):
        sd = np.sqrt(noise[k] * knocks.noise)
        design, offset = knocks.parts[k] / sd[:, None], -knocks.values / sd
        found, covariance = probit_laplace(mean[k], noise[k] * spread[k], design, offset, knocked)
        mean[k], spread[k] = found, covariance / noise[k]
    return replace(prior, mean=mean, spread=spread, learned_from=prior.learned_from + len(knocks))


def probit_laplace(
    mean: Floats, covariance: Floats, design: Floats, offset: Floats, happened: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Mode and curvature of a probit posterior with a normal prior.

    Parameters
    ----------
    mean, covariance : array, shapes (p,) and (p, p)
        Prior; a coefficient without variance stays as it is.
    design, offset : array, shapes (n, p) and (n,)
        The event happens with probability Phi(design @ coefficients + offset).
    happened : bool array, shape (n,)

    Returns
    -------
    mode, covariance : array

    Raises
    ------
    RuntimeError
        If Newton's method does not settle; the posterior is log-concave, so the input is at fault.
    """
    free = np.flatnonzero(np.diag(covariance) > 0)
    rows, sign = design[:, free], np.where(happened, 1.0, -1.0)
    precision = np.linalg.inv(covariance[np.ix_(free, free)])
    at, fixed = mean[free].copy(), offset + design @ mean - rows @ mean[free]
    for _ in range(NEWTON_STEPS):
        z = sign * (rows @ at + fixed)
        mills = np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_ndtr(z))
        gradient = rows.T @ (sign * mills) - precision @ (at - mean[free])
        curvature = precision + rows.T @ (rows * (mills * (z + mills))[:, None])
        step = np.linalg.solve(curvature, gradient)
        at += step
        if np.max(np.abs(step) * np.sqrt(np.diag(precision))) < NEWTON_TOLERANCE:
            break
    else:
        raise RuntimeError("no mode found for the knocks; is a part of the design not a number?")
    mode, out = mean.copy(), np.zeros_like(covariance)
    mode[free] = at
    out[np.ix_(free, free)] = np.linalg.inv(curvature)
    return mode, out


@dataclass(frozen=True)
class Own:
    """What the records of one case say: values found, and trials of its glides with whether any knocked."""

    findings: Findings | None = None
    knocks: tuple[Findings, NDArray[np.bool_]] | None = None


def read_records(groups: Sequence[Group], cases: Sequence[Case], today: int) -> list[Own]:
    """Lay out the records of every case up to today; the groups hold every case once between them."""
    own = [Own()] * len(cases)
    for group in groups:
        for i in group.members:
            spans, values = found_spans(cases[i], today)
            found = lay_out(group, cases[i], spans, values, cases[i].prior.found_sd) if spans else None
            trials, knocked = knock_spans(cases[i], today)
            gaps = [priors.KNOCK_GAP_MM] * len(trials)
            laid = lay_out(group, cases[i], trials, gaps, priors.KNOCK_GAP_SD_MM) if trials else None
            own[i] = Own(found, None if laid is None else (laid, np.array(knocked)))
    return own


def lessons_of(cases: Sequence[Case], own: Sequence[Own]) -> dict[str, Taught]:
    """What the records of all cases teach of the priors, by service."""
    told: dict[str, list[tuple[Case, Findings]]] = defaultdict(list)
    for case, one in zip(cases, own, strict=True):
        if one.findings is not None:
            told[case.subject.service].append((case, one.findings))
    return {service: learn_lesson(*zip(*pairs, strict=True)) for service, pairs in told.items()}


def taught(case: Case, own: Own, lesson: Lesson, today: int) -> tuple[Case, Own]:
    """A case and its records as the prior with a lesson learned would have made them."""
    bedded = case.prior.bedded
    findings = None if own.findings is None else after_lesson(own.findings, lesson, bedded)
    knocks = own.knocks and (after_lesson(own.knocks[0], lesson, bedded), own.knocks[1])
    return prepare(case.subject, today, lesson), Own(findings, knocks)


def believe(case: Case, own: Own, others: Testimony) -> Beliefs:
    """Return what is believed of a case after hearing the others and its own records."""
    belief = fleet_prior(case.prior, others)
    if own.findings is not None:
        belief = update(belief, own.findings)
    return belief if own.knocks is None else update_by_knocks(belief, *own.knocks)


@dataclass(frozen=True)
class Learned:
    """Cases under the priors their fleet has taught, what is believed of them, and what the others said."""

    cases: list[Case]
    beliefs: list[Beliefs]
    others: list[Testimony]


def learn(
    groups: Sequence[Group],
    cases: Sequence[Case],
    today: int,
    heard: Mapping[tuple[str, str], Testimony] | None = None,
) -> Learned:
    """Learn every case from its own records and those of the others.

    Parameters
    ----------
    groups : sequence of Group
        Between them they hold every case once.
    cases : sequence of Case
        As `prepare` makes them without a lesson.
    today : int
        Records after it are not looked at.
    heard : mapping of (instrument, service) to Testimony, optional
        What a whole fleet had said, where the cases are only some of it.
    """
    own = read_records(groups, cases, today)
    if heard is None:
        lessons = lessons_of(cases, own)
        taken = [lessons.get(case.subject.service, Taught()).of(case.subject.use_class) for case in cases]
    else:
        others = [heard.get((case.subject.instrument, case.subject.service), SILENCE) for case in cases]
        taken = [told.lesson for told in others]
    pairs = [taught(case, one, lesson, today) for case, one, lesson in zip(cases, own, taken, strict=True)]
    cases, own = [case for case, _ in pairs], [one for _, one in pairs]
    if heard is None:
        others = hear(cases, [one.findings for one in own], taken)
    beliefs = [believe(*each) for each in zip(cases, own, others, strict=True)]
    for group in groups:
        for i in group.members:
            cases[i] = _standing(group, cases[i], own[i], others[i], today)
    return Learned(cases, beliefs, others)


def _standing(group: Group, case: Case, own: Own, others: Testimony, today: int) -> Case:
    """The case as the looks since its last service left it, weighed by what was believed before them."""
    before = before_looks(case)
    if before is case:
        return case
    spans, values = found_spans(before, today)
    found = lay_out(group, before, spans, values, case.prior.found_sd) if spans else None
    return weigh_looks(group, case, believe(before, Own(found, own.knocks), others))
