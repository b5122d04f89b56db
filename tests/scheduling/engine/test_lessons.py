from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.optimize import approx_fprime, minimize
from scipy.special import logsumexp
from scipy.stats import multivariate_t

from scheduling.engine import lessons
from scheduling.engine.cases import own_and_shared, prepare
from scheduling.engine.deviation import HOURS, N_PARTS
from scheduling.engine.findings import N_NOISES, Findings, after_lesson
from scheduling.engine.forecast import Record
from scheduling.engine.lessons import BEDDED, N_UNKNOWN, SHIFTS, Stack, Taught, evidence, learn_lesson, stack
from scheduling.engine.priors import NO_LESSON, SITE_SHARE, Belief, Lesson
from tests.scheduling.engine.invented import TODAY, subject

USES = 2  # use classes of an invented stack


def some_stack(m=5, k=3, n=7, seed=0):
    rng = np.random.default_rng(seed)
    return Stack(
        parts=rng.standard_normal((m, k, n, N_PARTS)),
        shares=rng.random((m, n, N_NOISES)),
        rest=rng.random((m, n)),
        surprise=rng.standard_normal((m, k, n)),
        closed=rng.random((m, n)),
        there=(np.arange(n) < rng.integers(1, n + 1, m)[:, None]) * 1.0,
        mean=rng.standard_normal((m, N_PARTS)),
        sd=rng.random((m, N_PARTS)),
        weights=np.array([0.2, 0.5, 0.3]),
        shape=6.0,
        scale=5 / 6,
        use=np.arange(m) % USES,
    )


def test_the_evidence_is_scipys_student_density_mixed_over_time_constants():
    told, at = some_stack(), 0.3 * np.random.default_rng(1).standard_normal(N_UNKNOWN + USES)
    noise, scatter = np.exp(at[:N_NOISES]), np.exp(at[N_NOISES : SHIFTS.start])
    expected = 0.0
    for i in range(len(told.parts)):
        here = told.there[i] > 0
        logs = []
        for k, weight in enumerate(told.weights):
            parts = told.parts[i, k, here]
            harder = np.ones(N_PARTS)
            harder[HOURS] = np.exp(at[N_UNKNOWN + told.use[i]])
            spread = np.diag((1 - SITE_SHARE) * scatter * (told.sd[i] * harder) ** 2)
            matrix = parts @ spread @ parts.T + np.diag(told.shares[i, here] @ noise + told.rest[i, here])
            shifted = harder * (told.mean[i] + told.sd[i] * at[SHIFTS]) - told.mean[i]  # of the surprise
            middle = parts @ shifted + 0.5 * at[BEDDED] * told.closed[i, here]
            law = multivariate_t(middle, told.scale * matrix, df=2 * told.shape)
            logs.append(np.log(weight) + law.logpdf(told.surprise[i, k, here]))
        expected += logsumexp(logs)
    assert evidence(at, told, 0.5)[0] == pytest.approx(expected, rel=1e-10)


def test_its_gradient_is_that_of_differences():
    told, at = some_stack(), 0.3 * np.random.default_rng(2).standard_normal(N_UNKNOWN + USES)
    expected = approx_fprime(at, lambda x: evidence(x, told, 0.5)[0], 1e-6)
    np.testing.assert_allclose(evidence(at, told, 0.5)[1], expected, rtol=1e-4, atol=1e-4)  # step of 1e-6


