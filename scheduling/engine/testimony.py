"""What instruments say of each other: evidence passed from each to its like, to the site, and back."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from scheduling.engine import priors
from scheduling.engine.cases import YEAR, Beliefs, Case, kind_of, own_and_shared, prior_beliefs
from scheduling.engine.deviation import N_PARTS
from scheduling.engine.findings import Findings
from scheduling.engine.priors import NO_LESSON, Lesson, ServicePrior

Floats = NDArray[np.float64]

NOISE_WORTH = 2.0 * priors.SHAPE  # findings that the prior noise is worth when a fleet's noise is pooled
NEW_YEARS, OLD_YEARS = 2.0, 30.0  # age groups: new, settled, old


@dataclass(frozen=True)
class Testimony:
    """What others say of the mean of an instrument's like, and how noisy those alike were.

    Attributes
    ----------
    precision, shift : array, shapes (5, 5) and (5,)
        Evidence about the departure of that mean from the prior mean, in information form [1/unit^2, 1/unit].
    misfit : float
        Of the findings of those alike around that mean, in noise variances.
    count : int
        Findings of those alike.
    lesson : Lesson
        What the whole fleet taught of the prior.
    """

    precision: Floats
    shift: Floats
    misfit: float
    count: int
    lesson: Lesson = field(default=NO_LESSON)


SILENCE = Testimony(np.zeros((N_PARTS, N_PARTS)), np.zeros(N_PARTS), 0.0, 0)


def said_by(prior: ServicePrior, findings: Findings, k: int | None = None) -> Testimony:
    """Evidence of one instrument about the departure of its like's mean from the prior mean.

    Notes
    -----
    Its own coefficients scatter around that mean by the part of the variance that is not shared. At one time
    constant, the middle one unless told, and a noise factor of 1.
    """
    if not len(findings):
        return SILENCE
    parts = findings.parts[len(findings.parts) // 2 if k is None else k]
    covariance = parts @ np.diag(own_and_shared(prior)[0]) @ parts.T + np.diag(findings.noise)
    surprise = findings.values - parts @ prior_beliefs(prior).mean[0]
    weighed = np.linalg.solve(covariance, np.column_stack([parts, surprise]))
    return Testimony(
        parts.T @ weighed[:, :-1], parts.T @ weighed[:, -1], float(surprise @ weighed[:, -1]), len(surprise)
    )


def fleet_prior(prior: ServicePrior, others: Testimony) -> Beliefs:
    """The prior of an instrument after hearing the others of its kind.

    Notes
    -----
    Coefficients: normal, exact for given noise. Noise: the misfit of those alike, with the prior worth
    `NOISE_WORTH` findings; it does not change how far instruments differ.
    """
    belief = prior_beliefs(prior)
    own, *shared = own_and_shared(prior)
    together = np.diag(np.sum(shared, axis=0))
    doubt = together @ np.linalg.inv(np.eye(N_PARTS) + others.precision @ together)
    noise = (NOISE_WORTH + others.misfit) / (NOISE_WORTH + others.count)
    spread = (np.diag(own) + (doubt + doubt.T) / 2.0) / noise
    return replace(
        belief,
        mean=belief.mean + doubt @ others.shift,
        spread=np.tile(spread, (len(belief.weights), 1, 1)),
        scale=belief.scale * noise,
    )


def likeness(case: Case) -> Hashable:
    """Instruments with the same key are thought to be alike."""
    subject = case.subject
    age = (case.last_day - subject.in_service_day) / YEAR
    group = "new" if age < NEW_YEARS else "settled" if age < OLD_YEARS else "old"
    return subject.service, kind_of(subject), group, subject.use_class, subject.humidity_control


def hear(
    cases: Sequence[Case], findings: Sequence[Findings | None], lessons: Sequence[Lesson]
) -> list[Testimony]:
    """Return, for every case, what all others of its service say together.

    Notes
    -----
    Three levels of normal scatter (site, instruments alike, instrument), solved exactly by passing evidence
    up and down the tree for given noise: what is heard from other groups has been loosened by the scatter of
    groups. Between groups evidence is in prior standard deviations, since a harpsichord's cents are not a
    grand's. What a case said itself is taken out again at both levels.
    """
    if not cases:
        return []
    said = [
        SILENCE if found is None else said_by(case.prior, found)
        for case, found in zip(cases, findings, strict=True)
    ]
    sd = np.sqrt(np.array([own_and_shared(case.prior)[2] for case in cases]) / priors.SITE_SHARE)
    precision = np.array([told.precision for told in said]) * sd[:, :, None] * sd[:, None, :]
    shift = np.array([told.shift for told in said]) * sd
    keys = [likeness(case) for case in cases]
    places = {key: place for place, key in enumerate(dict.fromkeys(keys))}
    group = np.array([places[key] for key in keys])
    services = [case.subject.service for case in cases]
    known = {service: place for place, service in enumerate(dict.fromkeys(services))}
    service_of_group = np.zeros(len(places), int)
    service_of_group[group] = [known[service] for service in services]
    scatter = np.ones((len(places), N_PARTS))
    scatter[group] = [case.prior.scatter for case in cases]
    of_group, of_group_shift = _summed(group, len(places), precision), _summed(group, len(places), shift)
    loosen = np.linalg.inv(np.eye(N_PARTS) + of_group * (priors.GROUP_SHARE * scatter)[:, None, :])
    upward, upward_shift = loosen @ of_group, np.einsum("gij,gj->gi", loosen, of_group_shift)
    abroad = _summed(service_of_group, len(known), upward)[service_of_group] - upward
    abroad_shift = _summed(service_of_group, len(known), upward_shift)[service_of_group] - upward_shift
    site = np.linalg.inv(abroad + np.eye(N_PARTS) / priors.SITE_SHARE)
    told_mean = np.einsum("gij,gj->gi", site, abroad_shift)[group]
    told_precision = np.linalg.inv(site + _diagonals(priors.GROUP_SHARE * scatter))[group]
    home, home_shift = of_group[group] - precision, of_group_shift[group] - shift
    total = told_precision + home
    pull = np.einsum("cij,cj->ci", told_precision, told_mean) + home_shift
    best = np.linalg.solve(total, pull[..., None])[..., 0]
    before = _diagonals(1.0 / (priors.SITE_SHARE + priors.GROUP_SHARE * scatter))[group]
    misfit = _summed(group, len(places), np.array([told.misfit for told in said]))[group]
    misfit -= [told.misfit for told in said]
    misfit += np.einsum("ci,cij,cj->c", best, home, best) - 2.0 * np.einsum("ci,ci->c", best, home_shift)
    counts = np.array([told.count for told in said])
    counts = _summed(group, len(places), counts)[group] - counts
    per_sd = np.divide(1.0, sd, out=np.zeros_like(sd), where=sd > 0)
    heard = (total - before) * per_sd[:, :, None] * per_sd[:, None, :]
    return [
        Testimony(*each)
        for each in zip(
            heard, pull * per_sd, np.maximum(misfit, 0.0).tolist(), counts.tolist(), lessons, strict=True
        )
    ]


def _summed(place: NDArray[np.int64], n: int, values: Floats) -> Floats:
    out = np.zeros((n, *values.shape[1:]), values.dtype)
    np.add.at(out, place, values)
    return out


def _diagonals(values: Floats) -> Floats:
    return np.asarray(values[:, :, None] * np.eye(N_PARTS))
