from dataclasses import replace

import numpy as np
import pytest

from scheduling.engine import priors, testimony
from scheduling.engine.cases import own_and_shared, prepare, prior_beliefs
from scheduling.engine.deviation import N_PARTS
from scheduling.engine.findings import N_NOISES, Findings
from scheduling.engine.priors import Lesson
from scheduling.engine.testimony import SILENCE, fleet_prior, hear, likeness, said_by
from tests.scheduling.engine.invented import TODAY, subject

SCATTER = (0.5, 2.0, 1.5, 1.0, 1.0)


def case_of(**changes):
    return prepare(subject("bedding", **changes), TODAY, Lesson(scatter=SCATTER))


def findings_of(n, seed):
    """Values of bedding size; the middle time constant is what counts."""
    rng = np.random.default_rng(seed)
    parts = rng.standard_normal((5, n, N_PARTS)) * [0.01, 0.3, 1.0, 0.1, 1.0]
    return Findings(
        parts,
        rng.uniform(1, 4, n) * 1e-4,
        0.05 * rng.standard_normal(n),
        np.zeros((n, N_NOISES)),
        np.zeros(n),
    )


def house():
    """Three groups: two teaching grands, two of a recital hall, and an old one, with findings but one."""
    cases = [
        case_of(),
        case_of(),
        case_of(use_class="recital"),
        case_of(use_class="recital"),
        case_of(age_years=60),
    ]
    findings = [findings_of(3, 1), findings_of(5, 2), findings_of(2, 3), None, findings_of(4, 4)]
    return cases, findings


def joint_posterior(cases, findings, me):
    """Coefficients of one case given all others' findings, as one large Gaussian."""
    n = len(cases)
    own, group, site = own_and_shared(cases[0].prior)
    keys = [likeness(case) for case in cases]
    joint = np.kron(np.ones((n, n)), np.diag(site))
    joint += np.kron([[float(a == b) for a in keys] for b in keys], np.diag(group))
    joint += np.kron(np.eye(n), np.diag(own))
    told = [i for i in range(n) if i != me and findings[i] is not None]
    design = np.zeros((sum(len(findings[i]) for i in told), N_PARTS * n))
    row = 0
    for i in told:
        design[row : row + len(findings[i]), N_PARTS * i : N_PARTS * (i + 1)] = findings[i].parts[2]
        row += len(findings[i])
    noise = np.diag(np.concatenate([findings[i].noise for i in told]))
    values = np.concatenate([findings[i].values for i in told])
    mean = np.tile(prior_beliefs(cases[0].prior).mean[0], n)
    gain = joint @ design.T @ np.linalg.inv(design @ joint @ design.T + noise)
    rows = slice(N_PARTS * me, N_PARTS * (me + 1))
    return (mean + gain @ (values - design @ mean))[rows], (joint - gain @ design @ joint)[rows, rows]


@pytest.mark.parametrize("me", range(5))
def test_what_a_case_hears_is_the_joint_gaussian_of_all_others(me, monkeypatch):
    monkeypatch.setattr(testimony, "NOISE_WORTH", 1e15)  # noise known, so that the model is linear
    cases, findings = house()
    heard = hear(cases, findings, [Lesson(scatter=SCATTER)] * 5)
    found = fleet_prior(cases[me].prior, heard[me])
    mean, covariance = joint_posterior(cases, findings, me)
    np.testing.assert_allclose(found.mean[0], mean, rtol=1e-7, atol=1e-10)
    np.testing.assert_allclose(found.spread[0], covariance, rtol=1e-6, atol=1e-12)
    assert heard[me].lesson.scatter == SCATTER


def test_what_an_instrument_said_itself_does_not_come_back():
    cases, findings = house()
    before = hear(cases, findings, [Lesson()] * 5)[0]
    after = hear(cases, [findings_of(9, 7), *findings[1:]], [Lesson()] * 5)[0]
    np.testing.assert_allclose(after.precision, before.precision, rtol=1e-9, atol=1e-6)
    np.testing.assert_allclose(after.shift, before.shift, rtol=1e-9, atol=1e-9)
    assert (after.misfit, after.count) == (pytest.approx(before.misfit), before.count)


def test_only_instruments_alike_say_how_noisy_the_records_are():
    cases, findings = house()
    counts = [told.count for told in hear(cases, findings, [Lesson()] * 5)]
    assert counts == [5, 3, 0, 2, 0]
    loud = [found and replace(found, values=20 * found.values) for found in findings]
    quiet, noisy = (fleet_prior(cases[0].prior, hear(cases, f, [Lesson()] * 5)[0]) for f in (findings, loud))
    assert noisy.scale[0] > quiet.scale[0]


def test_other_kinds_of_service_say_nothing():
    cases = [case_of(), prepare(subject("voicing"), TODAY)]
    heard = hear(cases, [None, findings_of(6, 5)], [Lesson()] * 2)[0]
    np.testing.assert_allclose(heard.precision, 0.0, atol=1e-6)
    np.testing.assert_array_equal(heard.shift, SILENCE.shift)


def test_a_coefficient_that_is_known_is_not_moved():
    cases = [prepare(subject("voicing"), TODAY) for _ in range(2)]
    belief = fleet_prior(cases[0].prior, hear(cases, [None, findings_of(6, 5)], [Lesson()] * 2)[0])
    assert belief.mean[0, 0] == 0.0
    assert np.all(belief.spread[:, 0] == 0.0)
    assert belief.mean[0, 2] != cases[0].prior.hours.mean


def test_silence_leaves_the_prior():
    prior = case_of().prior
    assert said_by(prior, findings_of(0, 1)) is SILENCE
    np.testing.assert_allclose(fleet_prior(prior, SILENCE).spread, prior_beliefs(prior).spread, rtol=1e-12)
    total = priors.OWN_SHARE + priors.GROUP_SHARE + priors.SITE_SHARE
    assert total == 1.0