def test_with_known_noise_the_most_likely_scatter_is_that_of_a_mixed_model():
    """Random slopes around a common one: statsmodels' maximum likelihood is the judge."""
    rng = np.random.default_rng(3)
    m, n = 40, 6
    x = rng.standard_normal((m, n))
    y = (1.0 + 0.8 * rng.standard_normal(m))[:, None] * x + 0.5 * rng.standard_normal((m, n))
    flat = {"x": x.ravel(), "y": y.ravel(), "who": np.repeat(np.arange(m), n)}
    fit = smf.mixedlm("y ~ 0 + x", pd.DataFrame(flat), groups="who", re_formula="0 + x").fit(reml=False)
    parts, shares = np.zeros((m, 1, n, N_PARTS)), np.zeros((m, n, N_NOISES))
    parts[:, 0, :, 2], shares[..., 2] = x, 1.0
    told = Stack(
        parts, shares, np.zeros((m, n)), y[:, None], np.zeros((m, n)), np.ones((m, n)),
        np.zeros((m, N_PARTS)), np.tile([0.0, 0.0, 1.0, 0.0, 0.0], (m, 1)), np.ones(1),
        shape=1e7, scale=1.0, use=np.zeros(m, int),
    )  # fmt: skip

    def cost(some):
        at = np.zeros(N_UNKNOWN + 1)
        at[[2, N_NOISES + 2, SHIFTS.start + 2]] = some
        return -evidence(at, told, 0.5)[0]

    error, scatter, shift = minimize(cost, np.zeros(3), tol=1e-8).x
    assert np.exp(error) == pytest.approx(fit.scale, rel=0.005)  # both optimisers stop at about 1e-3
    assert (1 - SITE_SHARE) * np.exp(scatter) == pytest.approx(float(fit.cov_re.iloc[0, 0]), rel=0.01)
    assert shift == pytest.approx(fit.fe_params["x"], abs=0.005)


def fleet(m, n, factors, seed=0):
    """Voicings whose noises and scatters of wear differ from the prior's by known factors."""
    rng = np.random.default_rng(seed)
    case = prepare(subject("voicing"), TODAY)
    walk, error, scatter = factors
    cases, findings = [], []
    for i in range(m):
        days, thousands = rng.uniform(20, 500, n), rng.uniform(0.05, 1.0, n)
        parts = np.zeros((1, n, N_PARTS))
        parts[0, :, 2] = thousands
        shares = np.zeros((n, N_NOISES))
        shares[:, 0], shares[:, 2] = case.walk_day * days, case.prior.start.sd**2 + case.prior.found_sd**2
        variance = walk * shares[:, 0] + error * shares[:, 2]
        wear = case.prior.hours.mean + scatter**0.5 * case.prior.hours.sd * rng.standard_normal()
        values = wear * thousands + np.sqrt(variance) * rng.standard_normal(n)
        cases.append(replace(case, subject=replace(case.subject, instrument=f"G-{i:03}")))
        findings.append(Findings(parts, shares.sum(axis=1), values, shares, np.zeros(n)))
    return cases, findings


def test_many_records_tell_noise_from_scatter():
    truth = (3.0, 0.5, 0.4)
    lesson = learn_lesson(*fleet(140, 12, truth)).common
    # relative error of a variance from 1,680 findings, or 140 instruments: about sqrt(2 / 140) = 0.12; the
    # prior pulls each by about as much again, and scatter counts what is not the site's
    assert lesson.noise[0] == pytest.approx(truth[0], rel=0.4)
    assert lesson.noise[2] == pytest.approx(truth[1], rel=0.25)
    assert (1 - SITE_SHARE) * lesson.scatter[2] == pytest.approx(truth[2], rel=0.4)


def test_wear_that_a_use_class_shares_is_told_from_what_instruments_differ_by():
    cases, findings = fleet(60, 8, (1.0, 1.0, 0.3))
    hard = [replace(case, subject=replace(case.subject, use_class="concert")) for case in cases[:30]]
    harder = [
        replace(found, values=found.values + 2.0 * case.prior.hours.mean * found.parts[0, :, 2])
        for case, found in zip(hard, findings[:30], strict=True)
    ]  # three times the prior's wear
    taught = learn_lesson([*hard, *cases[30:]], [*harder, *findings[30:]])
    other = cases[30].subject.use_class
    # thirty instruments that differ by a fifth of their mean tell it within 4 %; the prior pulls it down
    assert taught.wear["concert"] / taught.wear[other] == pytest.approx(3.0, rel=0.15)
    assert taught.of("concert").wear == taught.wear["concert"]
    assert taught.of("store").wear == 1.0
    after = prepare(subject("voicing"), TODAY, taught.of("concert"))
    before = prepare(subject("voicing"), TODAY)
    assert after.prior.hours.mean == pytest.approx(before.prior.hours.mean * taught.wear["concert"])


def test_few_records_teach_little_and_none_nothing():
    lesson = learn_lesson(*fleet(1, 1, (1.0, 1.0, 1.0))).common
    assert np.all(np.abs(np.log([*lesson.noise, *lesson.scatter])) < 0.5)
    assert learn_lesson([], []) == Taught(NO_LESSON)


def test_the_order_of_the_fleet_does_not_matter():
    cases, findings = fleet(7, 4, (2.0, 0.5, 1.0))
    one, other = learn_lesson(cases, findings), learn_lesson(cases[::-1], findings[::-1])
    np.testing.assert_allclose(one.common.noise, other.common.noise, rtol=1e-9)


def test_a_large_fleet_is_heard_in_part(monkeypatch):
    monkeypatch.setattr(lessons, "MOST_CASES", 5)
    cases, findings = fleet(9, 3, (1.0, 1.0, 1.0))
    heard = [0, 2, 4, 6, 8]
    expected = learn_lesson([cases[i] for i in heard], [findings[i] for i in heard])
    assert learn_lesson(cases, findings) == expected


def test_short_histories_are_padded_without_effect():
    cases, findings = fleet(3, 5, (1.0, 1.0, 1.0))
    short = [
        Findings(found.parts[:, :n], found.noise[:n], found.values[:n], found.shares[:n], found.closed[:n])
        for found, n in zip(findings, (5, 2, 4), strict=True)
    ]
    at = np.linspace(-0.5, 0.5, N_UNKNOWN + 1)
    together = evidence(at, stack(cases, short), 0.5)[0]
    alone = sum(evidence(at, stack([c], [f]), 0.5)[0] for c, f in zip(cases, short, strict=True))
    assert together == pytest.approx(alone, rel=1e-12)


def test_a_lesson_changes_the_prior_as_it_says():
    before = prepare(subject("regulation"), TODAY)
    lesson = Lesson((4.0, 9.0, 0.25, 0.5), (2.0, 1.0, 1.0, 1.0, 1.0), bedded=-1.5)
    after = prepare(subject("regulation"), TODAY, lesson)
    assert after.walk_day == pytest.approx(4.0 * before.walk_day)
    assert after.walk_hour == pytest.approx(9.0 * before.walk_hour)
    assert after.prior.found_sd == pytest.approx(0.5 * before.prior.found_sd)
    assert after.prior.bedded == Belief(-0.25, pytest.approx(0.5 * 0.5**0.5))
    own, group, site = own_and_shared(after.prior)[:, 0] / before.prior.moisture.sd**2
    assert (own, group, site) == (pytest.approx(1.0), pytest.approx(0.5), pytest.approx(0.25))


def test_a_regulation_jumps_by_the_learned_share_of_the_gap_closed():
    bedded = (Record(TODAY - 20, 0.12, 0.02),)
    made = replace(subject("regulation", served=100), related={"bedding": bedded})
    jump = prepare(made, TODAY, Lesson(bedded=-2.0)).jumps[0]
    assert jump == (TODAY - 20, pytest.approx(-0.5 * 3 * 0.10), pytest.approx(0.5 * 3 * 0.10))


def test_findings_after_a_lesson_are_those_laid_out_under_the_changed_prior():
    found = fleet(1, 4, (1.0, 1.0, 1.0))[1][0]
    found = replace(found, closed=np.array([0.0, 0.3, 0.0, 0.1]))
    lesson = Lesson((2.0, 1.0, 3.0, 1.0), bedded=-1.0)
    after = after_lesson(found, lesson, Belief(0.5, 0.5))
    np.testing.assert_allclose(after.noise, 2.0 * found.shares[:, 0] + 3.0 * found.shares[:, 2])
    np.testing.assert_allclose(after.values, found.values + 0.5 * found.closed)
